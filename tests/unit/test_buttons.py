"""Three big buttons, on gpiozero's mock pins and as three keys of a USB pad. What hands do is common practice, no source."""
from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant.station import station_settings
from hardware import buttons
from hardware.buttons import TOGETHER, Buttons
from hardware.debounce import Timing
from hardware.fake_matrix import HandClock
from hardware.header_process import HeaderProcess
from hardware.pins import PinError
from hardware.usb_pad import PadKeys
from tests.unit.test_usb_pad import HEADER, Told, stroke

YES, NO, AGAIN = PINS = (5, 6, 13)


@pytest.fixture(autouse=True)
def mock_pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield
    Device.pin_factory.reset()
    Device.pin_factory = before


class Hand:
    """Presses by the clock: (pin, from, to)."""

    def __init__(self) -> None:
        self.clock, self.keys, self.trouble = HandClock(), [], []
        self.buttons = Buttons(PINS, self.keys.append, self.trouble.append, clock=self.clock, threaded=False)

    def run(self, *down: tuple[int, float, float], until: float = 6.0) -> list[str]:
        while self.clock() < until:
            for pin in PINS:
                closed = any(one == pin and a <= self.clock() < b for one, a, b in down)
                (Device.pin_factory.pin(pin).drive_low if closed else Device.pin_factory.pin(pin).drive_high)()
            self.buttons.look()
            self.clock.sleep(0.005)
        return self.keys


def test_short_and_held_and_a_no_is_a_no_however_long() -> None:
    assert Hand().run((YES, 1, 1.1), (NO, 2, 2.1), (AGAIN, 3, 3.1)) == ["#", "C", "A"]
    assert Hand().run((YES, 1, 1.9), (NO, 2.2, 3.4), (AGAIN, 4, 5)) == ["#-held", "C", "A-held"]


@pytest.mark.parametrize("late", (0.0, 0.01, 0.05, 0.3))
def test_two_at_once_count_for_nothing_until_both_are_let_go(late: float) -> None:
    hand = Hand()
    assert hand.run((YES, 1, 1.5), (NO, 1 + late, 1.6), (NO, 3, 3.2)) == ["C"]
    assert hand.trouble == [TOGETHER]


def test_one_that_sticks_is_said_and_the_others_work() -> None:
    hand = Hand()
    assert hand.run((NO, 1, 35), (YES, 36, 36.1), until=37) == ["C", "#"]
    assert hand.trouble == ["The button no sticks: free it. It counts again when it is let go.", "The button no is free again."]


def test_down_at_the_start_is_no_press_and_a_taken_pin_is_told() -> None:
    kept = Hand()
    assert kept.run((YES, 0, 2), (YES, 3, 3.1)) == ["#"]
    with pytest.raises(PinError, match="^The buttons can't be used: .+\\.$"):
        Buttons((27, 4, YES), print, threaded=False)
    assert kept.buttons.alive
    Buttons((27, 4, 22), print, threaded=False).close()  # what the failed one had is free


@pytest.mark.skipif(not HEADER.exists(), reason="linux-libc-dev is not there")
def test_the_names_have_the_kernels_codes() -> None:
    """Outside source: linux/input-event-codes.h as this machine has it."""
    known = {name.lower(): int(code, 0) for name, code in re.findall(r"#define KEY_(\w+)\s+(\d+)", HEADER.read_text())}
    assert {name: known[name] for name in buttons.CODES} == buttons.CODES


def test_three_keys_of_a_pad_and_nothing_else_of_it() -> None:
    codes = buttons.codes("pageup pagedown space")
    pad = Told(codes=codes, called="pad of buttons", section="buttons", timing=Timing(hold_s=0.05))
    assert pad.pad.there == ("buttons",)
    pad.send(stroke(104) + stroke(109) + stroke(57) + stroke(28))
    Told.wait(lambda: len(pad.keys) == 3)
    assert sorted(pad.keys) == ["#", "A", "C"]
    pad.pull()
    Told.wait(lambda: pad.lost)
    assert pad.lost == ["The pad of buttons is gone: plug it in again, or use another keypad."]
    pad.pad.close()
    keys = PadKeys(Timing(hold_s=0.7), codes)
    assert [keys.event(1.0, 104, 1), keys.look(1.8), keys.event(2.0, 109, 1)] == [[], [("#", "hold")], [("C", "press")]]


@pytest.mark.parametrize("wrong", ("a b", "a b c d", "a b b", "a b é", "", 3))
def test_what_names_no_three_keys(wrong: object) -> None:
    assert not buttons.three(wrong) and buttons.three("a b c")


PRESSED = """
import sys, threading, time
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
Device.pin_factory = MockFactory()
def press():
    time.sleep(0.3)
    for number, seconds in ((5, 0.2), (5, 1.2), (6, 0.2), (13, 0.2)):
        pin = Device.pin_factory.pin(number)
        pin.drive_low(); time.sleep(seconds); pin.drive_high(); time.sleep(0.4)
threading.Thread(target=press, daemon=True).start()
from hardware import header_process
sys.exit(header_process.main())
"""


@pytest.mark.alone
def test_on_the_header_they_are_watched_by_the_process_of_their_own(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('[buttons]\nkind = "pins"\n')
    keys: list[str] = []
    one = HeaderProcess(station_settings.read(tmp_path / "station.toml"), keys.append, keys.append,
                        command=[sys.executable, "-c", PRESSED])
    try:
        Told.wait(lambda: len(keys) == 4)
        assert keys == ["#", "#-held", "C", "A"] and one.there == ("buttons",)
    finally:
        one.close()
