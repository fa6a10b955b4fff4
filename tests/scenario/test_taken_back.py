"""What B takes back is said with its value, and a no keeps it: a stray key costs nothing."""
from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.events import TestStarted
from assistant.core.machine import step
from assistant.core.state import State
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import RUN_1, to_run_1


@pytest.fixture
def t(tmp_path: Path) -> Dialogue:
    return to_run_1(Dialogue(tmp_path))


@pytest.mark.parametrize("by_key", [True, False])
def test_it_says_what_it_takes_back_and_no_keeps_it(t: Dialogue, by_key: bool) -> None:
    t.one_step(1, 1, "14.46", RUN_1[0]).at("pump.1.2")
    before = t.state.taken()
    t.key("B").at("equilibrium.1.1").says("seven, point, two, five", "No keeps it")
    assert "equilibrium.1.1" not in t.state.taken()
    (t.key("C") if by_key else t.hear("no")).at("pump.1.2").says("stays seven, point, two, five")
    assert t.state.taken() == before and list(t.state.taken()) == list(before)
    assert [note.text for note in t.state.notes][-1] == "taken back, then kept as it was"
    t.replayed()


def test_two_that_were_taken_back_are_kept_one_after_the_other(t: Dialogue) -> None:
    t.one_step(1, 1, "14.46", RUN_1[0]).at("pump.1.2")
    before = t.state.taken()
    t.key("B").at("equilibrium.1.1").key("B").at("charge.1.1").says("one, four, point, four, six")
    t.key("C").at("equilibrium.1.1").key("C").at("pump.1.2")
    assert t.state.taken() == before


def test_a_new_value_takes_its_place_as_before(t: Dialogue) -> None:
    t.one_step(1, 1, "14.46", RUN_1[0]).key("B").reading("equilibrium.1.1", "7.26").at("pump.1.2")
    assert t.state.taken()["equilibrium.1.1"] == Decimal("7.26")
    t.key("C").says("nothing to clear").at("pump.1.2")


def test_what_was_typed_or_entered_once_is_cleared_not_kept(t: Dialogue) -> None:
    t.one_step(1, 1, "14.46", RUN_1[0]).key("B").key("7 C").at("equilibrium.1.1")
    assert t.state.typed == "" and "equilibrium.1.1" not in t.state.taken()


def test_a_reading_whose_result_was_told_is_asked_about_before_and_not_kept_by_a_no_after(tmp_path: Path) -> None:
    t = Dialogue(tmp_path).leak_hold("45.21", "45.16")
    t.hear("take it back").at("change.confirm").hear("yes").at("leak.final").does_not_say("No keeps it")
    t.key("C").at("leak.final").says("nothing to clear")


def test_a_test_from_before_replays_as_it_was(t: Dialogue) -> None:
    t.one_step(1, 1, "14.46", RUN_1[0]).key("B").key("C").at("pump.1.2")
    state = State()
    for event in t.journal.events(1):
        state, _ = step(state, replace(event, rules=2) if isinstance(event, TestStarted) else event)
    assert "equilibrium.1.1" not in state.taken() and state.prompt == "equilibrium.1.1"
