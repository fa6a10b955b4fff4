"""A remark on the screen goes away with what it was said of. Obeyed later, "pump a little" would fail the test."""
from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from assistant.core import phrases
from assistant.core.events import DeviceBack, DeviceLost, Event
from assistant.record.journal import Journal
from assistant.station import view
from assistant.station.layout import View, layout
from assistant.station.live import Live
from hardware.fakes import FakeSpeaker
from hardware.meter import Meter
from hardware.meter_live import LivePractice
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import to_run_1


class OnScreen(Dialogue):
    """The same dialogue with a live station's screen beside it."""

    def __init__(self, folder: Path, **more: Any) -> None:
        self.live: Live | None = None
        super().__init__(folder, **more)
        self.live = Live(self.station, show=lambda shown: self.views.append(shown))
        self.live.attach(FakeSpeaker(self.live.spoken))
        self.views: list[View] = []

    def _post(self, event: Event) -> None:
        if self.live is None:
            super()._post(event)
            return
        found = self.station.handle(event)
        self.effects += found
        for effect in found:
            self.live.perform(effect)

    @property
    def remarks(self) -> str:
        assert self.live is not None
        self.live.refresh()
        return " ".join(self.views[-1].messages)


@pytest.fixture
def t(tmp_path: Path) -> OnScreen:
    shown = OnScreen(tmp_path)
    to_run_1(shown)
    return shown


def test_a_band_is_not_told_beside_the_next_step(t: OnScreen) -> None:
    t.hear("next").wait(5).at("charge.1.1").hear("fourteen point four three")
    assert "Under by 0.07" in t.remarks
    t.hear("fourteen point five eight")
    assert "Over by 0.08" in t.remarks and "Under by" not in t.remarks, "the next word on the same matter"
    t.hear("no") if t.state.prompt.endswith("override") else t.hear("fourteen point five zero").hear("yes")
    assert "by 0.0" not in t.remarks
    while t.state.prompt != "tap.1.1":
        t.hear("yes")
    t.hear("next")
    assert t.remarks == "", "press and hold"


def test_what_the_simulated_meter_answers_is_about_the_last_key_alone(t: OnScreen) -> None:
    """"Above the marked maximum: bleed it down" stood beside a charge that was long in its band: obeyed, it is lost."""
    assert t.live is not None
    t.live.practice = LivePractice(Meter())
    for _ in range(47):
        t.live._meter("pump")
    t.live._meter("pump")
    assert "bleed it down" in t.remarks
    t.live._meter("bleed")
    assert "bleed it down" not in t.remarks


def test_not_taken_and_paused_go_with_what_they_answered(t: OnScreen) -> None:
    t.hear("next").wait(5).hear("fourteen point five zero").hear("no")
    assert "Not taken." in t.remarks
    t.hear("pause")
    assert "Paused." in t.remarks
    t.hear("carry on")
    assert "Paused." not in t.remarks
    t.hear("fourteen point five zero")
    assert "Not taken." not in t.remarks


def test_the_marks_of_a_hold_are_left_to_its_clock(tmp_path: Path) -> None:
    t = OnScreen(tmp_path)
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").at("leak.hold")
    t.wait(65)
    assert "left" not in t.remarks


def test_what_was_keyed_is_not_heard(t: OnScreen) -> None:
    t.hear("next").wait(5).key("1 4 * 4 3 #")
    assert t.live is not None and t.live.heard == ""
    t.hear("fourteen point four three")
    assert t.live.heard == "fourteen point four three"


def test_without_a_loudspeaker_nobody_talks(tmp_path: Path) -> None:
    with Journal(tmp_path / "other"):
        t = Dialogue(tmp_path)
        state = t.state.__class__(**{**vars(t.state), "utterance": t.state.utterance + 1})
    assert "while I talk" in view.of(state, 0.0).listens
    assert "while I talk" not in view.of(state, 0.0, audible=False).listens


def test_who_keys_is_not_sent_to_the_keypad(t: OnScreen) -> None:
    t.hear("next").wait(5)
    for _ in range(4):
        t.key("9 9 * 9 9 9 #").does_not_say("Use the keypad")
    t.hear("ninety nine point nine").hear("ninety nine point nine").hear("ninety nine point nine").says("Use the keypad")


def test_what_is_gone_is_news_beside_one_question_and_then_takes_what_room_is_left(t: OnScreen) -> None:
    """Without a microphone from the start, three of fifteen lines said so at every step."""
    t._post(DeviceLost(t.now, "microphone", "No microphone opens."))
    assert "No microphone opens." in t.remarks and not t.views[-1].notices
    t.hear("next").wait(5).at("charge.1.1")
    assert "microphone" not in t.remarks and "No microphone opens." in t.views[-1].notices
    t._post(DeviceBack(t.now, "microphone"))
    assert "No microphone" not in t.remarks and not t.views[-1].notices


def test_that_there_may_still_be_pressure_is_not_hidden_by_a_device_that_is_gone(tmp_path: Path) -> None:
    """Started again in a run, without a microphone: at 40 x 15 there is room for one of the two."""
    t = to_run_1(OnScreen(tmp_path))
    t.hear("next")
    assert t.live is not None
    t.live._for_now(f"Going on. {phrases.PRESSURE_CAUTION}", "restart")
    t._post(DeviceLost(t.now, "microphone", "No microphone opens."))
    assert phrases.PRESSURE_CAUTION in t.remarks and t.views[-1].messages[-1].startswith("Going on.")
    shown = "\n".join(layout(replace(t.views[-1], meter="METER: lever released, petcocks closed, lid on"), 40, 15))
    assert "may still" in shown and "under pressure" in shown, shown
    for words in ("Asked again.", "Too soon.", "No key."):
        t.live._for_now(words)
    assert phrases.PRESSURE_CAUTION in t.remarks, "nor is it pushed out by what is answered beside it"
