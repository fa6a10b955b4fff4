"""The caution about fresh concrete: at the first test of a round that touches it, and again after a break.

Who works on without a stop has it in mind. After a break somebody else may stand there, or the gloves are off.
"""
from __future__ import annotations

from dataclasses import replace

from assistant.core.procedure import Procedure
from assistant.core.state import State
from assistant.core.turn import Turn

BREAK_S = 900.0
"""Seconds between two tests of a round, paused, or asleep: more than this is a break. A restart is one, however short. Ours."""
AGAIN = 6
"""From these rules of the dialogue on; a test from before replays as it was lived."""


def leave_out(turn: Turn) -> None:
    """It was heard in this round: the step that has it is told without it, unless a break comes first."""
    at = _place(turn.state)
    if at is not None:
        turn.set(unsaid=_procedure(turn.state).steps[at].caution)
        _put(turn, at, "")


def after_break(turn: Turn) -> None:
    """Say it now where its step lies behind; else it comes with that step."""
    state = turn.state
    at = _place(state) if state.rules >= AGAIN else None
    if at is None:
        return
    words = state.unsaid or _procedure(state).steps[at].caution
    if state.index > at:
        turn.say(words, "concrete", caution=True)
    else:
        _put(turn, at, words)


def heard(state: State) -> bool:
    """Whether it was said in this test, or before it and no break came."""
    at = _place(state) if state.rules >= AGAIN else None
    return at is not None and state.index >= at


def _place(state: State) -> int | None:
    return next((place for place, step in enumerate(_procedure(state).steps) if step.once), None)


def _put(turn: Turn, at: int, words: str) -> None:
    procedure = _procedure(turn.state)
    steps = procedure.steps
    turn.set(procedure=replace(procedure, steps=(*steps[:at], replace(steps[at], caution=words), *steps[at + 1:])))


def _procedure(state: State) -> Procedure:
    assert state.procedure is not None
    return state.procedure
