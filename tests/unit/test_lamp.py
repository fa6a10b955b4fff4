"""Lamp and buzzer on gpiozero's mock pins: the edges that really reach the pin, by a clock turned by hand. Outside source: WCAG
2.3.1, at most three flashes in any one second."""
import time
from itertools import combinations, pairwise

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from hardware.buzzer import TAIL_S, Buzzer
from hardware.fake_matrix import HandClock
from hardware.lamp import Lamp
from hardware.pins import PinError
from hardware.rhythms import BUZZER, LAMP, MEANS, table

STEP_S = 0.01


@pytest.fixture(autouse=True)
def mock_pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    yield
    Device.pin_factory.reset()
    Device.pin_factory = before


def edges(device, clock, pin, seconds):
    """(seconds since now, level) for each change of the pin's level."""
    begin, seen = clock(), [(0.0, Device.pin_factory.pin(pin).state)]
    for n in range(round(seconds / STEP_S)):
        device.look()
        level = Device.pin_factory.pin(pin).state
        if level != seen[-1][1]:
            seen.append((round(n * STEP_S, 2), level))
        clock.now = begin + (n + 1) * STEP_S
    return seen


def shown(pattern, seconds=6.0, kind=Lamp):
    clock = HandClock(100.0)
    device = kind(25, clock=clock, threaded=False)
    device.show(pattern)
    found = edges(device, clock, 25, seconds)
    device.close()
    Device.pin_factory.reset()
    return found


@pytest.mark.parametrize("pattern", LAMP)
def test_the_pin_follows_the_table(pattern):
    found = shown(pattern)[1:]
    wanted, at = [], 0.0
    while LAMP[pattern].beats and at < 6:
        for on, off in LAMP[pattern].beats:
            wanted += [(at, 1), (at + on, 0)]
            at += on + off
    wanted = [one for one in wanted if one[0] < 5.99]
    assert [level for _, level in found] == [level for _, level in wanted]
    assert all(abs(a - b) <= STEP_S + 1e-9 for (a, _), (b, _) in zip(found, wanted, strict=True))


@pytest.mark.parametrize("pattern", LAMP)
def test_the_lamp_never_flashes_more_than_three_times_in_a_second(pattern):
    flashes = [at for at, level in shown(pattern, 12.0) if level]
    assert all(sum(begin <= at < begin + 1 for at in flashes) <= 3 for begin in flashes)


@pytest.mark.parametrize("patterns", [LAMP, BUZZER])
def test_every_two_patterns_differ_in_rhythm(patterns):
    kind = Lamp if patterns is LAMP else Buzzer
    lengths = {name: [b - a for (a, _), (b, _) in pairwise(shown(name, 6.0, kind)[1:])] for name in patterns}
    for one, other in combinations(patterns, 2):
        a, b = lengths[one], lengths[other]
        longer = any(abs(x - y) >= 0.2 for x, y in zip(a, b, strict=False))
        assert bool(a) != bool(b) or abs(len(a) - len(b)) >= 2 or longer, (one, other)


def test_a_new_pattern_begins_at_once_and_the_same_goes_on_in_its_rhythm():
    clock = HandClock()
    lamp = Lamp(25, clock=clock, threaded=False)
    lamp.show("hold")
    lamp.look()
    clock.sleep(1.7)
    lamp.show("hold")
    lamp.look()
    assert lamp.on
    clock.sleep(0.15)  # 1.85 s since it began
    lamp.look()
    assert not lamp.on
    lamp.show("wrong")
    lamp.look()
    assert lamp.on
    lamp.show("off")
    assert lamp.look() is None and not lamp.on


def test_the_wait_until_the_next_edge_is_what_is_left():
    clock = HandClock()
    lamp = Lamp(25, clock=clock, threaded=False)
    lamp.show("tap")
    assert lamp.look() == pytest.approx(0.25)
    clock.sleep(0.3)
    assert lamp.look() == pytest.approx(0.2)


def test_a_lamp_that_lights_when_the_pin_is_low():
    clock = HandClock()
    lamp = Lamp(25, active_high=False, clock=clock, threaded=False)
    assert Device.pin_factory.pin(25).state == 1
    lamp.show("hold")
    lamp.look()
    assert Device.pin_factory.pin(25).state == 0


def test_the_buzzer_sounds_once_for_waiting_goes_on_for_tapping_and_makes_the_ear_deaf():
    assert len(shown("waiting", 30.0, Buzzer)) == 3
    assert len(shown("tap", 5.0, Buzzer)) == 1 + 20
    clock = HandClock()
    buzzer = Buzzer(25, clock=clock, threaded=False)
    assert not buzzer.deaf
    buzzer.show("hold")
    buzzer.look()
    assert buzzer.deaf
    clock.sleep(0.61)
    buzzer.look()
    assert buzzer.deaf and not buzzer.on
    clock.sleep(TAIL_S)
    assert not buzzer.deaf


def test_a_passive_buzzer_gets_its_tone():
    clock = HandClock()
    buzzer = Buzzer(12, hertz=2400, clock=clock, threaded=False)
    pin = Device.pin_factory.pin(12)
    buzzer.show("tap")
    buzzer.look()
    assert (pin.frequency, pin.state) == (2400, 0.5)
    clock.sleep(0.2)
    buzzer.look()
    assert pin.state == 0
    assert buzzer.alive
    buzzer.close()
    assert not buzzer.alive


@pytest.mark.alone
def test_in_its_own_thread_it_flashes_sleeps_and_goes_dark_at_the_end():
    looks = []

    class Watched(Lamp):
        def look(self):
            looks.append(self.pattern)
            return super().look()

    lamp = Watched(25)
    pin = Device.pin_factory.pin(25)
    pin.clear_states()
    lamp.show("tap")
    time.sleep(0.9)
    lamp.close()
    assert [one.state for one in pin.states][:4] == [0, 1, 0, 1]
    assert pin.states[2].timestamp == pytest.approx(0.25, abs=0.15)
    assert pin.state == 0 and not lamp.alive
    assert len(looks) < 12  # woken for its edges, not all the time


def test_unknown_patterns_and_pins_are_one_sentence():
    lamp = Lamp(25, threaded=False)
    with pytest.raises(ValueError, match="no pattern 'disco'; the patterns are waiting, hold, tap, wrong, off"):
        lamp.show("disco")
    for kind, what in ((Lamp, "lamp"), (Buzzer, "buzzer")):
        with pytest.raises(PinError, match=f"^The {what} can't be used: .+\\.$"):
            kind(25, threaded=False)


def test_the_table_names_every_pattern():
    assert set(LAMP) == set(BUZZER) == set(MEANS)
    lines = table().splitlines()
    assert len(lines) == 2 + len(LAMP)
    assert "| hold | a hold is running | 1.8 s on, 0.2 s off, again and again | 0.6 s on, once |" in lines
