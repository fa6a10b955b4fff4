"""How far a result can be trusted: uncertainty of the metric, two technicians, control charts, what follows a failure.

All pure functions to a verdict and its reason. Standings are in `standing.TABLE` under the names given below.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import pressure, rounding, standing, units
from assistant.core.assessment import FAIL, NONE, PASS, UNITS, spoken_name
from assistant.core.language import sentence

COVERAGE = 2
"""Twice the standard uncertainty, about 95 of 100 (the usual choice)."""
RESOLUTION_PSI = Decimal("0.01")

WARNING, ACTION, IN_CONTROL = "warning", "action", "in-control"


@dataclass(frozen=True)
class Finding:
    verdict: str
    """PASS, FAIL or NONE; of a chart IN_CONTROL, WARNING or ACTION; of a retest what to do (see `after`)."""
    why: str
    """One plain sentence."""
    standing: str


# --- the system air metric ---------------------------------------------------------------------------------------------

def metric_uncertainty(ratio: Decimal, resolution: Decimal = RESOLUTION_PSI, start_error: Decimal = Decimal("0.05")) -> Decimal:
    """Expanded uncertainty of the system air metric, psi, for bowl air of `ratio` chamber volumes.

    Each of the two last equilibria may be off by half a step of the gauge, each of the six starts by `start_error`
    either way, evenly and independently. The starts count as far as the ideal gas carries them to the last equilibrium.
    """
    carried = [pressure.last_equilibrium([Decimal(int(n == step)) for n in (1, 2, 3)], ratio) for step in (1, 2, 3)]
    reading = (resolution / 2) ** 2 / 3
    starts = sum((each * each for each in carried), Decimal(0)) * start_error ** 2 / 3
    return COVERAGE * (2 * (reading + starts)).sqrt()


def against_limit(value: Decimal, uncertainty: Decimal, limit: Decimal) -> Finding:
    """Can the metric be told from its limit? NONE where it can't; the method's own verdict is not changed by that."""
    shown = {"value": rounding.round_to(value, 2), "by": rounding.round_to(uncertainty, 2), "limit": f"{limit:f}"}
    verdict = NONE if abs(value - limit) <= uncertainty else PASS if value < limit else FAIL
    told = {NONE: "same", PASS: "below", FAIL: "above"}[verdict]
    return Finding(verdict, sentence(f"quality.metric_{told}", **shown), standing.of("metric_uncertainty"))


# --- two technicians ----------------------------------------------------------------------------------------------------

_SLUMP = ((Decimal("1.2"), Decimal("0.82")), (Decimal("3.4"), Decimal("1.10")), (Decimal("6.5"), Decimal("1.50")))
"""Slump, in. -> how far two results may differ (standing "two_slump"); straight lines between, level outside."""
_TWO = {"temperature": (Decimal("1.9"), "\u00b0F"), "density": (Decimal("2.31"), "lb/ft3"), "air_content": (Decimal("0.8"), "%")}


def may_differ(name: str, about: Decimal) -> Decimal | None:
    """How far two technicians' results on one sample may differ, inch-pound; None where no precision was found.

    name: a result; about: its size (the precision of slump grows with it).
    """
    if name != "slump":
        return _TWO[name][0] if name in _TWO else None
    if about <= _SLUMP[0][0]:
        return _SLUMP[0][1]
    for (low, less), (high, more) in zip(_SLUMP, _SLUMP[1:]):
        if about <= high:
            return less + (more - less) * (about - low) / (high - low)
    return _SLUMP[-1][1]


def within(first: Decimal, second: Decimal, allowed: Decimal) -> bool:
    """Whether a second result lies in the band around the first."""
    return abs(first - second) <= allowed


def compare(name: str, first: Decimal, second: Decimal, system: str = units.INCH_POUND) -> Finding:
    """Two technicians' results of one sample, in the units of `system`: do they agree as published precision has it?"""
    unit = "in." if name == "slump" else _TWO.get(name, (None, "%"))[1]
    own = units.other(unit, name) or unit if system == units.SI else unit
    if own != unit and name == "temperature":
        allowed = may_differ(name, first)
        allowed = None if allowed is None else allowed * 5 / 9  # a difference, not a temperature
    elif own != unit:
        allowed = may_differ(name, units.convert((first + second) / 2, own, unit))
        allowed = None if allowed is None else units.convert(allowed, unit, own)
    else:
        allowed = may_differ(name, (first + second) / 2)
    if allowed is None:
        return Finding(NONE, sentence("quality.no_precision", name=spoken_name(name)), standing.of("compare"))
    agree = within(first, second, allowed)
    told = "agree" if agree else "disagree"
    return Finding(PASS if agree else FAIL,
                   sentence(f"quality.{told}", name=spoken_name(name), off=f"{abs(first - second):f}",
                            allowed=rounding.round_to(allowed, 2), unit=own),
                   standing.of(f"two_{name}"))


