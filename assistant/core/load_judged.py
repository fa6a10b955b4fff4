"""What the results of a round are worth: each property accepted or not, and once, when all is done, the load.

Pure. The rules are in quality.py; spoken words, report and exports all come from `properties`, `comparisons` and `load` here.
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from assistant.core import quality
from assistant.core.assessment import FAIL, INVALID, NONE, PASS, spoken_name
from assistant.core.language import sentence
from assistant.core.methods import registry, units
from assistant.core.phrases import capital, duration
from assistant.core.quality import ACCEPTED, Finding
from assistant.core.round_clock import IN_TIME, LATE, TOLD, UNKNOWN, listed, named

BEFORE = tuple(name for name, one in registry.ROUNDS.items() if one.before_sample)
"""Tests that come before the sample is taken."""
ATTEMPTS = 2
"""A test without a valid result is offered once more, not for ever. Ours."""
OPEN = "open"
"""Of the load: not judged, for a reason that is told."""


@dataclass(frozen=True)
class Done:
    """One test of the round that is over."""
    test: str
    outcome: str = "done"
    verdict: str = "none"
    results: Mapping[str, Decimal] = field(default_factory=dict)
    """Name to reported value."""
    judged: Mapping[str, str] = field(default_factory=dict)
    """Each result of the concrete that has a limit: PASS or FAIL against it."""
    low: tuple[str, ...] = ()
    """Those under their lowest."""
    technician: str = ""
    check: bool = False
    """On another portion, because the first failed."""
    comparison: bool = False
    """The second technician's, only to compare."""
    age_s: float | None = None
    """Seconds from the last portion to the beginning of the work on the concrete, or its completion; None: nothing timed it."""
    timing: str = ""
    """Whether that was in time, as round_clock has it; empty: nobody asked."""

    late_s: float = 0.0
    """By how much it was too late."""

    @property
    def counts(self) -> bool:
        """Also one that was scrapped after its failure was said: a failure is not got rid of."""
        return (self.outcome == "done" or self.verdict == FAIL) and self.verdict != INVALID and not self.comparison

    @property
    def is_late(self) -> bool:
        """It was too late, or nobody knows. A check test has no time of its own: it follows the failure at once."""
        return self.timing in (LATE, UNKNOWN) and not self.check

    def against(self, name: str) -> str:
        """PASS or FAIL; NONE where the whole test has no plain verdict, so that its results have none either."""
        return self.judged[name] if self.verdict in (PASS, FAIL) else NONE


def left(plan: Sequence[str], done: Sequence[Done]) -> list[str]:
    """Tests of the plan that have no valid result yet and were not tried twice."""
    return [test for test in missing(plan, done)
            if sum(one.test == test and not one.comparison and one.outcome != "scrapped" for one in done) < ATTEMPTS]


def missing(plan: Sequence[str], done: Sequence[Done]) -> list[str]:
    """Tests of the plan that have no valid result."""
    return [test for test in plan if test not in BEFORE and not any(one.test == test and one.counts for one in done)]


def is_preliminary(label: Any) -> bool:
    """Whether the label says that the sample is a preliminary one: true, or any text but a no."""
    return bool(label) and str(label).strip().lower() not in ("no", "false", "0")


def checks(done: Sequence[Done], wanted: bool = True, preliminary: bool = False) -> list[str]:
    """Tests that failed and have no check test yet, the last that failed first."""
    found = []
    for test in dict.fromkeys(one.test for one in reversed(done)) if wanted and not preliminary else ():
        verdicts = [one.verdict for one in done if one.test == test and one.counts and one.verdict in (PASS, FAIL)]
        found += [test] if verdicts == [FAIL] and registry.ROUNDS[test].retested else []
    return found


# --- each property --------------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Property:
    test: str
    name: str
    """The result's."""
    follows: Finding


def properties(done: Sequence[Done], preliminary: bool = False, check_tests: bool = True) -> list[Property]:
    """Every result that a limit is set on, and what follows from the test and its check test. Each kind of test has its own."""
    found = []
    for test in dict.fromkeys(one.test for one in done if one.counts):
        same = [one for one in done if one.test == test and one.counts]
        for name in dict.fromkeys(name for one in same for name in one.judged):
            of_it = [one for one in same if name in one.judged]
            may_check = check_tests and test in registry.ROUNDS and registry.ROUNDS[test].retested
            found.append(Property(test, name, quality.after(name, [one.against(name) for one in of_it], preliminary,
                                                            name in of_it[-1].low, may_check)))
    return found


def failures(done: Sequence[Done], preliminary: bool = False, check_tests: bool = True) -> list[Property]:
    """Those of which something is to be told: they failed once."""
    return [one for one in properties(done, preliminary, check_tests)
            if any(each.against(one.name) == FAIL for each in done if each.test == one.test and each.counts and one.name in each.judged)]


# --- the load -------------------------------------------------------------------------------------------------------------

