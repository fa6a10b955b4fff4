"""The walk of `bowlside check` with a technician who looks, listens and presses: gpiozero's mock pins and a matrix that really
scans, a pseudo-terminal for the gauge, and the command itself in a terminal, on a machine with none of the devices.

He answers what he sees: the lamp's own pin, or another one, to which nothing is joined.
"""
from __future__ import annotations

import json
import os
import pty
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Collection, Iterator
from decimal import Decimal
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from assistant.check import keys
from assistant.check.devices import Opened
from assistant.check.finding import Finding
from assistant.check.talk import Talk
from assistant.check.walk import Walk
from assistant.station import station_settings
from assistant.station.device_names import NAMES
from hardware.fake_matrix import FakeMatrix
from hardware.fakes import FakeSpeaker
from hardware.gauges import pty_gauge, steady
from tests.command import ROOT, process

LEGEND = ("12", "*B")
ROWS, COLUMNS = [5, 6], [16, 17]
PAD = {"kind": "matrix", "legend": " ".join(LEGEND), "rows": ROWS, "columns": COLUMNS, "release_ms": 20, "hold_ms": 400}


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


class Technician:
    """Walks one device. ``does`` gets every line that is shown, in a thread of his own."""

    def __init__(self, name: str, section: dict, does: Callable[["Technician", str], None], answer_s: float = 5.0) -> None:
        self.shown: list[str] = []
        settings = station_settings.read()
        settings[name].update(section)
        self.talk = Talk(lambda words: (self.shown.append(words), self._lines.append(words)))
        self.talk.attach(FakeSpeaker())
        self._lines: list[str] = []
        self.does, self._over = does, False
        self.one = Opened(name, settings, lambda key: self.talk.key(name, key),
                          lambda on: self.talk.key(name, "talk") if on else None)
        self.walk = Walk(self.talk, settings, [name], {name: self.one}, lambda: Finding("microphone", None, ""), answer_s)

    def run(self) -> Finding:
        thread = threading.Thread(target=self._works, daemon=True)
        thread.start()
        try:
            return self.walk.run()[0]
        finally:
            self._over = True
            thread.join(5)
            self.one.close()

    def _works(self) -> None:
        while not self._over:
            if self._lines:
                self.does(self, self._lines.pop(0))
            time.sleep(0.005)

    def yes(self, so: bool = True) -> None:
        self.talk.key("terminal", "#" if so else "C")


# --- keypad and pedal --------------------------------------------------------------------------------------------------------

def pressing(matrix: FakeMatrix, slips: dict[str, list[str]]) -> Callable[[Technician, str], None]:
    """Presses what is asked, at once; of a key in ``slips`` first those ("" for nothing, two for both together)."""
    def does(_: Technician, words: str) -> None:
        key, long = words.split(" ")[-1], 0.08
        if "hold" in words:
            key, long = words.split("hold ")[1][0], 0.5
        elif "press " not in words or "each" in words:
            return
        if slips.get(key):
            key = slips[key].pop(0)
        at = time.monotonic() + 0.12  # the last one is let go first
        for one in key:
            matrix.press(one, at, at + long, bounce_s=0.005)
    return does


@pytest.mark.alone
@pytest.mark.parametrize(("slips", "good", "words"), [
    ({"2": ["1"]}, True, "All 5 presses came, 1 of them held."),
    ({"2": ["1", "1"], "B": ["1B", ""]}, False,
     "2 gives 1. B gives nothing: press harder; if that helps, its contact is worn or wet."),
], ids=["a slip", "wrong twice, and a dead key"])
def test_the_keypad(pins, monkeypatch: pytest.MonkeyPatch, slips: dict, good: bool, words: str) -> None:
    monkeypatch.setattr(keys.walk, "__defaults__", (0.8,))
    factory = Device.pin_factory = MockFactory()
    one = Technician("keypad", PAD, pressing(FakeMatrix(factory, ROWS, COLUMNS, time.monotonic, LEGEND), slips))
    assert one.run() == Finding("keypad", good, words)
    assert [line.split()[-1] for line in one.shown if line.startswith("  press")] == ["1", "2", "*", "B"]


