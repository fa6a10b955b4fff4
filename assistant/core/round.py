"""What comes next in a round: every test on one sample, what has begun late or failed, and the questions that ask for it.

Pure: from what was done so far to a procedure that only asks (see ``as_procedure``). The clocks are in round_clock.py.
"""
from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import permutations
from typing import Any

from assistant.core import quality
from assistant.core.assessment import FAIL, INVALID, NONE, PASS
from assistant.core.language import sentence
from assistant.core.methods import registry, units
from assistant.core.phrases import capital
from assistant.core.round_clock import BETWEEN, limit_s, named
from assistant.core.settings import Settings


def _by_haste(test: str) -> tuple[float, int]:
    within = limit_s(test, Settings())
    return float("inf") if within is None else within, registry.ROUNDS[test].takes_s


SAMPLE = next(name for name, one in registry.ROUNDS.items() if one.is_sample)
"""The test that takes the sample."""
BEFORE = tuple(name for name, one in registry.ROUNDS.items() if one.before_sample)
"""Those that come before it."""
_AFTER = tuple(sorted((one for one in registry.ROUNDS if one not in (SAMPLE, *BEFORE)), key=_by_haste))
TESTS = (*BEFORE, *_AFTER)
"""What a round may have: what is due first, then what is quickly done."""
PLAN = tuple(one for one in TESTS if registry.ROUNDS[one].usual)
"""What it has unless the job says otherwise."""
AIR = tuple(one for one in TESTS if registry.METHODS[one].air_meter)
TAKES_S = {one: registry.ROUNDS[one].takes_s for one in TESTS}
READING_S = 30
"""Reading a thermometer that stands already. Ours."""
ATTEMPTS = 2
"""A test without a valid result is offered once more, not for ever. Ours."""


@dataclass(frozen=True)
class Done:
    """One test of the round that is over."""
    test: str
    outcome: str = "done"
    verdict: str = "none"
    results: Mapping[str, Decimal] = field(default_factory=dict)
    """Name to reported value."""
    below: bool = False
    """A result was under its lower limit."""
    by_rule: bool = True
    """If it failed: by slump or air content, which the rule of the check test is about, not by the system air metric alone."""
    technician: str = ""
    check: bool = False
    """On another portion, because the first failed."""
    comparison: bool = False
    """The second technician's, only to compare."""

    @property
    def counts(self) -> bool:
        """Also one that was scrapped after its failure was said: a failure is not got rid of."""
        return (self.outcome == "done" or self.verdict == FAIL) and self.verdict != INVALID and not self.comparison


@dataclass(frozen=True)
class Question:
    """Asked with yes and no; ``id`` is what yes means, as ``next.slump``, ``check.slump``, ``repeat.slump``."""
    id: str
    say: str
    rare: bool = False
    """Yes is more than the method wants: a cooperative technician says no."""


def left(plan: Sequence[str], done: Sequence[Done]) -> list[str]:
    """Tests of the plan that have no valid result yet and were not tried twice."""
    return [test for test in plan if test not in BEFORE and not any(one.test == test and one.counts for one in done)
            and sum(one.test == test and not one.comparison and one.outcome != "scrapped" for one in done) < ATTEMPTS]


def in_order(tests: Sequence[str], settings: Settings, technicians: int = 1, elapsed_s: float = 0.0,
             ready_s: Mapping[str, float] = {}) -> list[str]:
    """The best order: alone, of all orders the one in which what begins late is least late, all seconds together.

    Two technicians: by the time within which each begins, and of those due together the longest first, since the other
    works beside it. ``elapsed_s`` since the last portion; ``ready_s``: in how many seconds a thermometer that stands can be read.
    """
    def limit(test: str) -> float:
        found = limit_s(test, settings)
        return float("inf") if found is None else found

    def how_late(order: Iterable[str]) -> tuple[float, float]:
        late, now = 0.0, elapsed_s
        for test in order:
            now = max(now, elapsed_s + ready_s.get(test, 0.0))
            begun, now = now, now + (READING_S if test in ready_s else TAKES_S.get(test, 0))
            late += max(0.0, (now if registry.ROUNDS[test].by_end else begun) - limit(test))
        return late, now
    by_limit = sorted(tests, key=lambda test: (limit(test), -TAKES_S.get(test, 0) if technicians > 1 else 0))
    return by_limit if technicians > 1 else list(min(permutations(by_limit), key=how_late))


