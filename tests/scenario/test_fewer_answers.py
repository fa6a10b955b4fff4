"""What the station need not ask: one yes where two questions stood, nothing that it knows.

Which questions are for safety is in assistant/core/asked.py; ours, no source.
"""
from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from assistant.core.asked import APART_S
from assistant.core.events import TestStarted
from assistant.core.settings import Settings
from assistant.core.state import Phase
from assistant.procedures import load
from tests.bench import whole_test
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_asked import DOUBLES_S
from tests.scenario.test_sequential import RUN_1, RUN_2, to_run_1


@pytest.fixture
def t(tmp_path: Path) -> Dialogue:
    return Dialogue(tmp_path)


def to_the_charge(t: Dialogue) -> Dialogue:
    return to_run_1(t).at("pump.1.1").hear("next").wait(5).at("charge.1.1")


@pytest.mark.parametrize("wording, asks", [("terse", "one, four, point, five, zero. Mallet?"),
                                           ("normal", "Right, and the mallet ready?"),
                                           ("coaching", "The lever stays down")])
def test_one_yes_takes_the_reading_and_presses_the_lever(tmp_path: Path, wording: str, asks: str) -> None:
    t = to_the_charge(Dialogue(tmp_path, header={"speech": wording}))
    t.hear("fourteen point five zero").says(asks).at("charge.1.1.confirm").hear("yes").takes("charge.1.1", "14.50")
    t.says("Press").cues("tap_first").does_not_say("Mallet").at("tap.1.1").wait(13).at("rest.1.1").replayed()


def test_six_times_a_test_it_is_asked_no_more(t: Dialogue) -> None:
    asked: list[str] = []
    post = t._post

    def watched(event: Any) -> None:
        post(event)
        asked.extend([t.state.prompt] if t.state.phase is Phase.READY else [])
    t._post = watched  # type: ignore[method-assign]
    to_run_1(t).one_run(1, RUN_1).between().one_run(2, RUN_2)
    assert not asked


def test_no_leaves_the_lever_alone(t: Dialogue) -> None:
    to_the_charge(t).hear("fourteen point five zero").hear("no").takes_nothing().says("Not taken").at("charge.1.1")
    t.does_not_say("Press")


@pytest.mark.parametrize("gap", DOUBLES_S)
def test_a_doubled_key_neither_takes_it_nor_presses_the_lever(t: Dialogue, gap: float) -> None:
    to_the_charge(t).key("1 4 * 5 0 #").at("charge.1.1.confirm").press("#", gap).takes_nothing().cues("refused")
    t.at("charge.1.1.confirm").press("#", APART_S).takes("charge.1.1", "14.50").says("Press and hold")


def test_what_is_doubted_or_out_of_its_band_is_asked_about_alone(t: Dialogue) -> None:
    to_the_charge(t)
    for _ in range(2):
        t.hear("fourteen point five nine")
    t.at("charge.1.1.override").hear("no").at("charge.1.1.confirm").says("Right?").hear("yes").takes("charge.1.1", "14.59")
    t.at("tap.1.1").says("Mallet ready? Say next.").does_not_say("Press").hear("next").says("Press and hold")


def test_a_reading_that_is_corrected_presses_nothing(t: Dialogue) -> None:
    to_the_charge(t).reading("charge.1.1", "14.50").wait(13).wait(5).at("equilibrium.1.1").hear("take it back").at("charge.1.1")
    t.hear("fourteen point five one").says("Right?").hear("yes").takes("charge.1.1", "14.51").at("equilibrium.1.1")


def test_a_test_from_before_asks_for_the_mallet_by_itself(tmp_path: Path) -> None:
    data = load("sequential")
    for stage in data["stage"]:
        for step in stage.get("step", ()):
            step.pop("joined", None)
            step.pop("terse_joined", None)
    t = Dialogue(tmp_path)
    t.station.state = type(t.state)()
    t._act(TestStarted(0.0, "sequential", data, Settings.from_mapping(t.state.settings.to_mapping()).to_mapping(), {}))
    to_the_charge(t).reading("charge.1.1", "14.50").at("tap.1.1").says("Mallet ready?").hear("next").says("Press and hold")


def test_a_whole_test_costs_a_practised_technician_no_more_than_this() -> None:
    """The budget is ours: 154 presses and 71 prompts before. The seconds are in tests/measured.md."""
    did = whole_test.play("terse", by_keys=True)
    assert did.counts["presses"] <= 110 and did.counts["prompts"] <= 60, did.counts
    assert whole_test.play("normal", by_keys=True).counts["presses"] <= 120
    assert not whole_test.play("terse", by_keys=False).counts["presses"]