def foot(presses: list[float], closed_at_rest: bool = False) -> Callable[[Technician, str], None]:
    """Presses so many seconds each time that it is asked."""
    def does(one: Technician, words: str) -> None:
        if words.startswith("  ") and presses:
            pin = Device.pin_factory.pin(24)
            pin.drive_high() if closed_at_rest else pin.drive_low()
            time.sleep(presses.pop(0))
            pin.drive_low() if closed_at_rest else pin.drive_high()
    return does


@pytest.mark.alone
@pytest.mark.parametrize(("does", "presses", "good", "words"), [
    ("next", [0.1, 0.7], True, "A short press and a long one came."),
    ("talk", [0.1, 0.5], True, "A short press and a long one came."),
    ("next", [0.7], False, "A short press came as a long one"),
    ("next", [0.1, 0.1], False, "Held, it gave #"),
    ("next", [], False, "Nothing comes of it: look at its cable; pressed, it must join GPIO 24, pin 18 to ground."),
])
def test_the_pedal(pins, monkeypatch: pytest.MonkeyPatch, does: str, presses: list, good: bool, words: str) -> None:
    monkeypatch.setattr(keys.pedal, "__defaults__", (0.9,))
    found = Technician("pedal", {"kind": "button", "does": does, "hold_ms": 400, "release_ms": 20}, foot(presses)).run()
    assert found.good is good and found.words.startswith(words)


@pytest.mark.alone
def test_a_pedal_whose_contact_opens_when_it_is_pressed(pins, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keys.pedal, "__defaults__", (0.9,))
    Device.pin_factory.pin(24).drive_low()
    section = {"kind": "button", "hold_ms": 400, "release_ms": 20}
    one = Technician("pedal", section, foot([0.1], closed_at_rest=True))
    Device.pin_factory.pin(24).drive_low()
    time.sleep(0.6)  # longer than a press that counts
    assert "its contact opens when pressed" in one.run().words


# --- lamp and buzzer ---------------------------------------------------------------------------------------------------------

def looking_at(pin: int, asleep: bool = False) -> Callable[[Technician, str], None]:
    """Says whether that pin is on as a pattern begins, or off when asked for dark or silent."""
    def does(one: Technician, words: str) -> None:
        if not words.endswith("?") or asleep:
            return
        time.sleep(0.03)
        wanted = "dark" not in words and "silent" not in words
        one.yes((float(Device.pin_factory.pin(pin).state) > 0) is wanted)
    return does


@pytest.mark.alone
@pytest.mark.parametrize(("name", "section", "pin", "good", "words"), [
    ("lamp", {"kind": "led"}, 25, True, "All 4 patterns arrive."),
    ("buzzer", {"kind": "active"}, 12, True, "All 4 patterns arrive."),
    ("buzzer", {"kind": "passive"}, 12, True, "All 4 patterns arrive."),
    ("lamp", {"kind": "led"}, 27, False, "It never comes on: look at its wires to GPIO 25, pin 22 and to ground; an LED"),
    ("buzzer", {"kind": "active"}, 27, False,
     'It never comes on: look at its wires to GPIO 12, pin 32 and to ground; kind = "active"'),
    ("lamp", {"kind": "led", "active_high": False}, 25, False,
     "It is on when it should be dark: set active_high = true in [lamp]."),
])
def test_lamp_and_buzzer(pins, name: str, section: dict, pin: int, good: bool, words: str) -> None:
    one = Technician(name, section, looking_at(pin))
    found = one.run()
    assert found.good is good and found.words.startswith(words)
    assert len([line for line in one.shown if line.endswith("?")]) == (1 if "active_high" in words else 5)


def test_one_pattern_that_is_not_seen(pins) -> None:
    one = Technician("lamp", {"kind": "led"}, lambda one, words: words.endswith("?") and one.yes("hold" not in words))
    assert one.run() == Finding("lamp", False, "Not seen or heard: a hold is running. It works, so look at where it hangs: "
                                               "it must stand out in the sun and the noise.")


