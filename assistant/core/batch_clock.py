"""How old the load is: minutes since it was batched, by the ticket's time of day. It warns like the clocks of a round.

A time of day has no date, so a load is taken to be less than a day old.
"""
from __future__ import annotations

from decimal import Decimal

from assistant.core.events import Restarted, TestStarted
from assistant.core.language import sentence
from assistant.core.phrases import duration
from assistant.core.round_clock import WARNINGS_S, put_off
from assistant.core.state import State
from assistant.core.turn import Turn

DAY_S = 86_400
TOO_OLD_S = 12 * 3600
"""A load that would be older than this was mistyped, or its time is still to come. Ours."""


def seconds(hhmm: Decimal) -> int:
    """942, for 9:42, as seconds since midnight."""
    return int(hhmm) // 100 * 3600 + int(hhmm) % 100 * 60


def begin(turn: Turn, event: TestStarted) -> None:
    """The clock of a test that is told the time, and by its label ``batched_at`` (9:42) when the load was batched."""
    if "wall" not in event.clock:
        return
    turn.set(midnight=turn.state.now - float(event.clock["wall"]), placed=tuple(event.clock.get("placed", ())))
    hours, _, minutes = str(event.header.get("batched_at", "")).partition(":")
    if not (hours.isdecimal() and minutes.isdecimal()):
        return
    age = _age(turn.state, int(hours) * 3600 + int(minutes) * 60)
    if age <= TOO_OLD_S:
        _from(turn, age)
        if age > _limit(turn.state):
            turn.note("load", _over(turn.state))


def batched(turn: Turn, hhmm: Decimal) -> None:
    """The ticket's time was taken."""
    if turn.state.midnight is None:
        return
    age = _age(turn.state, seconds(hhmm))
    turn.clear_timers("batch:")
    if age > TOO_OLD_S:
        turn.set(batched=None)
        turn.note("load", sentence("batch.unlikely", hours=f"{age / 3600:.0f}"))
        turn.say(sentence("batch.unlikely", hours=f"{age / 3600:.0f}"), "load", urgent=True)
        return
    _from(turn, age)
    if age > _limit(turn.state):
        turn.note("load", _over(turn.state))
        turn.say(_said(turn.state), "load", urgent=True)
    else:
        turn.say(sentence("batch.age", age=_minutes(turn.state)), "load")


def _age(state: State, of_day: int) -> float:
    assert state.midnight is not None
    return (state.now - state.midnight - of_day) % DAY_S


def _from(turn: Turn, age: float) -> None:
    """Timers named "batch:LEFT", for every warning that is still to come."""
    turn.set(batched=turn.state.now - age)
    for left in WARNINGS_S:
        due_at = turn.state.now - age + _limit(turn.state) - left
        if due_at > turn.state.now:
            turn.timer(f"batch:{left}", due_at)


def _limit(state: State) -> float:
    return float(state.settings.discharge_within_s)


def _over(state: State) -> str:
    return sentence("batch.note", age=_minutes(state), limit=duration(_limit(state)))


def _said(state: State) -> str:
    return sentence("batch.over", age=_minutes(state), limit=duration(_limit(state)))


def _minutes(state: State) -> str:
    assert state.batched is not None
    return duration((state.now - state.batched) // 60 * 60)


def due(turn: Turn, name: str, may_talk: bool) -> None:
    """A timer of ``_from`` has come."""
    state, warned = turn.state, float(name.partition(":")[2])
    if state.batched is None:
        return
    left = state.batched + _limit(state) - state.now
    if put_off(turn, name, warned, left, may_talk):
        return
    turn.cue("mark")
    if left < 1:
        turn.note("load", _over(state))
    turn.say(told(state), "load", urgent=True)


def restarted(turn: Turn, event: Restarted) -> None:
    """The load is as old as the wall clock says; where nobody tells the time its age is lost."""
    state = turn.state
    if state.midnight is None:
        return
    of_day = None if state.batched is None else round(state.batched - state.midnight) % DAY_S
    turn.clear_timers("batch:")
    turn.set(midnight=None if event.wall is None else state.now - event.wall, batched=None)
    if of_day is not None and event.wall is not None:
        _from(turn, _age(turn.state, of_day))
    elif of_day is not None:
        turn.note("load", sentence("batch.lost"))


def told(state: State) -> str:
    """How old it is and how long that is still right, as a sentence; empty where nobody knows."""
    if state.batched is None:
        return ""
    left = state.batched + _limit(state) - state.now
    return _said(state) if left < 1 else sentence("batch.left", left=duration(left), limit=duration(_limit(state)))
