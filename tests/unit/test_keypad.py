"""The matrix keypad on gpiozero's mock pins, against a matrix that really scans: every press that was meant comes once, and
no key that nobody pressed ever comes. What a matrix without diodes does (ghosts) follows from its circuit; how long contacts
bounce is common practice, no source."""
import random
import time

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from hardware.debounce import Key, Timing
from hardware.fake_matrix import FakeMatrix, HandClock
from hardware.keypad import HELD, LEGEND, TOGETHER, Keypad
from hardware.matrix import doubtful
from hardware.pins import PinError

ROWS, COLUMNS = (5, 6, 13, 26), (16, 17, 22, 23)
NAMES = "".join(LEGEND)


class Bench:
    """A keypad, its copper, and a clock turned by hand."""

    def __init__(self, seed: int = 1, **more):
        self.clock = HandClock()
        self.matrix = FakeMatrix(Device.pin_factory, ROWS, COLUMNS, self.clock, seed=seed)
        self.keys: list[str] = []
        self.when: list[float] = []
        self.trouble: list[str] = []
        self.keypad = Keypad(ROWS, COLUMNS, self.take, self.trouble.append, clock=self.clock, wait=self.clock.sleep,
                             threaded=False, **more)

    def take(self, name: str) -> None:
        self.keys.append(name)
        self.when.append(self.clock())

    def until(self, at: float) -> list[str]:
        while self.clock() < at:
            self.keypad.look()
            self.clock.sleep(0.005)
        return self.keys


@pytest.fixture(autouse=True)
def mock_pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield
    Device.pin_factory.reset()
    Device.pin_factory = before


def test_every_key_comes_once_under_its_own_name():
    bench = Bench()
    for n, name in enumerate(NAMES):
        bench.matrix.press(name, at=0.1 + 0.4 * n, until=0.25 + 0.4 * n)
    assert bench.until(7.0) == list(NAMES)
    assert bench.trouble == [] and bench.matrix.shorts == 0


@pytest.mark.parametrize("seed", range(10))
def test_thirty_milliseconds_of_bounce_and_a_glove_that_strikes_twice_are_one_press(seed):
    bench = Bench(seed)
    for n, name in enumerate("7*25#"):
        bench.matrix.press(name, at=0.1 + 0.5 * n, until=0.2 + 0.5 * n, bounce_s=0.03)
        bench.matrix.press(name, at=0.25 + 0.5 * n, until=0.35 + 0.5 * n, bounce_s=0.03)  # open for 20 to 50 ms only
    assert bench.until(3.0) == list("7*25#")
    assert bench.trouble == []


def test_the_same_digit_meant_twice_comes_twice():
    bench = Bench()
    bench.matrix.press("2", 0.1, 0.2)
    bench.matrix.press("2", 0.3, 0.4)
    assert bench.until(1.0) == ["2", "2"]


def test_a_press_is_told_within_its_few_looks():
    bench = Bench()
    bench.matrix.press("5", at=0.1, until=0.5)
    bench.until(0.3)
    # Three looks 5 ms apart: at the least two periods, at the most three and the scans.
    assert 0.010 <= bench.when[0] - 0.1 < 0.018


def test_a_spark_of_one_look_is_no_key():
    bench = Bench()
    for n in range(40):
        bench.matrix.press("5", at=0.1 + 0.0213 * n, until=0.106 + 0.0213 * n)  # seen at most twice in a row
    assert bench.until(2.0) == []


def test_sparks_on_a_whole_column_are_neither_keys_nor_a_complaint():
    bench = Bench()
    for n in range(20):
        for name in "147":
            bench.matrix.press(name, at=0.1 + 0.0513 * n, until=0.106 + 0.0513 * n)
    assert bench.until(2.0) == [] and bench.trouble == []


def test_a_key_that_begins_to_stick_among_others_is_said_all_the_same():
    bench = Bench()
    bench.matrix.press("7", 0.1, 12.0)
    bench.matrix.press("8", 7.9, 8.4)
    bench.matrix.press("5", 7.95, 8.4)
    bench.until(11.0)
    assert bench.trouble == [TOGETHER, "Key 7 of the keypad sticks: free it. It counts again when it is let go."]


def test_the_next_key_counts_while_the_last_is_still_down():
    bench = Bench()
    bench.matrix.press("1", 0.10, 0.40)
    bench.matrix.press("2", 0.15, 0.45)   # same row
    bench.matrix.press("9", 0.60, 0.90)
    bench.matrix.press("5", 0.70, 1.00)   # neither row nor column in common
    bench.matrix.press("3", 1.20, 1.50)
    bench.matrix.press("9", 1.30, 1.60)   # same column: two rows on one wire
    assert bench.until(2.0) == list("129539")
    assert bench.matrix.shorts == 0


