"""The oracle's own test: each guard of the program is taken away once, and the attack must notice it.

`GUARDS` names each guard, how it is taken away, and which of the oracle's rules it stands behind. A guard whose loss nothing
notices would show a hole in the attack, or that the guard is none.
"""
from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from assistant.core import answers, asked, corrections, flow, gauge, judgement, machine, phrases, plausible, reading
from assistant.core.effects import Hush
from assistant.core.methods import leak, sequential, two_runs
from assistant.core.methods.method import Band
from assistant.core.state import Asked, Phase, State
from assistant.core.turn import Turn
from assistant.record import summary
from tests.property import attack
from tests.property.evidence import Slip

SEEDS = 2000
"""Scripts that are tried at most to find one; most are found within ten."""

Patch = Callable[[Any, str, Any], None]


def unguarded_read_back(turn: Turn, entry: Any) -> None:
    turn.record("proposed", id=turn.state.prompt, value=entry.value, unit=turn.state.ask.unit, source=entry.source)
    turn.set(proposed=entry)
    reading._take(turn, entry)


def forgets(turn: Turn, old: Any, *_: Any, **__: Any) -> None:
    turn.set(readings=tuple(one for one in turn.state.readings if one is not old))


def hush_all(turn: Turn) -> None:
    if turn.state.spoken < turn.state.utterance:
        turn.emit(Hush(()))


def at_once(turn: Turn, name: str) -> None:
    """A timer that counts although it is not due."""
    if name in dict(turn.state.timers):
        turn.timer(name, turn.state.now)
    DUE(turn, name)


def half_read_back(state: State, *answer: str) -> float:
    soon = HEARD_AT(state, *answer)
    if state.phase is Phase.CONFIRM and state.asked.began is not None and not state.proposed.doubt:
        return min(soon, state.asked.began + 0.8)
    return soon


def old_gauge(state: State) -> Any:
    steady = state.steady
    return steady if steady is not None and gauge.wants_steady(state) and steady.value.is_finite() else None


def without_notes(turn: Turn) -> Turn:
    return Turn(replace(turn.state, notes=()))


DUE, HEARD_AT, TYPE, KEY, FOUND = machine._due, asked.heard_at, answers._type, answers.key, flow.judgement_of
HUSHED, CHANGES = Asked.hushed, State.changes

GUARDS: dict[str, tuple[Callable[[Patch], None], set[str]]] = {
    "an answer counts only once its question was heard":
        (lambda put: put(answers, "counts", lambda turn, answer, at: True), {"unheard", "half heard"}),
    "of an ordinary question a second is waited for": (lambda put: put(asked, "ENOUGH_S", 0.0), {"unheard"}),
    "the whole read-back": (lambda put: put(asked, "heard_at", half_read_back), {"read-back"}),
    "the whole of a safety question": (lambda put: put(asked, "grave", lambda state: False), {"half heard"}),
    "equal answers lie apart": (lambda put: put(asked, "APART_S", 0.0), {"double"}),
    "what is cut off was not heard":
        (lambda put: put(Asked, "hushed", lambda asked, keep, now: HUSHED(asked, keep, float("inf"))), {"unheard", "read-back"}),
    "long results are waited for": (lambda put: put(asked, "GIVEN_UP_S", 0.0), {"half heard", "unheard"}),
    "a short # is no yes to a safety question": (lambda put: put(asked, "needs_held", lambda state: False), {"short"}),
    "a doubt wants another answer": (lambda put: put(asked, "_doubtful", lambda state: False), {"doubt"}),
    "a key counts when it was pressed":
        (lambda put: put(answers, "key", lambda turn, name, at: KEY(turn, name, turn.state.now)), {"unheard", "half heard"}),
    "a second entry begins with a new look":
        (lambda put: put(answers, "_type", lambda turn, name, at, early: TYPE(turn, name, float("inf"), False)), {"same way"}),
    "a second entry comes another way": (lambda put: put(reading, "_may_be_second", lambda state, second: True), {"same way"}),
    "two entries agree": (lambda put: put(gauge, "agree", lambda first, second: True), {"once"}),
    "a reading is read back": (lambda put: put(reading, "propose", unguarded_read_back), {"unconfirmed", "read-back"}),
    "nothing is overwritten": (lambda put: [put(corrections, "withdraw", forgets), put(reading, "withdraw", forgets)], {"lost"}),
    "a charge is in its band":
        (lambda put: put(plausible, "band", lambda name, value, given: Band("in_band", value * 0, "in the band")), {"band"}),
    "a charge outside it is noted": (lambda put: put(Turn, "note", lambda *_, **__: None), {"band"}),
    "what was told of a reading is kept": (lambda put: put(corrections, "_told", lambda state, one: ""), {"shopped"}),
    "a second change makes the test invalid":
        (lambda put: put(State, "changes", lambda state: CHANGES(state)[:1]), {"shopped"}),
    "a changed reading marks the verdict":
        (lambda put: [put(where, "marked", lambda verdict, why, marks: (verdict, why)) for where in (leak, judgement)],
         {"shopped"}),
    "three steps show the same air": (
        lambda put: [put(sequential, "_fit_doubts", lambda *_: iter(())), put(two_runs, "contradiction", lambda *_: "")], {"boyle"}),
    "a correction is judged again": (lambda put: put(corrections, "_judged_otherwise", lambda turn, target: False), {"result"}),
    "a chamber that leaks has no result":
        (lambda put: [put(place, "judgement_of", lambda turn, step: FOUND(without_notes(turn), step))
                      for place in (flow, corrections)],
         {"result"}),
    "a failed test exits with an error": (lambda put: put(summary, "exit_code", lambda state: 0), {"result"}),
    "a restart says the caution": (lambda put: put(phrases, "PRESSURE_CAUTION", ""), {"restart"}),
    "nothing cuts a caution off": (lambda put: put(Turn, "hush", hush_all), {"restart", "half heard"}),
    "words to an earlier question are late": (lambda put: put(answers, "answers_a_prompt", lambda text: False), {"late words"}),
    "the gauge is read for what is asked": (lambda put: put(gauge, "steady_now", old_gauge), {"old gauge"}),
    "nobody shortens a hold": (lambda put: put(machine, "_due", at_once), {"short hold"}),
    "a hold that the station slept through is broken":
        (lambda put: put(machine, "broken_hold", lambda turn, hold: None), {"short hold"}),
}


@pytest.mark.parametrize("guard", GUARDS)
def test_the_attack_finds_each_guard_that_is_missing(guard: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for test in attack.names():
        for speech in attack.SPEECHES:
            attack.checkpoints(test, speech)  # of the whole program
    take_away, rules = GUARDS[guard]
    take_away(monkeypatch.setattr)
    for seed in range(SEEDS):
        try:
            attack.attack(seed, only=rules)
        except Slip as slip:
            if slip.rule in rules:
                print(f"\n{guard}: seed {seed}, {slip}")
                return
    pytest.fail(f"{SEEDS} scripts without this guard, and none was found to break {' or '.join(rules)}")