def test_where_nobody_answers_nothing_is_judged(pins) -> None:
    asleep = Technician("lamp", {"kind": "led"}, looking_at(25, asleep=True), answer_s=0.1)
    dozing = Technician("buzzer", {"kind": "active"}, lambda one, words: words.endswith("now?") and one.yes(), answer_s=0.1)
    assert asleep.run() == Finding("lamp", None, "Nobody answered, so the lamp was not judged.")
    assert dozing.run() == Finding("buzzer", None, "Nobody answered, so the buzzer was not judged.")


# --- the gauge ---------------------------------------------------------------------------------------------------------------

class AtTheMeter:
    """Opens it, charges it, and reads its face; the wire shows ``factor`` times what the face does."""

    def __init__(self, zero: str = "0.00", factor: int = 1, pulls: bool = False) -> None:
        self.psi, self.factor, self.pulls = Decimal(zero), factor, pulls
        self.wire = pty_gauge.PtyGauge("line", lambda: self.psi * self.factor)

    def __call__(self, one: Technician, words: str) -> None:
        if words.startswith("Bleed"):
            self.psi = Decimal("0.00")
        elif words.startswith("Lever up"):
            self.psi = Decimal("15.02")
            if self.pulls:
                self.wire.unplug()
        if words.endswith("?"):
            face = words.startswith("The wire says")
            one.yes(not face or f" {self.psi} psi" in words)
        elif words.startswith("Lever up"):
            one.yes()

    def checked(self) -> Finding:
        try:
            return Technician("gauge", self.wire.settings, self).run()
        finally:
            self.wire.stop()


@pytest.mark.alone
@pytest.mark.parametrize(("more", "good", "words"), [
    ({}, True, " readings a second. Its noise is 0.000 psi. It stands still, at 0.00 psi open to the air. "
               "It followed a charge to 15.02 psi."),
    ({"zero": "0.06", "factor": 2}, False,
     'Open to the air it shows 0.12 psi: zero it. The wire says 30.04 psi and the meter\'s own gauge shows something else: look '
     'at unit = "psi" and scale = 1'),
    ({"pulls": True}, False, "After the charge it did not come to rest"),
], ids=["right", "zero and scale", "unplugged"])
def test_the_gauge(monkeypatch: pytest.MonkeyPatch, more: dict, good: bool, words: str) -> None:
    monkeypatch.setattr(steady, "WINDOW_S", 0.4)
    monkeypatch.setattr("assistant.check.walk.REST_S", 1.0)
    found = AtTheMeter(**more).checked()
    assert found.good is good and words in found.words
    assert ("unplugged" in found.words) is bool(more.get("pulls"))


class SlowSpeaker(FakeSpeaker):
    """Takes its time; what is hushed before it is over was ``cut``."""

    def __init__(self) -> None:
        super().__init__(at_once=False)
        self.cut: list[str] = []
        self._over_at = 0.0

    @property
    def busy(self) -> bool:
        return time.monotonic() < self._over_at

    def say(self, ident: str, text: str) -> None:
        super().say(ident, text)
        self._over_at = time.monotonic() + 0.1

    def hush(self, keep: Collection[str] = ()) -> None:
        if self.busy:
            self.cut.append(self.said[-1][1])
        self._over_at = 0.0


@pytest.mark.parametrize("leaves", [False, True])
def test_the_caution_of_a_charged_chamber_is_said_to_its_end(leaves: bool) -> None:
    def does(one: Technician, words: str) -> None:
        if words.endswith("?"):
            one.yes(False)  # he does not say that it is open to the air
        elif words.startswith("Lever up") and leaves:
            one.talk.key("terminal", "quit")

    meter = AtTheMeter()
    one = Technician("gauge", meter.wire.settings, does, answer_s=0.3)
    speaker = SlowSpeaker()
    one.talk.attach(speaker)
    one.run()
    meter.wire.stop()
    said = [words for _, words in speaker.said]
    speaker.hush()  # as whatever comes next does
    assert said[-1].startswith("Bleed the chamber to zero.") and said[-1] not in speaker.cut
    assert said[0].startswith("Every device in turn.") and said[0] not in speaker.cut


