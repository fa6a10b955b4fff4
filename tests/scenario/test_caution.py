"""The caution about fresh concrete after a break within a test. What is a break is ours (caution.BREAK_S)."""
from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from assistant.core import caution, machine
from assistant.core.events import Heard, Restarted, Spoken, Suspended, TestStarted
from assistant.core.state import State
from assistant.procedures import load
from tests.scenario.dialogue import Dialogue

CAUSTIC = "Fresh concrete is caustic"


@pytest.mark.parametrize(("seconds", "again"), [(caution.BREAK_S - 1, False), (caution.BREAK_S + 1, True)])
def test_a_long_pause_or_sleep_is_a_break(tmp_path: Path, seconds: float, again: bool) -> None:
    t = Dialogue(tmp_path / "pause", "slump").says(CAUSTIC).hear("next").does_not_say(CAUSTIC).hear("pause").wait(seconds)
    t.hear("carry on")
    (t.says if again else t.does_not_say)(CAUSTIC)
    t = Dialogue(tmp_path / "sleep", "slump").hear("next").event(Suspended(0.0, seconds))
    (t.says if again else t.does_not_say)(CAUSTIC)


def test_a_restart_is_a_break(tmp_path: Path) -> None:
    t = Dialogue(tmp_path, "slump").hear("next").kill().restart().says(CAUSTIC)
    t.hear("next").does_not_say(CAUSTIC)


def said(state: State, *events: object) -> tuple[State, str]:
    words = []
    for event in events:
        state, effects = machine.step(state, event)
        words += [each.text for each in effects if hasattr(each, "text")]
        state, _ = machine.step(state, Spoken(state.now, state.utterance))
    return state, " ".join(words)


def begun(**clock: object) -> TestStarted:
    return TestStarted(0.0, "slump", load("slump"), {}, clock={"boot": "a", **clock})


def test_where_it_was_left_out_its_step_has_it_again_after_a_restart() -> None:
    state, words = said(State(), begun(cautioned=True))
    assert CAUSTIC not in words and caution.heard(state)
    state, words = said(state, Restarted(5.0, "a"))
    assert words.count(CAUSTIC) == 1
    state, words = said(state, Heard(9.0, "next"), Restarted(20.0, "a"))
    assert words.count(CAUSTIC) == 1, "its step lies behind: now"


def test_a_test_that_begins_behind_its_step_says_it_at_its_beginning() -> None:
    first = replace(begun(), test="temperature", procedure=load("temperature"))
    assert said(State(), replace(first, clock={"boot": "a", "from": "wait"}))[1].count(CAUSTIC) == 1
    assert CAUSTIC not in said(State(), replace(first, clock={"boot": "a", "from": "wait", "cautioned": True}))[1]


def test_a_test_led_by_older_rules_replays_as_it_was_lived() -> None:
    state, _ = said(State(), replace(begun(cautioned=True), rules=5))
    state, words = said(state, Restarted(5.0, "a"), Heard(9.0, "next"), Restarted(20.0, "a"))
    assert CAUSTIC not in words and state.clock == "lost", "and its clock is asked about"
    assert not caution.heard(state)
