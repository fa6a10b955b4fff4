"""What comes next in a round: every test on one sample, what has begun late or failed, and the questions that ask for it.

Pure: from what was done so far to a procedure that only asks (see ``as_procedure``). The clocks are in round_clock.py.
"""
from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations, permutations
from typing import Any

from assistant.core import rounding
from assistant.core.language import sentence
from assistant.core.load_judged import BEFORE, Done, checks, left
from assistant.core.methods import registry, units
from assistant.core.phrases import capital
from assistant.core.round_clock import BETWEEN, limit_s, named
from assistant.core.settings import Settings


def _by_haste(test: str) -> tuple[float, int]:
    within = limit_s(test, Settings())
    return float("inf") if within is None else within, 0 if registry.ROUNDS[test].stands else registry.ROUNDS[test].takes_s


SAMPLE = next(name for name, one in registry.ROUNDS.items() if one.is_sample)
"""The test that takes the sample."""
_AFTER = tuple(sorted((one for one in registry.ROUNDS if one not in (SAMPLE, *BEFORE)), key=_by_haste))
TESTS = (*BEFORE, *_AFTER)
"""What a round may have: what is due first, then what is quickly done."""
PLAN = tuple(one for one in TESTS if registry.ROUNDS[one].usual)
"""What it has unless the job says otherwise."""
AIR = tuple(one for one in TESTS if registry.METHODS[one].air_meter)
TAKES_S = {one: registry.ROUNDS[one].takes_s for one in TESTS}
READING_S = 17
"""Reading a thermometer that stands already. This and the following: ours, of a practised technician who works while the station
talks; tests/scenario/test_solo_round.py holds them against a whole round."""
FIRST_S = 73.0
"""From the last portion until the sample is carried, remixed and covered, and the first test is asked for."""
FILLING_S = 110
"""Filling the bowl and striking it off."""
FULL_S = 600.0
"""A bowl that was filled longer ago is emptied and filled anew."""
PACE = {"terse": 0.9, "normal": 1.0, "coaching": 1.15}
"""How much the wording makes of it."""

@dataclass(frozen=True)
class Question:
    """Asked with yes and no; ``id`` is what yes means, as ``next.slump``, ``check.slump``, ``repeat.slump``."""
    id: str
    say: str
    rare: bool = False
    """Yes is more than the method wants: a cooperative technician says no."""


# --- the order, and what can't be done in time ------------------------------------------------------------------------------

def one_bowl(tests: Sequence[str], settings: Settings) -> tuple[str, str] | None:
    """A test that may be done in the bowl of the air meter, and the one whose bowl that is; None: not both are to be done, or
    nobody gave the volume of the bowl."""
    first, then = (next((one for one in tests if getattr(registry.ROUNDS[one], which)), "") for which in ("in_bowl", "full_at"))
    return (first, then) if first and then and settings.amount("bowl_volume") is not None else None


def times(order: Iterable[str], settings: Settings, elapsed_s: float = 0.0, ready_s: Mapping[str, float] = {},
          pair: tuple[str, str] | None = None, pace: float = 1.0) -> dict[str, tuple[float, float]]:
    """Test -> seconds from the last portion to its beginning (or completion, where that counts), and by how many it is too late.

    Rough lengths of ours. elapsed_s since the last portion; ready_s: in how many seconds a thermometer that stands can be read;
    pair: two tests on one filling of the bowl, the second of which began with the first where it follows it.
    """
    found: dict[str, tuple[float, float]] = {}
    now, before = elapsed_s, ""
    for test in order:
        its, ready = registry.ROUNDS[test], test in ready_s
        now = max(now, elapsed_s + ready_s.get(test, 0.0))
        shared = (before, test) == pair
        over = now + pace * (READING_S if ready else its.takes_s - (FILLING_S if shared else 0))
        counts = found[before][0] if shared else over if its.by_end else now + pace * its.begins_s
        limit = limit_s(test, settings)
        found[test] = counts, 0.0 if limit is None else max(0.0, counts - limit)
        now, before = over, test
    return found


