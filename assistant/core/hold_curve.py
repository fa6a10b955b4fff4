"""The leak hold by wire: its samples are kept, and what they show is told. The verdict stays the two readings' own."""
from __future__ import annotations

from decimal import Decimal

from assistant.core import leak, leak_curve
from assistant.core.language import sentence
from assistant.core.state import State
from assistant.core.steps import Hold
from assistant.core.turn import Turn

HOLD = "leak.hold"
LOOK_EVERY_S = 10
"""So often it is asked whether the hold can still pass. Ours."""
KEEP_AT_MOST = 3600
"""Samples kept of one hold: an hour at one a second, so that no clock can fill the memory. Ours."""


def begin(turn: Turn, hold: Hold) -> None:
    if hold.id == HOLD:
        turn.set(curve=(), hopeless=False)


def keep(turn: Turn, value: Decimal, may_chat: bool) -> None:
    """One sample, psi. Says once that the hold can't pass any more, though it runs on: nobody may shorten it."""
    state, hold = turn.state, turn.state.running_hold()
    if hold is None or hold.id != HOLD or state.hold is None or not value.is_finite() or len(state.curve) >= KEEP_AT_MOST:
        return
    at = round(state.now - state.hold.started, 3)
    before = state.curve[-1][0] if state.curve else 0.0
    turn.set(curve=(*state.curve, (at, value)))
    due = at // LOOK_EVERY_S > before // LOOK_EVERY_S
    if due and may_chat and not state.hopeless and leak_curve.cannot_pass(
            turn.state.curve, Decimal(hold.seconds), leak.limit(state.settings), state.taken().get("leak.initial")):
        turn.set(hopeless=True)
        turn.note(hold.id, sentence("note.hold_hopeless"))
        turn.cue("refused")
        turn.say(sentence("gauge.hopeless"), hold.id)


def end(turn: Turn, hold: Hold) -> None:
    """What the curve shows goes into the record."""
    found = _fitted(turn.state) if hold.id == HOLD else None
    if found is not None:
        turn.note(hold.id, sentence("note.hold_curve", words=found.words, leak=f"{found.leak_psi_per_min:z.4f}",
                                    error=f"{found.leak_error:.4f}", samples=len(turn.state.curve)))


def explanation(state: State, outcome: str) -> str:
    """One short sentence where the curve explains why the hold did not pass; else empty."""
    found = _fitted(state) if outcome != "pass" else None
    return found.words if found is not None else ""


def _fitted(state: State) -> leak_curve.LeakCurve | None:
    """The leak that would just pass is what may be lost, by the length of the hold."""
    if not state.curve or state.procedure is None:
        return None
    hold = state.procedure.steps[state.procedure.index(HOLD)]
    assert isinstance(hold, Hold)
    return leak_curve.fit(state.curve, leak.limit(state.settings) * 60 / Decimal(hold.seconds))
