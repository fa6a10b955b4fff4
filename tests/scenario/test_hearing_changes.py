"""The station says by itself that it has become too loud, or that it hears again; it is noted, and survives a restart."""
from pathlib import Path

import pytest

from assistant.core.events import DeviceBack, DeviceLost, HearingChanged, from_plain, to_plain
from tests.scenario.dialogue import Dialogue


@pytest.fixture
def t(tmp_path: Path) -> Dialogue:
    return Dialogue(tmp_path)


@pytest.mark.parametrize("hearing, words", [("noisy", "too loud for me: key the readings"), ("silent", "gives no sound"),
                                            ("clipping", "hold the microphone further away"), ("good", "I hear you again")])
def test_each_change_is_said_and_noted_and_the_prompt_still_waits(t: Dialogue, hearing: str, words: str) -> None:
    t.hear("next").hear("yes").event(HearingChanged(t.now, hearing)).says(words).records("note", id="hearing")
    t.listens("leak.charge").reading("leak.charge", "45.25")
    assert any(words in note.text for note in t.state.notes)


def test_it_is_said_behind_a_caution_never_instead_of_it(t: Dialogue) -> None:
    t.hear("next")
    t._talk = lambda: None              # the voice is still at it
    t.hear("yes")
    cautions = t.state.cautions
    t.event(HearingChanged(t.now, "noisy"))
    assert cautions and t.state.cautions == cautions
    assert not any(type(effect).__name__ == "Hush" for effect in t.effects)


def test_nothing_is_said_while_the_mallet_strikes(t: Dialogue) -> None:
    t.leak_hold().fill_and_close().hear("next").wait(5).reading("charge.1.1", "14.50").hear("next").wait(4)
    t.event(HearingChanged(t.now, "noisy")).records("note", id="hearing").does_not_say("loud")
    t.wait(10).does_not_say("loud")


def test_quiet_says_what_is_wrong_but_not_that_it_is_well_again(t: Dialogue) -> None:
    t.hear("quiet").event(HearingChanged(t.now, "noisy"))
    assert [effect.aloud for effect in t.effects if hasattr(effect, "aloud")] == [True]
    t.event(HearingChanged(t.now, "good"))
    assert [effect.aloud for effect in t.effects if hasattr(effect, "aloud")] == [False]


def test_the_event_comes_back_from_the_journal_as_it_was(t: Dialogue) -> None:
    event = HearingChanged(12.5, "noisy")
    assert from_plain(to_plain(event)) == event
    before = len(t.event(event).state.notes)
    t.kill().restart()
    assert len(t.state.notes) == before + 1 and any(note.id == "hearing" for note in t.state.notes)


@pytest.mark.parametrize("left, said", [(60, True), (7, False)])
def test_the_end_of_a_hold_belongs_to_its_count(t: Dialogue, left: int, said: bool) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21")
    assert t.state.hold is not None and t.state.hold.id == "leak.hold"
    t.event(DeviceLost(t.now, "microphone", "It is gone.")).wait(t.state.hold.ends - t.now - left)
    for event in (HearingChanged(t.now, "noisy"), DeviceBack(t.now, "microphone")):
        t.event(event).records("note")
        assert said == any(type(effect).__name__ == "Speak" for effect in t.effects)