def in_order(tests: Sequence[str], settings: Settings, technicians: int = 1, elapsed_s: float = 0.0,
             ready_s: Mapping[str, float] = {}, pair: tuple[str, str] | None = None) -> list[str]:
    """The best order: alone, of all orders the one in which what is late is least late, all seconds together.

    Two technicians: by the time within which each begins, and of those due together the longest first, since the other
    works beside it. The rest as in `times`.
    """
    def how_late(order: Iterable[str]) -> tuple[float, float]:
        found = times(order, settings, elapsed_s, ready_s, pair)
        return sum(late for _, late in found.values()), max((at for at, _ in found.values()), default=0.0)

    def limit(test: str) -> float:
        found = limit_s(test, settings)
        return float("inf") if found is None else found
    def takes(test: str) -> int:
        return READING_S if test in ready_s else TAKES_S[test]
    by_limit = sorted(tests, key=lambda test: (limit(test), -takes(test) if technicians > 1 else 0))
    return by_limit if technicians > 1 else list(min(permutations(by_limit), key=how_late))


def foreseen(tests: Sequence[str], settings: Settings, pair: tuple[str, str] | None = None,
             wording: str = "normal") -> tuple[dict[str, float], list[str]]:
    """Of a round that one person does: what will be late at best, by how many seconds; and the fewest tests that a second person
    must take off him so that nothing is."""
    def late(mine: Sequence[str]) -> dict[str, float]:
        ready = {test: float(getattr(settings, registry.ROUNDS[test].stands)) for test in mine if registry.ROUNDS[test].stands}
        order = in_order(mine, settings, 1, FIRST_S, ready, pair)
        return {test: by for test, (_, by) in times(order, settings, FIRST_S, ready, pair, PACE[wording]).items() if by}
    mine = [test for test in tests if test not in BEFORE]
    for count in range(len(mine) + 1):
        for others in combinations(reversed(mine), count):
            if not late([test for test in mine if test not in others]):
                return late(mine), list(others)
    return late(mine), mine


# --- what was done before the sample ----------------------------------------------------------------------------------------

EARLIER = {one.asked_as: name for name, one in registry.ROUNDS.items() if one.asked_as}
"""The role of a question -> the test whose work it offers once more."""


def offered(data: Mapping[str, Any]) -> str:
    """The test whose work a procedure offers once more; empty: none."""
    return next((EARLIER[step["role"]] for stage in data["stage"] for step in stage.get("step", ()) if step.get("role") in EARLIER), "")


def without_offer(data: Mapping[str, Any]) -> dict[str, Any]:
    """The same procedure without the stage that offers it: it is done."""
    return {**data, "stage": [stage for stage in data["stage"] if not any(one.get("role") in EARLIER for one in stage.get("step", ()))]}


def offer_says(data: Mapping[str, Any], words: str) -> dict[str, Any]:
    """The same procedure, with words before the question that offers it."""
    def told(step: Mapping[str, Any]) -> Mapping[str, Any]:
        more = {key: f"{words} {step[key]}" for key in ("say", "terse") if step.get(key)}
        return {**step, **more} if step.get("role") in EARLIER else step
    return {**data, "stage": [{**stage, **({"step": [told(one) for one in stage["step"]]} if "step" in stage else {})}
                              for stage in data["stage"]]}


# --- the questions ----------------------------------------------------------------------------------------------------------

def concrete_ft3(plan: Sequence[str], settings: Settings, check_tests: bool = False) -> Decimal:
    """What the tests of a round take of its sample, cubic feet; with a check test of each that may have one."""
    its = [registry.ROUNDS[test] for test in plan]
    return sum((one.concrete_ft3(settings) * (2 if check_tests and one.retested else 1) for one in its), Decimal(0))


def least_sample(plan: Sequence[str], settings: Settings, check_tests: bool) -> dict[str, Decimal]:
    """The setting that tells sampling how much is needed; a job may ask for more."""
    needed = concrete_ft3(plan, settings, check_tests) * (units.FOOT3_IN_M3 if settings.si else 1)
    key = "least_sample_m3" if settings.si else "least_sample_ft3"
    return {} if not needed else {key: max(rounding.round_to(needed, 4), settings.amount("least_sample") or Decimal(0))}


