"""How far a result can be trusted: two technicians, what follows a failure; control charts are in charts.py.

All pure functions to a verdict and its reason.
"""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import rounding
from assistant.core.assessment import FAIL, NONE, PASS, spoken_name
from assistant.core.language import sentence
from assistant.core.methods import registry, units
from assistant.core.methods.provenance import common, memory, published, second_hand

SAME_AGE = memory("C172: begun within 5 minutes of the last portion; an older concrete is another one", 95)


@dataclass(frozen=True)
class Finding:
    verdict: str
    """PASS, FAIL or NONE; of a retest what to do (see `after`)."""
    why: str
    """One plain sentence."""
    standing: str


# --- two technicians ----------------------------------------------------------------------------------------------------

def may_differ(name: str, about: Decimal) -> Decimal | None:
    """How far two technicians' results on one sample may differ, inch-pound; None where no precision was found.

    name: a result; about: its size (the precision of some grows with it).
    """
    precision = registry.RESULTS[name].precision if name in registry.RESULTS else None
    return None if precision is None else precision.at(about)


def within(first: Decimal, second: Decimal, allowed: Decimal) -> bool:
    """Whether a second result lies in the band around the first."""
    return abs(first - second) <= allowed


def compare(name: str, first: Decimal, second: Decimal, system: str = units.INCH_POUND) -> Finding:
    """Two technicians' results of one sample, in the units of `system`: do they agree as published precision has it?"""
    spec = registry.RESULTS[name]
    unit, own = spec.unit(False)[0], spec.unit(system == units.SI)[0]
    about = (first + second) / 2
    allowed = may_differ(name, units.convert(about, own, unit))
    if allowed is None or spec.precision is None:
        return Finding(NONE, sentence("quality.no_precision", name=spoken_name(name)), str(COMPARED))
    allowed = units.convert_difference(allowed, unit, own)
    agree = within(first, second, allowed)
    told = "agree" if agree else "disagree"
    return Finding(PASS if agree else FAIL,
                   sentence(f"quality.{told}", name=spoken_name(name), off=f"{abs(first - second):f}",
                            allowed=rounding.round_to(allowed, 2), unit=own),
                   str(spec.precision.source))


# --- after a failure ----------------------------------------------------------------------------------------------------

BY_RULE = tuple(name for name, one in registry.RESULTS.items() if one.check_test)
"""Results that the rule of the check test is about."""
COMPARED = published("Iowa DOT IM 202: compared after rounding to the last place of the limit")
RETEST = second_hand("C94, older wording: check test at once on another portion; a second failure fails the load")
RETEST_OTHER = common("no rule was found for this: what follows is the agency's to say")
PRELIMINARY = published("ASTM work item WK77546, 2021: a preliminary sample may be adjusted, never rejects")

ACCEPTED, CHECK, REJECTED, ADJUST = "accepted", "check-test", "rejected", "adjust"


def after(name: str, verdicts: Sequence[str], preliminary: bool = False, below: bool = False, may_check: bool = True) -> Finding:
    """What follows for one property of a load: `verdicts` of its test and, if there was one, of its check test. Of the load
    itself this says nothing.

    name: the result's; preliminary: not the acceptance sample, so it can't reject; below: the result was under its lower limit;
    may_check: such a test may have a check test. An invalid test says nothing: it counts as not done.
    """
    counted = [one for one in verdicts if one in (PASS, FAIL)]
    by_rule = name in BY_RULE
    if not counted:
        found, rule = (NONE, "nothing"), RETEST
    elif preliminary and counted[-1] == FAIL:
        found, rule = (ADJUST, "adjust_low" if below else "adjust_high"), PRELIMINARY
    elif preliminary:
        found, rule = (NONE, "preliminary"), PRELIMINARY
    elif FAIL not in counted:
        found, rule = (ACCEPTED, "accepted"), RETEST
    elif counted[0] == PASS:
        found, rule = (NONE, "apart"), RETEST_OTHER
    elif len(counted) == 1:
        found, rule = ((CHECK, "check"), RETEST) if may_check else ((NONE, "failed"), RETEST_OTHER)
    elif not by_rule or FAIL in counted[2:]:
        found, rule = (NONE, "other_failed" if FAIL in counted[1:] else "other_passed"), RETEST_OTHER
    else:
        found, rule = ((ACCEPTED, "check_passed") if counted[1] == PASS else (REJECTED, "rejected")), RETEST
    return Finding(found[0], sentence(f"retest.{found[1]}", name=spoken_name(name)), str(rule))


LEAST = 3
"""So many samples at least give a percent (the tables begin there)."""


@dataclass(frozen=True)
class Plan:
    """How one result is accepted over days, as a job sets it."""
    lot_tests: int = 0
    """A lot is so many samples in a row; a test and its check test are one."""
    lot_days: int = 0
    """Or all samples of so many days, from its first one on."""
    moving_average: int = 3
    """Of so many samples in a row; 0: none."""
    percent_within: Decimal | None = None
    """What a lot must reach at least; None: it is told, not judged."""
