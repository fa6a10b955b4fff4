"""A hold by wire: its samples are kept, and what its watcher sees in them is told. The verdict stays the readings' own."""
from __future__ import annotations

from decimal import Decimal

from assistant.core import phrases
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.state import State
from assistant.core.steps import Hold, Judge
from assistant.core.turn import Turn

LOOK_EVERY_S = 10
"""So often it is asked whether the hold can still pass. Ours."""
KEEP_AT_MOST = 3600
"""Samples kept of one hold: an hour at one a second, so that no clock can fill the memory. Ours."""


def begin(turn: Turn, hold: Hold) -> None:
    if registry.watcher(hold.role):
        turn.set(curve=(), hopeless=False)


def keep(turn: Turn, value: Decimal, may_chat: bool) -> None:
    """One sample, psi. Says once that the hold can't pass any more, though it runs on: nobody may shorten it."""
    state, hold = turn.state, turn.state.running_hold()
    watcher = registry.watcher(hold.role) if hold else None
    if hold is None or watcher is None or state.hold is None or not value.is_finite() or len(state.curve) >= KEEP_AT_MOST:
        return
    at = round(state.now - state.hold.started, 3)
    before = state.curve[-1][0] if state.curve else 0.0
    turn.set(curve=(*state.curve, (at, value)))
    due = at // LOOK_EVERY_S > before // LOOK_EVERY_S
    if due and may_chat and not state.hopeless and watcher.cannot_pass(
            turn.state.curve, Decimal(hold.seconds), state.taken(), state.settings):
        turn.set(hopeless=True)
        turn.note(hold.id, sentence("note.hold_hopeless"))
        turn.cue("refused")
        away = state.away is not None  # nobody who is there may start over
        turn.say(sentence("crew.hopeless") if away else phrases.for_hands(state.buttons, "gauge.hopeless"), hold.id)


def end(turn: Turn, hold: Hold) -> None:
    """What the curve shows goes into the record."""
    found = _seen(turn.state, hold)
    if found:
        turn.note(hold.id, found[1])


def explanation(state: State, judge: Judge, outcome: str) -> str:
    """One short sentence where the curve of the hold with the same role explains why it did not pass; else empty."""
    assert state.procedure is not None
    hold = next((step for step in state.procedure.steps if isinstance(step, Hold) and step.role == judge.role), None)
    found = _seen(state, hold) if hold and outcome != "pass" else None
    return found[0] if found else ""


def _seen(state: State, hold: Hold) -> tuple[str, str] | None:
    """What the watcher has to say: aloud, and for the record."""
    watcher = registry.watcher(hold.role)
    return watcher.shows(state.curve, Decimal(hold.seconds), state.settings) if watcher and state.curve else None