CAUTIONS = ["leak.charge", "fill.1", "close", "clamps", "settle.1.2", "pump.1.3", "settle.1.3", "letdown.1", "settle.2.1", "settle.2.2",
            "pump.2.3", "settle.2.3", "finish.letdown", "finish.empty"]


@pytest.mark.parametrize("wording", whole_test.WORDINGS)
def test_every_caution_is_said_in_each_wording(wording: str) -> None:
    assert whole_test.play(wording, by_keys=True).cautions == CAUTIONS


def test_before_the_lever_the_clamps_are_looked_at_and_nothing_cuts_that_off(t: Dialogue) -> None:
    """In the seconds in which the charge settles: later than before the pumping, and nobody waits for it."""
    to_run_1(t).one_step(1, 1, "14.50", "7.25").at("pump.1.2").hear("next").at("settle.1.2")
    t.says("Look, hands off: are all 6 clamps latched?")
    cautions = [effect for effect in t.effects if getattr(effect, "id", "") == "settle.1.2.caution"]
    assert len(cautions) == 1 and cautions[0].aloud


def test_where_are_we_tells_what_comes_next_too(t: Dialogue) -> None:
    t.hear("where are we").says("Before anything. Then: Leak hold now?").hear("next").hear("no").hear("yes").at("fill.1")
    t.hear("where are we").says("Filling the bowl. Then: Layer 2")
    t.hear("scrap the test").hear("yes")


def test_settling_needs_no_words_so_what_comes_after_it_is_told(t: Dialogue) -> None:
    to_run_1(t).at("pump.1.1").hear("where are we").says("Run 1, step 1.", "Then: Start?")


def test_where_a_judgement_decides_nothing_is_foretold(t: Dialogue) -> None:
    t.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21").wait(300).at("leak.final")
    t.hear("where are we").does_not_say("Then:")


# --- the point need not be keyed --------------------------------------------------------------------------------------------

def test_the_last_digit_enters_the_number(t: Dialogue) -> None:
    to_the_charge(t).key("1 4 5 0").at("charge.1.1.confirm").says("one, four, point, five, zero").key("#").takes("charge.1.1", "14.50")
    t.wait(13).wait(5).key("0 7 2 5").says("seven, point, two, five").key("C").takes_nothing().key("7 2 5 #").key("#")
    t.takes("equilibrium.1.1", "7.25").replayed()


def test_a_whole_number_a_keyed_point_and_a_mistake_are_as_they_were(t: Dialogue) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.25").hear("next").wait(5).at("charge.1.2")
    t.key("3 0 #").says("three, zero, point, zero, zero").key("C").key("3 0 * 0 1 #").says("three, zero, point, zero, one").key("C")
    t.key("3 1 B 0 0 0").says("three, zero, point, zero, zero").key("#").takes("charge.1.2", "30.00")


@pytest.mark.parametrize("gap", (0.1, 0.5, 1.5))
def test_an_enter_out_of_habit_is_no_yes(t: Dialogue, gap: float) -> None:
    to_the_charge(t).key("1 4 5")
    t._talk = lambda: None  # type: ignore[method-assign]
    t.press("0", 0.3).at("charge.1.1.confirm").press("#", gap).takes_nothing().at("charge.1.1.confirm")
    assert not any(type(effect).__name__ in ("Cue", "Speak") for effect in t.effects), "nor is it a mistake"


def test_a_test_from_before_keys_its_point(tmp_path: Path) -> None:
    t = Dialogue(tmp_path)
    t.station.state = type(t.state)()
    t._act(TestStarted(0.0, "sequential", load("sequential"), t_settings(), {}, rules=4))
    to_the_charge(t).key("1 4 5 0").at("charge.1.1").key("#").says("1450 is no reading").takes_nothing()


def t_settings() -> dict[str, Any]:
    return dict(Settings.from_mapping({"chamber_ratio": "0.06", "aggregate_correction_pct": "0.3"}).to_mapping())


# --- in one breath ----------------------------------------------------------------------------------------------------------

def test_who_knows_the_test_is_told_plain_work_in_one_breath(tmp_path: Path) -> None:
    t = Dialogue(tmp_path, header={"speech": "terse"}).hear("next").hear("no").hear("yes").at("fill.1")
    t.says("Layer 1", "Layer 2", "Layer 3").hear("next").at("strike_off").replayed()


def test_what_was_set_right_is_topped_up_in_one_breath_too(tmp_path: Path) -> None:
    t = Dialogue(tmp_path, header={"speech": "terse"}).hear("next").hear("no").hear("yes")
    for prompt in ("fill.1", "strike_off", "clean", "close", "flood.1.1"):
        t.at(prompt).hear("next")
    t.at("clamps").hear("no").at("clamps.fix").hear("next").at("flood.1.2").says("Top up", "Both petcocks closed").hear("next").at("clamps")
