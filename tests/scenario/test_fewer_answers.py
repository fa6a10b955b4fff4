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
