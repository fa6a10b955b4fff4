"""The clocks of a round while one of its tests runs: all start when the last portion of the sample is taken.

What has not begun in time is told while there is time to act, and noted when it does begin. Nothing is refused for it.
Each method says within which setting's seconds it begins, or is completed.
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from assistant.core import phrases
from assistant.core.events import Restarted
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.settings import Settings
from assistant.core.state import State
from assistant.core.turn import Turn

BETWEEN = "round"
"""The procedure that only asks what comes next."""
WARNINGS_S = (120, 60, 0)
"""The clocks speak so many seconds before their end, and at it. Ours: two minutes are enough to leave what is going on."""
IN_TIME, LATE, TOLD, UNKNOWN = "in-time", "late", "told", "unknown"
"""Whether a test of a round was in time (``State.timing``). TOLD: by the other technician, not timed."""
LATER_S = 5.0
"""What can't be said now (the mallet, the end of a hold, other words) is tried again after this. Ours."""


def limit_s(test: str, settings: Settings) -> float | None:
    """Seconds from the last portion within which this test begins; None: none is known for it."""
    within = registry.ROUNDS[test].within if test in registry.ROUNDS else ""
    return float(getattr(settings, within)) if within else None


def named(tests: Sequence[str]) -> str:
    """ "slump, temperature and air"; the same thing once."""
    return listed(list(dict.fromkeys(sentence(f"round.to_{test.replace('-', '_')}") for test in tests)))


def listed(words: Sequence[str]) -> str:
    """ "one, two and three"."""
    return words[0] if len(words) == 1 else sentence("round.and", first=", ".join(words[:-1]), last=words[-1])


def _to_do(tests: Sequence[str]) -> str:
    """ "begin slump and air, and to complete temperature"."""
    parts = [sentence(f"round.{how}", tests=named(its)) for how, by_end in (("begin", False), ("complete", True))
             if (its := [test for test in tests if registry.ROUNDS[test].by_end is by_end])]
    return parts[0] if len(parts) == 1 else sentence("round.and_to", first=parts[0], last=parts[1])


def begin(turn: Turn, clock: Mapping[str, Any]) -> None:
    """Set the clocks. ``clock``, from the test's first event:

    at        boot time of the last portion, in seconds, or None: no clock tells; ``boot`` the boot whose clock that is
    to_begin  the tests of the round that are not begun yet
    by_wall   true: the boot clock was lost since, ``at`` comes from the wall clock
    stands_since  boot time at which its instrument was put into the sample (a thermometer), before this very test was called for
    begun_at  the same in journals of the time when a temperature had only to begin within its limit
    told      true: the other technician began it, and whether in time is told, not timed
    filled_at boot time at which its bowl was filled, by a test that measures the same concrete before it: then it began
    cautioned true: whoever does it heard the caution about this concrete in this round, and no break came since (see caution.py)
    aged      true: a check test, or one to compare: no clock waits for it, but the age of its concrete is kept
    """
    turn.set(aged=bool(clock.get("aged")))
    if clock["at"] is None:
        turn.set(timing=UNKNOWN)
        turn.note("round", sentence("round.lost"))
        return
    turn.set(sampled_at=float(clock["at"]), to_begin=tuple(clock["to_begin"]), boot=str(clock.get("boot", "")))
    if clock.get("by_wall"):
        turn.note("round", sentence("round.by_wall"))
    if clock.get("told"):
        turn.note("round", sentence("round.told"))
        turn.set(timing=TOLD, aged=False, to_begin=_without_this(turn.state))
    elif (since := clock.get("stands_since", clock.get("begun_at"))) is not None:
        turn.note("round", sentence("round.thermometer_in", duration=phrases.duration(turn.state.now - float(since))))
        if "begun_at" in clock:
            reached(turn, float(since))
    elif clock.get("filled_at") is not None:
        turn.note("round", sentence("round.filled"))
        reached(turn, float(clock["filled_at"]))
    _arm(turn)


def _arm(turn: Turn) -> None:
    """Timers named "round:LIMIT:LEFT", for every warning that is still to come."""
    for limit, _ in _waiting(turn.state):
        for left in WARNINGS_S:
            due = (turn.state.sampled_at or 0.0) + limit - left
            if due > turn.state.now and left < limit:
                turn.timer(f"round:{limit:g}:{left}", due)


