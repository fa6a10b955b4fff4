"""A whole test's assessment: results, warnings, a verdict. Shared by every room of methods/."""
from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from assistant.core import rounding
from assistant.core.language import CURRENT, sentence
from assistant.core.methods import units
from assistant.core.methods.provenance import Provenance, common
from assistant.core.methods.values import Limits, Values
from assistant.core.phrases import capital

PASS, FAIL, INVALID, NONE = "pass", "fail", "invalid", "none"
REPEATED, CORRECTED = "repeated", "corrected"
"""Instead of PASS or NONE, where a reading became another after the difference, or the verdict, had been told."""
VERDICTS = (PASS, FAIL, INVALID, NONE, REPEATED, CORRECTED)

UNITS = {"lb/ft3": "lb_ft3", "lb/yd3": "lb_yd3", "kg/m3": "kg_m3", "yd3": "yd3", "ft3": "ft3", "m3": "m3", "lb": "lb", "kg": "kg",
         "in.": "in", "mm": "mm", "gal/yd3": "gal_yd3", "L/m3": "l_m3", "gal": "gal", "L": "l",
         "\u00b0F": "f", "\u00b0C": "c", "h": "h"}
"""Unit -> its name in the language file, [say.unit]."""


@dataclass(frozen=True)
class Precision:
    """How far two technicians' results on one sample may differ: at these sizes of the result so much, straight lines between,
    level outside; inch-pound."""
    rows: tuple[tuple[Decimal, Decimal], ...]
    source: Provenance

    def at(self, about: Decimal) -> Decimal:
        if about <= self.rows[0][0]:
            return self.rows[0][1]
        for (low, less), (high, more) in zip(self.rows, self.rows[1:]):
            if about <= high:
                return less + (more - less) * (about - low) / (high - low)
        return self.rows[-1][1]


@dataclass(frozen=True)
class Chart:
    """What the control chart of a result goes by; its levels are the job's."""
    source: Provenance = common("levels of the job's own")
    averaged: bool = False
    """At the action level a second test is done at once, and the average of the two counts."""
    range_over: bool = False
    """Two samples may lie as far apart as the level says, not further."""


@dataclass(frozen=True, kw_only=True)
class ResultSpec:
    """What a method says of one of its results."""
    name: str
    inch_pound: tuple[str, str]
    """Unit and smallest step as reported."""
    si: tuple[str, str] | None = None
    """The same in SI where it differs."""
    source: Provenance
    """Where the rule comes from."""
    reported: Provenance
    """Where the step as reported comes from."""
    limited: bool = False
    """A job may set a limit on it."""
    either_way: bool = False
    """It has a sign, and its limit is on how far off it is, high or low (ours: a gauge that reads low is as wrong)."""
    own_limits: Callable[[Values], Limits] | None = None
    """What it is judged by; None: the job's limit alone."""
    check_test: bool = False
    """Out of its limits asks for a check test on another portion (C94, quoted second-hand: trade notes)."""
    precision: Precision | None = None
    chart: Chart = Chart()
    charted: bool = False
    """The day's report has a control chart of it."""
    last_place_decides: bool = False
    """A limit written with fewer places would pass what is over it: 0.249 passes 0.2 (compared so: published, Iowa DOT IM 202)."""
    any_limit: tuple[Decimal, Decimal] | None = None
    """Between which a limit lies in any job: another is doubted."""
    highest_limit: tuple[tuple[Decimal, Decimal], tuple[Decimal, Decimal]] | None = None
    """Where the highest limit lies in any job, inch-pound and SI: elsewhere the other unit was most likely meant. Ours: wide enough
    for light and heavy concrete."""

    def unit(self, si: bool) -> tuple[str, Decimal]:
        """Unit and smallest step in one system."""
        unit, step = self.si if si and self.si else self.inch_pound
        return unit, Decimal(step)

    def measured(self, value: Decimal) -> Decimal:
        """What a limit is compared with."""
        return abs(value) if self.either_way else value

    def limits(self, values: Values) -> Limits:
        """Lowest and highest that it is judged by."""
        if self.own_limits:
            return self.own_limits(values)
        return values.limits.get(self.name, (None, None))

    def in_other_units(self, value: Decimal, unit: str, rule: str) -> tuple[Decimal, str, Decimal] | None:
        """(value, unit, rounded) in the other system, for a form that wants both; None where there is only one."""
        if unit == "psi":
            other, step = "kPa", "0.01"
        elif self.si:
            other, step = self.si if unit == self.inch_pound[0] else self.inch_pound
        else:
            return None
        converted = units.convert(value, unit, other)
        return converted, other, rounding.to_step(converted, Decimal(step), rule)


@dataclass(frozen=True)
class Result:
    name: str
    value: Decimal | None
    """Unrounded; None when the readings can't give a valid one."""
    unit: str
    rounded: Decimal | None
    standing: str
    """Where the rule comes from."""
    either_way: bool = False
    """As the specification has it."""
    remark: str = ""
    """Told beside it wherever it is told: why it is preliminary, so that it neither passes nor fails."""

    def measured(self, value: Decimal) -> Decimal:
        return abs(value) if self.either_way else value