def retest(test: str, done: Sequence[Done], preliminary: bool = False) -> quality.Finding | None:
    """What follows the results of this test so far; None where the rule of the check test is not about it."""
    same = [one for one in done if one.test == test and one.counts]
    if not same or not registry.ROUNDS[test].retested:
        return None
    return quality.after([one.verdict for one in same], preliminary, same[-1].below,
                         all(one.by_rule for one in same if one.verdict == FAIL))


def is_preliminary(label: Any) -> bool:
    """Whether the label says that the sample is a preliminary one: true, or any text but a no."""
    return bool(label) and str(label).strip().lower() not in ("no", "false", "0")


def checks(done: Sequence[Done], wanted: bool = True, preliminary: bool = False) -> list[str]:
    """Tests that failed and have no check test yet, the last that failed first."""
    tests = dict.fromkeys(one.test for one in reversed(done))
    return [test for test in tests if wanted and (found := retest(test, done, preliminary)) and found.verdict == quality.CHECK]


def comparisons(done: Sequence[Done], system: str = units.INCH_POUND) -> list[quality.Finding]:
    """Two technicians' results on this sample, each pair that there is."""
    found = []
    for second in done:
        if second.comparison and second.outcome == "done" and second.verdict != INVALID:
            first = next((one for one in reversed(done) if one.test == second.test and one.counts), None)
            names = [name for name in second.results if first and name in first.results
                     and quality.may_differ(name, second.results[name]) is not None]
            found += [quality.compare(name, first.results[name], second.results[name], system) for name in names if first]
    return found


def verdict(plan: Sequence[str], done: Sequence[Done]) -> bool:
    """Everything is done, and whatever failed was put right by its check test."""
    last = {one.test: one.verdict for one in done if one.counts}
    wanted = set(plan) - set(BEFORE)
    return not left(plan, done) and set(last.values()) <= {PASS, NONE} and wanted <= set(last)


# --- the questions ----------------------------------------------------------------------------------------------------------

def before_the_sample(plan: Sequence[str], held: bool) -> list[Question]:
    """``held``: what comes before the sample was done in this round, or nobody wants to."""
    early = [Question(f"next.{test}", sentence(f"round.first_{test}"), rare=test not in plan)
             for test in BEFORE if not held and set(registry.ROUNDS[test].before_sample) & set(plan)]
    return [*early, Question(f"next.{SAMPLE}", sentence("round.take_sample"))]


def after_the_sample(plan: Sequence[str], done: Sequence[Done], settings: Settings, technicians: int = 1,
                     elapsed_s: float = 0.0, ready_s: Mapping[str, float] = {}, check_tests: bool = True,
                     preliminary: bool = False) -> list[Question]:
    """What may come next, the best first; empty: all is done."""
    found = [Question(f"check.{test}", sentence("round.check", test=capital(named([test])))) for test in checks(
        done, check_tests, preliminary)]
    for test in in_order(left(plan, done), settings, technicians, elapsed_s, ready_s):
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


def summary(done: Sequence[Done], said: Mapping[str, str], system: str = units.INCH_POUND, preliminary: bool = False) -> str:
    """What is said at the end: each test's verdict, what follows a failure, how two technicians compare.

    said: test to its results in words.
    """
    words = [sentence("round.all_done")]
    last = {one.test: one for one in done if one.counts}
    for test, one in last.items():
        if test in said:
            known = "round.result" if one.verdict == NONE else "round.judged"
            words.append(sentence(known, test=capital(named([test])), results=said[test], verdict=sentence(f"log.{one.verdict}")))
        if one.check and (found := retest(test, done, preliminary)):
            words.append(capital(found.why) + ".")
    words += [capital(one.why.rstrip(".")) + "." for one in comparisons(done, system)]
    return " ".join(words)