def _waiting(state: State) -> list[tuple[float, list[str]]]:
    """Each limit in seconds and the tests that still wait under it, the nearest first."""
    found: dict[float, list[str]] = {}
    for test in state.to_begin:
        if (limit := limit_s(test, state.settings)) is not None:
            found.setdefault(limit, []).append(test)
    return sorted(found.items())


def due(turn: Turn, name: str, may_talk: bool) -> None:
    """A timer of ``_arm`` has come. What can't be said now is said later, with the time that is left then."""
    state = turn.state
    limit, warned = (float(part) for part in name.split(":")[1:])
    tests = dict(_waiting(state)).get(limit)
    if not tests or state.sampled_at is None:
        return
    left = state.sampled_at + limit - state.now
    if put_off(turn, name, warned, left, may_talk):
        return
    turn.cue("mark")
    words = sentence("round.left", duration=phrases.duration(left), what=_to_do(tests)) if left >= 1 \
        else sentence("round.over", limit=phrases.duration(limit), what=_to_do(tests))
    turn.say(words, "round", urgent=True)


def put_off(turn: Turn, name: str, warned: float, left: float, may_talk: bool) -> bool:
    """Whether a warning can't be said now: then it comes again soon, unless the one after it is as near."""
    if may_talk and turn.state.spoken >= turn.state.utterance:
        return False
    following = max((one for one in WARNINGS_S if one < warned), default=None)
    if following is None or left - LATER_S > following:
        turn.timer(name, turn.state.now + LATER_S)
    return True


def reached(turn: Turn, at: float | None = None) -> None:
    """The step of this test that counts: the work on the concrete begins, or is completed, at boot time ``at`` or now."""
    state = turn.state
    test = state.procedure.test if state.procedure else ""
    told = state.sampled_at is not None and not state.aged and test not in (BETWEEN, *state.to_begin)
    if state.timed_at is not None or told:
        return
    at = state.now if at is None else at
    turn.set(timed_at=at, to_begin=_without_this(state))
    limit = limit_s(test, state.settings)
    if state.sampled_at is None or limit is None:
        return
    after = at - state.sampled_at
    turn.set(timing=LATE if after > limit else IN_TIME)
    if state.aged:
        return
    done = "completed" if state.procedure is not None and state.procedure.timed_by_end else "begun"
    turn.record(done, test=test, after_s=round(after, 1), limit_s=limit, late=after > limit)
    if after > limit:
        turn.note("round", sentence(f"round.{done}_late", after=phrases.duration(after), limit=phrases.duration(limit)))
        turn.say(sentence("round.said_late", by=phrases.duration(after - limit)), "round", urgent=True)


def _without_this(state: State) -> tuple[str, ...]:
    test = state.procedure.test if state.procedure else ""
    return tuple(one for one in state.to_begin if one != test)


def restarted(turn: Turn, event: Restarted) -> None:
    """Within one boot the clocks ran on. After a reboot only the wall clock knows, if anything does."""
    state = turn.state
    if state.sampled_at is None:
        return
    if event.boot != state.boot:
        turn.clear_timers("round:")
        if state.timed_at is not None and event.sampled_at is not None:  # as long after the last portion as it was
            turn.set(timed_at=state.timed_at - state.sampled_at + event.sampled_at)
        turn.set(sampled_at=event.sampled_at, boot=event.boot)
        if event.sampled_at is None and not state.timing:
            turn.set(timing=UNKNOWN)
        turn.note("round", sentence("round.lost" if event.sampled_at is None else "round.by_wall"))
    if turn.state.sampled_at is not None:
        _arm(turn)


def told(state: State) -> str:
    """What the nearest clock says, as a sentence; empty where nothing waits."""
    for limit, tests in _waiting(state):
        if state.sampled_at is not None:
            left = state.sampled_at + limit - state.now
            return sentence("round.left", duration=phrases.duration(left), what=_to_do(tests)) if left >= 1 \
                else sentence("round.late_by", duration=phrases.duration(-left), what=_to_do(tests))
    return ""
