"""One hand, no look: whole live tests over the wired simulated meter with the pedal and the voice alone, with three big buttons
alone, and the leak hold by the crew alone. Real threads, a real pseudo-terminal for the gauge, gpiozero's mock pins.

In the short ones the meter lives twenty times as fast and the first step ends the test; the long ones are whole and in real time.
"""
from __future__ import annotations

import time
from decimal import Decimal
from pathlib import Path

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant.core import asked, spoken
from assistant.core.events import Heard
from assistant.core.state import Phase
from assistant.core.steps import Tap
from assistant.core.three_buttons import wheel
from assistant.record import summary
from hardware.gauges import steady
from tests.scenario.test_live_by_wire import SHORT, Technician

YES, NO, AGAIN = 5, 6, 13


@pytest.fixture
def pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """His ears are at the meter's pace."""
    monkeypatch.setattr(Tap, "lead_s", 0.1)
    for name, value in (("ENOUGH_S", 0.1), ("APART_S", 0.3), ("FASTEST_WPM", 6_000)):
        monkeypatch.setattr(asked, name, value)
    monkeypatch.setattr(steady, "WINDOW_S", 0.5)


class PedalAndVoice(Technician):
    """Yes and next by the pedal, no and the numbers that must be given a second time by voice."""

    def say(self, words: str) -> None:
        prompt = self.state.prompt
        self.hear_out(words)
        self.live.post_event(lambda at: Heard(at, words, prompt))

    def no(self) -> None:
        self.say("no")

    def answer(self, prompt: str) -> None:
        if self.state.phase is Phase.ENTRY and prompt.endswith(".again"):
            self.rest(2.5)
            self.say(spoken.digits(self.dial()).replace(",", ""))  # what the face shows, digit by digit
            self.wait(lambda: self.state.prompt != prompt, "nothing was heard")
            if self.state.prompt == f"{prompt}.confirm":
                self.pedal()
        else:
            super().answer(prompt)


class ThreeButtons(Technician):
    """Yes, no and say again, and nothing else."""

    settings, header, watcher, yes_pin, matrix = '[buttons]\nkind = "pins"\n', {"hands": "buttons"}, "buttons", YES, False

    def no(self) -> None:
        before = self.station.presses
        self.hear_out("C")
        self.pressed(NO, 0.1, before)

    def tap(self, number: int) -> None:
        """A press in the wheel: heard or not, it turns."""
        before = self.station.presses
        time.sleep(0.15)
        self.pressed(number, 0.08, before)

    def by_wheel(self, value: Decimal) -> None:
        self.no()
        for sign in f"{value:f}":
            if sign == "." and self.state.typed.endswith("."):
                continue
            for _ in wheel(self.state):
                if self.state.wheel == sign:
                    break
                self.tap(NO)
            self.tap(YES)
        self.wait(lambda: self.state.phase is Phase.CONFIRM, "the wheel's number is not read back")

    def answer(self, prompt: str) -> None:
        if self.state.phase is Phase.ENTRY and "gauge" in self.state.lost and not prompt.startswith("leak"):
            self.rest(10)
            self.by_wheel(self.dial())
            self.pedal()
        else:
            super().answer(prompt)

    def pull(self, ident: str) -> None:
        """In the middle of the first step the wire is pulled for good: the rest of it goes by the wheel."""
        if ident in self.pulled:
            self.pulled.remove(ident)
            self.gauge.unplug()
            self.wait(lambda: "gauge" in self.state.lost, "the loss was not noticed")

    def offered(self) -> None:
        if "gauge" not in self.state.lost:
            super().offered()

    def is_whole(self) -> None:
        assert self.journal.first_bad() is None
        assert summary.of(self.journal, self.station.test)["verdict"] == "pass"


def test_short_by_pedal_and_voice(pins, quick, tmp_path: Path) -> None:
    technician = PedalAndVoice(pins, tmp_path, "line", 20.0, leak_hold=False, **SHORT)
    technician.pulled = []
    technician.run(within_s=60, until="pump.1.2")
    assert any(one.text.startswith("Leak hold skipped") for one in technician.state.notes)  # a no that was said
    assert set(technician.state.taken()) == {"charge.1.1", "equilibrium.1.1"}