def test_a_ghost_is_never_a_key_and_is_said_once():
    bench = Bench()
    bench.matrix.press("1", 0.10, 1.00, bounce_s=0.03)
    bench.matrix.press("2", 0.30, 1.10, bounce_s=0.03)
    bench.matrix.press("4", 0.50, 0.80, bounce_s=0.03)  # closes 5 too
    assert bench.until(2.0) == ["1", "2"]
    assert bench.trouble == [TOGETHER]
    bench.matrix.press("5", 2.1, 2.2)
    assert bench.until(3.0)[2:] == ["5"]


def test_two_keys_under_one_glove_are_none_and_count_again_afterwards():
    bench = Bench()
    bench.matrix.press("5", 0.100, 0.300, bounce_s=0.02)
    bench.matrix.press("6", 0.104, 0.310, bounce_s=0.02)
    bench.matrix.press("6", 0.8, 0.9)
    assert bench.until(1.5) == ["6"]
    assert bench.trouble == [TOGETHER]


def test_holding_has_a_second_meaning_for_two_keys_only():
    bench = Bench()
    bench.matrix.press("A", 0.1, 0.4)
    bench.matrix.press("A", 1.0, 2.5, bounce_s=0.03)
    bench.matrix.press("B", 3.0, 4.5)
    bench.matrix.press("5", 5.0, 6.5)
    assert bench.until(7.0) == ["A", "A-held", "B-held", "5"]
    assert 2.0 <= bench.when[1] <= 2.06
    assert bench.trouble == []


def test_a_key_that_sticks_counts_once_is_said_once_and_leaves_the_others_alone():
    bench = Bench()
    bench.matrix.press("7", 0.1, 20.0)
    bench.matrix.press("3", 10.0, 10.2)
    bench.matrix.press("7", 21.0, 21.2)
    assert bench.until(22.0) == ["7", "3", "7"]
    assert bench.trouble == ["Key 7 of the keypad sticks: free it. It counts again when it is let go.",
                             "Key 7 of the keypad is free again."]


def test_a_key_that_is_down_at_the_start_does_not_count():
    bench = Bench()
    bench.matrix.press("#", 0.0, 1.0)
    bench.matrix.press("#", 2.0, 2.2)
    assert bench.until(3.0) == ["#"]
    assert bench.when[0] > 2


@pytest.mark.parametrize("seed", range(6))
def test_clumsy_hands_never_make_a_key_that_nobody_pressed(seed):
    """Invariant: whatever is told was closed, by a finger, within the 50 ms before."""
    chance = random.Random(seed)
    bench = Bench(seed)
    pressed = {name: [] for name in NAMES}
    for name in NAMES:
        at = 0.1
        while (at := at + chance.expovariate(0.25)) < 20:
            until = at + chance.uniform(0.02, 1.5)
            bench.matrix.press(name, at, until, bounce_s=chance.choice((0, 0.01, 0.03)))
            pressed[name].append((at, until))
            at = until + 0.05
    bench.until(22)
    assert len(bench.keys) > 15 and TOGETHER in bench.trouble
    for name, when in zip(bench.keys, bench.when, strict=True):
        late = 0.05 if name not in HELD else 0.2  # these are told when they were let go
        assert any(at <= when <= until + late for at, until in pressed[name[0]]), (name, when)
    assert bench.matrix.shorts == 0


def test_without_the_check_for_ghosts_clumsy_hands_would_make_keys(monkeypatch):
    """That the matrix really makes them: the test above could not fail otherwise."""
    monkeypatch.setattr("hardware.keypad.doubtful", lambda closed: set())
    bench = Bench()
    bench.matrix.press("1", 0.1, 1.0)
    bench.matrix.press("2", 0.3, 0.5)
    bench.matrix.press("4", 0.505, 1.0)
    bench.matrix.press("2", 0.55, 1.0)  # so soon that it never was let go: the ghost of 5 comes alone
    assert bench.until(1.5) == list("1245")


def test_a_row_is_given_time_to_let_its_columns_rise(monkeypatch):
    monkeypatch.setattr("hardware.fake_matrix.RISE_S", 45e-6)  # a long cable, still within what is waited
    bench = Bench()
    bench.matrix.press("1", 0.1, 0.3)
    assert bench.until(0.5) == ["1"]
    assert bench.trouble == []


@pytest.mark.parametrize("closed, wanted", [
    (set(), set()),
    ({(0, 0), (0, 1), (0, 3)}, set()),
    ({(0, 0), (2, 0), (3, 0)}, set()),
    ({(0, 0), (1, 1), (2, 2)}, set()),
    ({(0, 0), (0, 1), (1, 0)}, {(0, 0), (0, 1), (1, 0)}),   # torn: the fourth must come
    ({(0, 0), (0, 1), (1, 0), (1, 1), (3, 3)}, {(0, 0), (0, 1), (1, 0), (1, 1)}),
])
def test_only_a_group_in_one_row_or_one_column_is_believed(closed, wanted):
    assert doubtful(closed) == wanted