def load(plan: Sequence[str], done: Sequence[Done], sampled: bool = True, preliminary: bool = False,
         check_tests: bool = True, old: bool = False) -> Finding:
    """What the whole round says of the load: ACCEPTED, REJECTED, OPEN with the reason, or NONE where nothing is to be judged.

    sampled: the sample is a composite one. old: the load was over its age when it was sampled. Only for the end of a round: until every test has a valid result it is OPEN.
    """
    if preliminary:
        return Finding(NONE, sentence("load.preliminary"), str(quality.PRELIMINARY))
    its = properties(done, preliminary, check_tests)
    judged = [one for one in done if one.counts and one.judged]
    late = {one.test: one.timing for one in judged if one.is_late}
    failed = [one for one in its if one.follows.verdict == quality.REJECTED and sampled and one.test not in late]
    if failed:
        names = listed([spoken_name(one.name) for one in failed])
        return Finding(quality.REJECTED, sentence("load.rejected", names=names), failed[0].follows.standing)
    why = [] if sampled else [sentence("load.no_sample")]
    why += [sentence("load.old")] if old else []
    why += [sentence(f"load.{how}", test=named([test])) for test, how in late.items()]
    why += [sentence("load.missing", test=named([test])) for test in missing(plan, done)]
    held = [one for one in done if one.test in BEFORE and registry.METHODS[one.test].hold]
    if held and held[-1].verdict != PASS and any(registry.METHODS[one.test].air_meter for one in judged):
        why.append(sentence("load.chamber"))
    papers = [one for one in done if one.test in registry.ROUNDS and registry.ROUNDS[one.test].again and one.counts]
    if papers and papers[-1].verdict == FAIL:
        why.append(sentence("load.paper"))
    why += [sentence("load.not_accepted", name=spoken_name(one.name)) for one in its if one.follows.verdict != ACCEPTED]
    if why:
        return Finding(OPEN, sentence("load.open", why="; ".join(dict.fromkeys(why))), str(quality.RETEST))
    if not its:
        return Finding(NONE, sentence("load.no_limits"), str(quality.RETEST))
    return Finding(ACCEPTED, sentence("load.accepted"), str(quality.RETEST))


def right(plan: Sequence[str], done: Sequence[Done], of_load: Finding | None) -> bool:
    """Everything has a valid result in time, and whatever failed was put right by its check test."""
    last = {one.test: one.verdict for one in done if one.counts}
    late = any(one.is_late and one.counts for one in done)
    return (not missing(plan, done) and set(last.values()) <= {PASS, NONE} and not late
            and (of_load is None or of_load.verdict not in (OPEN, quality.REJECTED)))


# --- two technicians --------------------------------------------------------------------------------------------------------

def comparisons(done: Sequence[Done], system: str = units.INCH_POUND) -> list[Finding]:
    """Two technicians' results on this sample: compared where both began within the standard's time, else their ages."""
    found = []
    for second in done:
        if second.comparison and second.outcome == "done" and second.verdict != INVALID:
            first = next((one for one in reversed(done) if one.test == second.test and one.counts), None)
            names = [name for name in second.results if first and name in first.results
                     and quality.may_differ(name, second.results[name]) is not None]
            if first and names and not (first.timing in (IN_TIME, TOLD) and second.timing in (IN_TIME, TOLD)):
                found.append(Finding(NONE, sentence("quality.ages", test=named([second.test]), first=_age(first), second=_age(second)),
                                     str(quality.SAME_AGE)))
            elif first:
                found += [quality.compare(name, first.results[name], second.results[name], system) for name in names]
    return found


def _age(one: Done) -> str:
    return sentence("quality.no_age") if one.age_s is None else sentence("quality.age", duration=duration(one.age_s))


# --- in words ---------------------------------------------------------------------------------------------------------------

def summary(plan: Sequence[str], done: Sequence[Done], said: Mapping[str, str], of_load: Finding | None,
            system: str = units.INCH_POUND, preliminary: bool = False, check_tests: bool = True) -> str:
    """What is said at the end: each test's verdict, what follows a failure, what was late or is missing, how two technicians
    compare, and last, once, what that says of the load.

    said: test to its results in words. of_load: None where nobody knows which tests the round was to have.
    """
    without = missing(plan, done)
    words = [sentence("round.over_without" if without else "round.all_done")]
    last = {one.test: one for one in done if one.counts}
    for test, one in last.items():
        if test in said:
            known = "round.result" if one.verdict == NONE else "round.judged"
            words.append(sentence(known, test=capital(named([test])), results=said[test], verdict=sentence(f"log.{one.verdict}")))
    words += [sentence("round.no_result", test=capital(named([test]))) for test in without]
    words += [sentence(f"round.was_{one.timing}", test=capital(named([one.test])), by=duration(one.late_s)) for one in last.values()
              if one.is_late]
    told = [one.follows for one in failures(done, preliminary, check_tests)]
    words += [capital(one.why) + "." for one in (*told, *comparisons(done, system))]
    return " ".join([*words, *([] if of_load is None else [capital(of_load.why) + "."])])