def test_short_by_three_buttons_the_wire_pulled_before_the_second_reading(pins, quick, tmp_path: Path) -> None:
    technician = ThreeButtons(pins, tmp_path, "line", 20.0, leak_hold=False, **SHORT)
    technician.pulled = ["equilibrium.1.1"]
    technician.run(within_s=90, until="pump.1.2")
    sources = {one.id: one.entries[0].source for one in technician.state.readings}
    assert sources == {"charge.1.1": "gauge", "equilibrium.1.1": "keypad"}  # by the wheel
    assert abs(technician.state.taken()["equilibrium.1.1"] - Decimal("7.25")) < 1
    assert any(one.text.startswith("Leak hold skipped") for one in technician.state.notes)


class CrewAlone(Technician):
    """He holds the pedal in the hold and goes; one of the crew, who has no pedal, says yes to what the station asks them."""
    gone = False

    def answer(self, prompt: str) -> None:
        if prompt == "leak.hold" and not self.gone:
            self.gone = True
            self.hold()
            self.wait(lambda: self.state.away is not None, "he could not go")
            for words in ("scrap", "next", "yes", "take it back", "pause"):  # whoever comes by
                self.live.post_event(lambda at, words=words: Heard(at, words, ""))
        elif self.state.away is not None and prompt == "leak.final.confirm":
            self.crew_says("yes")
            self.wait(lambda: "leak.final" in self.state.taken(), "nobody was heard")
        elif self.state.away is not None and asked.waits(self.state):
            self.crew_says("next")
            self.wait(lambda: self.said("That waits for the technician."), "it was not refused")
            assert asked.waits(self.state)
            self.wait(lambda: self.said("fetch the technician"), "nobody is told whom to fetch")
            time.sleep(asked.APART_S)
            self.hold()
            self.wait(lambda: self.state.away is None, "he is not back")
        elif self.state.away is None:
            super().answer(prompt)
        else:
            time.sleep(0.01)

    def hold(self) -> None:
        time.sleep(0.5)
        self.press(self.yes_pin, 1.0)

    def crew_says(self, words: str) -> None:
        self.hear_out(words)
        self.live.post_event(lambda at: Heard(at, words, ""))

    def said(self, words: str) -> bool:
        return any(words in line["text"] for line in self.lines if line["kind"] == "said")

    def is_right(self) -> None:
        for words in ("You may go. Crew:", "Crew: Does the gauge's own face show", "The chamber holds.", "You are back."):
            assert self.said(words), words
        notes = [one.text for one in self.state.notes]
        assert "read by the crew, while the technician was away" in notes and self.state.outcome == ""
        assert self.journal.first_bad() is None


def test_short_leak_hold_by_the_crew_alone(pins, quick, tmp_path: Path) -> None:
    technician = CrewAlone(pins, tmp_path, "line", 20.0, leak_hold=True, leak_hold_s=Decimal(20), **SHORT)
    technician.pulled = []
    technician.run(within_s=120, until="scope")
    technician.is_right()


@pytest.mark.long
@pytest.mark.parametrize("who", (PedalAndVoice, ThreeButtons))
def test_full_length(pins, tmp_path: Path, who: type[Technician]) -> None:
    technician = who(pins, tmp_path, "line", 1.0, leak_hold=True)
    technician.pulled = []
    began = time.monotonic()
    assert technician.run(within_s=1500) == 0
    print(who.__name__, technician.station.presses, "presses in", round(time.monotonic() - began), "s")
    found = summary.of(technician.journal, technician.station.test)
    results = {one["name"]: one["rounded"] for one in found["results"]}
    assert found["verdict"] == "pass" and abs(results["system_air_metric"] - Decimal("0.20")) <= Decimal("0.06"), found["why"]
    assert abs(results["air_content"] - Decimal("6.0")) <= Decimal("0.2") and technician.journal.first_bad() is None


@pytest.mark.long
def test_full_leak_hold_by_the_crew_alone(pins, tmp_path: Path) -> None:
    technician = CrewAlone(pins, tmp_path, "line", 1.0, leak_hold=True)
    technician.pulled = []
    technician.run(within_s=900, until="scope")
    technician.is_right()