def test_what_is_believed_is_what_electricity_cannot_feign():
    """For every set of up to four fingers: all that is seen and believed is under a finger. All 2,516 sets of a 4 x 4 matrix,
    seen as the circuit would show them (closed under rectangles)."""
    from itertools import combinations
    places = [(r, c) for r in range(4) for c in range(4)]
    count = 0
    for size in (1, 2, 3, 4):
        for fingers in map(set, combinations(places, size)):
            seen, before = set(fingers), 0
            while before != len(seen):
                before = len(seen)
                seen |= {(a, d) for a, b in seen for c, d in seen if (a, b) != (c, d) and ((c, b) in seen or (a, d) in seen)
                         and (c, b) in seen}
            assert seen - doubtful(seen) <= fingers
            count += 1
    assert count == 2516


def test_taken_pins_and_pins_that_do_not_exist_are_one_sentence():
    bench = Bench()
    with pytest.raises(PinError, match="^The keypad can't be used: .*") as problem:
        Keypad((26, 6, 13, 5), (12, 18, 19, 20), print, threaded=False)
    assert "\n" not in str(problem.value)
    bench.keypad.close()
    with pytest.raises(PinError, match="^The keypad can't be used: .*99"):
        Keypad(ROWS, (16, 17, 22, 99), print, threaded=False)
    Keypad(ROWS, COLUMNS, print, threaded=False).close()  # nothing was left claimed


def test_without_header_pins_it_is_one_sentence_and_no_warning(monkeypatch, recwarn):
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr(Device, "pin_factory", None)
    try:
        with pytest.raises(PinError, match="^The keypad can't be used: .*(lgpio|header pins).*\\.$"):
            Keypad(ROWS, COLUMNS, print, threaded=False).close()
    finally:
        if Device.pin_factory is not None:
            Device.pin_factory.close()
            pytest.skip("this machine has header pins")
    assert not list(recwarn)


@pytest.mark.alone
def test_in_its_own_thread_and_on_the_real_clock_a_key_comes_in_time():
    matrix = FakeMatrix(Device.pin_factory, ROWS, COLUMNS, time.monotonic)
    came = []
    keypad = Keypad(ROWS, COLUMNS, lambda name: came.append((name, time.monotonic())))
    begin = time.monotonic() + 0.05
    matrix.press("8", begin, begin + 0.15, bounce_s=0.0)
    while not came and time.monotonic() < begin + 20:
        time.sleep(0.005)
    assert keypad.alive
    keypad.close()
    assert not keypad.alive
    assert [name for name, _ in came] == ["8"]
    assert came[0][1] - begin < 0.5  # generous: the machine is shared. Measured by tests/bench/hands.py


@pytest.mark.alone
def test_a_bus_that_fails_is_told_once_and_tried_again(monkeypatch):
    monkeypatch.setattr("hardware.ticker.RETRY_S", 0.01)
    fails = [True]
    original = FakeMatrix.is_low

    def is_low(self, column):
        if fails[0]:
            raise OSError("the pins are gone")
        return original(self, column)

    matrix = FakeMatrix(Device.pin_factory, ROWS, COLUMNS, time.monotonic)
    monkeypatch.setattr(FakeMatrix, "is_low", is_low)
    trouble, came = [], []
    keypad = Keypad(ROWS, COLUMNS, came.append, trouble.append)
    end = time.monotonic() + 60
    while not trouble and time.monotonic() < end:
        time.sleep(0.01)
    assert not keypad.alive
    fails[0] = False
    begin = time.monotonic() + 0.05
    matrix.press("8", begin, begin + 0.3)
    while not came and time.monotonic() < begin + 20:
        time.sleep(0.005)
    keypad.close()
    assert came == ["8"]
    assert trouble == ["The keypad gives trouble (the pins are gone); it is tried again."]


@pytest.mark.parametrize("holds, looks, wanted", [
    (False, [(0.0, 0), (0.1, 1), (0.105, 1), (0.11, 1)], ["", "", "", "press"]),
    (False, [(0.0, 0), (0.1, 1), (0.105, 0), (0.11, 1), (0.115, 1)], ["", "", "", "", ""]),
    (True, [(0.0, 0), (0.1, 1), (0.105, 1), (0.11, 1), (0.2, 0), (0.27, 0), (0.28, 0)], ["", "", "", "", "", "", "press"]),
    (True, [(0.0, 0), (0.1, 1), (0.105, 1), (0.11, 1), (1.2, 1), (1.3, 0), (1.4, 0)], ["", "", "", "", "hold", "", "up"]),
])
def test_one_contact(holds, looks, wanted):
    key = Key(holds, Timing())
    assert [key.look(at, bool(closed)) for at, closed in looks] == wanted