# --- the command, on this machine --------------------------------------------------------------------------------------------

def in_a_terminal(arguments: list[str], env: dict[str, str], answers: dict[str, str]) -> tuple[int, str]:
    """The real command on a terminal of its own; types an answer as its question shows."""
    ours, theirs = pty.openpty()
    command = subprocess.Popen([sys.executable, "-m", "assistant", *arguments], cwd=ROOT, env={**os.environ, **env},
                               stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True)
    os.close(theirs)
    out, left, until = b"", dict(answers), time.monotonic() + 60
    try:
        while time.monotonic() < until:
            if select.select([ours], [], [], 0.2)[0]:
                try:
                    out += os.read(ours, 4096)
                except OSError:  # the other end is closed
                    break
            for question in [one for one in left if one.encode() in out]:
                os.write(ours, left.pop(question).encode())
        return command.wait(5), out.decode().replace("\r\n", "\n")
    finally:
        command.kill()
        command.wait()
        os.close(ours)


def test_a_new_user_in_a_terminal_with_none_of_the_devices(tmp_path: Path) -> None:
    code, out = in_a_terminal(["check", "keypad", "pedal", "gauge"], {"XDG_CONFIG_HOME": str(tmp_path)}, {})
    assert code == 0 and "Traceback" not in out and "\nNothing was checked.\n" in out
    assert out.rstrip().endswith(f"Devices are configured in {tmp_path}/bowlside/station.toml.")
    for name in ("keypad", "pedal", "gauge"):
        assert f"No {name} is configured: [{name}] in station.toml." in out


def test_a_walk_in_a_terminal_that_is_left_in_the_middle(tmp_path: Path) -> None:
    wire = pty_gauge.PtyGauge("line", lambda: Decimal("0.01"))
    (tmp_path / "bowlside").mkdir()
    lines = "\n".join(f"{key} = {json.dumps(value)}" for key, value in wire.settings.items())
    (tmp_path / "bowlside" / "station.toml").write_text(f"[gauge]\n{lines}\n[lamp]\nkind = 'led'\n")
    code, out = in_a_terminal(["check", "lamp", "gauge"], {"XDG_CONFIG_HOME": str(tmp_path), "GPIOZERO_PIN_FACTORY": "mock"},
                              {"lamp dark now?": "y", "short flash": "y", "gap every": "y", "even flashing": "n",
                               "two flashes": "y", "open to the air,": "y", "no to leave that out": "q"})
    wire.stop()
    page = out[out.index("BOWLSIDE CHECK"):]
    assert code == 1 and "Traceback" not in out
    assert "WRONG lamp         Not seen or heard: tap now, lever held." in page and "-     gauge        Not checked" in page
    assert "Bleed the chamber to zero. The chamber and the bowl may still be under pressure." in out, "left with it charged"
    assert "\nbowlside check lamp\n" in page


def test_without_a_terminal_it_is_the_quick_check_and_says_so(tmp_path: Path) -> None:
    done = process("check", "--json", env={**os.environ, "XDG_CONFIG_HOME": str(tmp_path)})
    assert "Traceback" not in done.err and "this is the quick check" in done.err
    assert [line["device"] for line in done.lines()] == list(NAMES) and set(done.lines()[0]) == {"device", "good", "words"}
    assert done.code == (1 if any(line["good"] is False for line in done.lines()) else 0)


def test_settings_that_clash_are_on_the_page(tmp_path: Path) -> None:
    (tmp_path / "bowlside").mkdir()
    (tmp_path / "bowlside" / "station.toml").write_text("[pedal]\nkind = 'button'\npin = 25\n[lamp]\nkind = 'led'\n")
    env = {**os.environ, "XDG_CONFIG_HOME": str(tmp_path), "GPIOZERO_PIN_FACTORY": "mock"}
    done = process("check", "--quick", "lamp", env=env)
    assert done.code == 1 and "WRONG pins         Pin 25 is set for [pedal] and for [lamp]" in done.out
    process("check", "printer").is_one_sentence(2, "printer", "loudspeaker, keypad")