# --- control charts -----------------------------------------------------------------------------------------------------

AIR_WARN, AIR_ACT = Decimal("1.0"), Decimal("1.5")
RANGE_WARN, RANGE_ACT = Decimal("2.0"), Decimal("3.0")
SLUMP_RANGE_IN = Decimal(2)


def air_mean(value: Decimal, middle: Decimal, warn: Decimal = AIR_WARN, act: Decimal = AIR_ACT,
             second: Decimal | None = None) -> Finding:
    """One air content, %, against the middle of its range. At the action limit `second`, once it is there, counts half."""
    shown = value if second is None else (value + second) / 2
    off = abs(shown - middle)
    level = ACTION if off >= act else WARNING if off >= warn else IN_CONTROL
    key = {ACTION: "air_act" if second is None else "air_act_again", WARNING: "air_warn", IN_CONTROL: "air_fine"}[level]
    return Finding(level, sentence(f"quality.{key}", value=rounding.round_to(shown, 1), middle=f"{middle:f}",
                                   off=rounding.round_to(off, 1)), standing.of("air_chart"))


def air_range(one: Decimal, next_one: Decimal, warn: Decimal = RANGE_WARN, act: Decimal = RANGE_ACT) -> Finding:
    """Two consecutive air contents, %."""
    off = abs(one - next_one)
    level = ACTION if off >= act else WARNING if off >= warn else IN_CONTROL
    key = {ACTION: "range_act", WARNING: "range_warn", IN_CONTROL: "range_fine"}[level]
    return Finding(level, sentence(f"quality.{key}", off=f"{off:f}", limit=act if level == ACTION else warn),
                   standing.of("air_range_chart"))


def slump_range(one: Decimal, next_one: Decimal, most: Decimal = SLUMP_RANGE_IN, unit: str = "in.") -> Finding:
    """Two consecutive slumps and how far apart they may be, in. or mm."""
    off = abs(one - next_one)
    level = ACTION if off > most else IN_CONTROL
    words = sentence("quality.slump_apart" if level == ACTION else "quality.slump_together", off=f"{off:f}", limit=most,
                     unit=sentence(f"unit.{UNITS[unit]}"))
    return Finding(level, words, standing.of("slump_range_chart"))


# --- after a failure ----------------------------------------------------------------------------------------------------

BY_RULE = ("air_content", "slump")
"""Results that the rule of the check test is about (C94, quoted second-hand: trade notes)."""

ACCEPTED, CHECK, REJECTED, ADJUST = "accepted", "check-test", "rejected", "adjust"


def after(verdicts: Sequence[str], preliminary: bool = False, below: bool = False, by_rule: bool = True) -> Finding:
    """What follows slump or air of one load: `verdicts` of the test and, if there was one, of its check test.

    preliminary: not the acceptance sample, so it can't reject; below: the result was under its lower limit;
    by_rule: False where a failure was the system air metric's alone, of which the rule of the check test says nothing.
    An invalid test says nothing: it counts as not done.
    """
    counted = [one for one in verdicts if one in (PASS, FAIL)]
    if not counted:
        found, rule = (NONE, "nothing"), "retest"
    elif preliminary and counted[-1] == FAIL:
        found, rule = (ADJUST, "adjust_low" if below else "adjust_high"), "preliminary"
    elif preliminary:
        found, rule = (NONE, "preliminary"), "preliminary"
    elif counted[0] == PASS:
        found, rule = (ACCEPTED, "accepted"), "retest"
    elif len(counted) == 1:
        found, rule = (CHECK, "check"), "retest"
    elif not by_rule:
        found, rule = (NONE, "metric_passed" if counted[1] == PASS else "metric_failed"), "retest_metric"
    else:
        found, rule = ((ACCEPTED, "check_passed") if counted[1] == PASS else (REJECTED, "rejected")), "retest"
    return Finding(found[0], sentence(f"retest.{found[1]}"), standing.of(rule))