def _take_sample(plan: Sequence[str], settings: Settings, check_tests: bool) -> str:
    needed, checked = (units.volume_words(concrete_ft3(plan, settings, each), settings.units, "0.01") for each in (False, True))
    if needed == checked or not check_tests:
        return sentence("round.take_sample_once", needed=needed)
    return sentence("round.take_sample", needed=needed, checked=checked)


def before_the_sample(plan: Sequence[str], done: Collection[str], settings: Settings = Settings(),
                      check_tests: bool = True) -> list[Question]:
    """``done``: what came before the sample in this round already."""
    early = [Question(f"next.{test}", sentence(f"round.first_{test}"), rare=test not in plan)
             for test in BEFORE if test not in done and set(registry.ROUNDS[test].before_sample) & set(plan)]
    more = [Question(f"next.{test}", sentence(f"round.another_{test}"), rare=True)
            for test in BEFORE if test in done and registry.ROUNDS[test].again]
    return [*early, Question(f"next.{SAMPLE}", _take_sample(plan, settings, check_tests)), *more]


def after_the_sample(plan: Sequence[str], done: Sequence[Done], settings: Settings, technicians: int = 1,
                     elapsed_s: float = 0.0, ready_s: Mapping[str, float] = {}, check_tests: bool = True,
                     preliminary: bool = False, pair: tuple[str, str] | None = None) -> list[Question]:
    """What may come next, the best first; empty: all is done."""
    found = [Question(f"check.{test}", sentence("round.check", test=capital(named([test])))) for test in checks(
        done, check_tests, preliminary)]
    for test in in_order(left(plan, done), settings, technicians, elapsed_s, ready_s, pair):
        again = any(one.test == test for one in done)
        found.append(Question(f"next.{test}", sentence("round.again" if again else "round.next", test=capital(named([test])))))
    return found


def to_compare(plan: Sequence[str], done: Sequence[Done]) -> list[Question]:
    """What the second technician may repeat, once all is done."""
    return [Question(f"repeat.{test}", sentence("round.repeat", test=named([test])), rare=True)
            for test in plan if registry.ROUNDS[test].compared and any(one.test == test and one.counts for one in done)
            and not any(one.test == test and one.comparison for one in done)]


def as_procedure(title: str, questions: Sequence[Question], thermometer: bool = False, summary: str = "",
                 stop: str = "round.stop", system: str = units.INCH_POUND) -> dict[str, Any]:
    """The questions one after the other as procedure data. A yes ends it there; ``stop`` asks last whether to leave it, and
    where it is empty the last no leaves it.

    thermometer: first the thermometer goes into the sample; the step after that is reached when it is in.
    summary: nothing is asked, this is said.
    """
    steps: list[dict[str, Any]] = []
    if thermometer:
        steps.append({"id": "thermometer", "kind": "tell",
                      "say": sentence("round.thermometer", cover=units.words(system)["cover"]),
                      "terse": sentence("round.thermometer_terse")})
    steps += [{"id": one.id, "kind": "choose", "say": one.say, "yes": {"goto": "end", "skips": one.rare}, "no": {}}
              for one in questions]
    if questions and stop:
        steps.append({"id": "stop", "kind": "choose", "say": sentence(stop), "yes": {"goto": "stop"},
                      "no": {"goto": questions[0].id}})
    elif questions:
        steps[-1]["no"] = {"goto": "stop"}
    if thermometer and questions:
        steps[1]["timed"] = True
    if summary:
        steps.append({"id": "summary", "kind": "tell", "goto": "end", "say": summary})
    plain = str.maketrans("{}", "()")
    return {"test": BETWEEN, "title": title.translate(plain),
            "stage": [{"name": sentence("round.stage"), "step": [{**one, "say": one["say"].translate(plain)} for one in steps]}]}