@dataclass(frozen=True)
class Uncertainty:
    """How far a result may be off, either way: one of several figures, each with a name of its own."""
    of: str
    """The result."""
    name: str
    """``gauge``: what the gauge can tell. ``repeat``: what repeating the test would give."""
    value: Decimal
    unit: str
    standing: str

    @property
    def words(self) -> str:
        return sentence(f"uncertainty.{self.name}", name=spoken_name(self.of), value=f"{self.value:f}", unit=self.unit)


@dataclass(frozen=True)
class Assessment:
    results: tuple[Result, ...]
    warnings: tuple[str, ...]
    verdict: str
    """PASS, FAIL, INVALID, or NONE when no limit was given."""
    why: str
    repeat: bool = False
    """A warning asks for the test to be repeated."""
    uncertainty: tuple[Uncertainty, ...] = ()


def result(spec: ResultSpec, value: Decimal | None, values: Values, remark: str = "") -> Result:
    unit, step = spec.unit(values.si)
    rounded = None if value is None else rounding.to_step(value, step, values.rounding)
    return Result(spec.name, value, unit, rounded, str(spec.source), spec.either_way, "" if value is None else remark)


def counting(results: Sequence[Result], verdict: str) -> tuple[Result, ...]:
    """The results as they are spoken, shown, stored, read out, exported and printed by `work`: a value has no more figures than
    anybody can use, and of an invalid test there is none, since a number from a test that can't count would look good on paper."""
    return tuple(replace(one, value=None, rounded=None, remark="") if verdict == INVALID
                 else one if one.value is None else replace(one, value=rounding.short(one.value)) for one in results)


def with_unit(unit: str, remark: str) -> str:
    """What follows a result's figures: "%, preliminary, chamber ratio not calibrated"."""
    return ", ".join(filter(None, (unit, remark)))


def assessed(results: Sequence[Result], settings: Values, invalid: Sequence[str] = (), warnings: Sequence[str] = (),
             repeat: bool = False) -> Assessment:
    """The verdict on results: INVALID where there is a reason, else against the job's limits."""
    if invalid:
        return Assessment(tuple(results), tuple(warnings), INVALID, "; ".join(invalid), repeat)
    verdict, why, more = against_limits(results, settings)
    return Assessment(tuple(results), (*warnings, *more), verdict, why, repeat)


def spoken_name(name: str) -> str:
    """Within a sentence: "system_air_metric" -> "system air metric", "charge.2.3" -> "charge 2.3"."""
    kind, _, place = name.partition(".")
    return sentence(f"name.{kind}", place=place)


def title(name: str) -> str:
    """At the beginning of a line; one that the language file does not have keeps its own name."""
    return CURRENT.sentences.get(f"result.{name}") or capital(name.replace("_", " "))


def against_limits(results: Sequence[Result], settings: Values) -> tuple[str, str, list[str]]:
    """(verdict, why, warnings) of results against the limits set on them; what has no value has no verdict."""
    passed, failed, undecided, warnings = [], [], [], []
    for each in results:
        if each.value is None or each.rounded is None:
            continue
        if each.remark:
            if any(side is not None for side in settings.limits.get(each.name, ())):
                undecided.append(sentence("verdict.undecided", name=spoken_name(each.name), value=each.rounded,
                                          unit=with_unit(each.unit, each.remark)))
            continue
        for limit, word, sign in zip(settings.limits.get(each.name, ()), ("under", "over"), (-1, 1)):
            if limit is None:
                continue
            name, written = spoken_name(each.name), rounding.last_place(limit)
            reported = each.measured(each.rounded)
            coarse = written < rounding.last_place(reported)
            value = rounding.to_limit(each.measured(each.value), limit, sign, settings.rounding, coarse and settings.half_out)
            if sign * (value - limit) > 0:
                # Who measured 5.50 and is told that 6 is over 5 by 1 would look for a mistake: what he measured is said.
                told = reported if coarse else value
                failed.append(sentence(f"verdict.limit_{word}", name=name, value=told, unit=each.unit, limit=f"{limit:f}",
                                       by=f"{abs(told - limit):f}").replace("  ", " ").replace(" ,", ","))
                continue
            passed.append(sentence("verdict.limit_passed", name=name, value=each.rounded, unit=each.unit).rstrip())
            if coarse and sign * (reported - limit) > 0:
                warnings.append(sentence("verdict.limit_coarse", name=name, value=each.rounded, unit=each.unit,
                                         limit=f"{limit:f}").replace("  ", " "))  # a ratio has no unit
    if failed:
        return FAIL, "; ".join(failed), warnings
    if undecided:
        return NONE, "; ".join(undecided), warnings
    if passed:
        return PASS, sentence("verdict.inside", results=", ".join(dict.fromkeys(passed))), warnings
    return NONE, sentence("verdict.no_limits"), warnings
