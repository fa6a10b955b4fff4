"""What comes out of a whole test: results, warnings, a verdict. Shared by every test's own module."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import rounding, standing, units
from assistant.core.language import sentence
from assistant.core.settings import Settings

PASS, FAIL, INVALID, NONE = "pass", "fail", "invalid", "none"
REPEATED, CORRECTED = "repeated", "corrected"
"""Instead of PASS or NONE, where a reading became another after the difference, or the verdict, had been told."""
VERDICTS = (PASS, FAIL, INVALID, NONE, REPEATED, CORRECTED)

_REPORTED: dict[str, tuple[str, str] | tuple[str, str, str, str]] = {
    "air_content": ("%", "0.1"), "system_air_metric": ("psi", "0.01"), "leak_drop": ("psi", "0.01"),
    "density": ("lb/ft3", "0.1", "kg/m3", "1"), "yield": ("yd3", "0.01", "m3", "0.01"), "relative_yield": ("", "0.01"),
    "theoretical_density": ("lb/ft3", "0.1", "kg/m3", "1"), "gravimetric_air": ("%", "0.1"),
    "cement_content": ("lb/yd3", "1", "kg/m3", "1"),
    "slump": ("in.", "0.25", "mm", "5"), "temperature": ("\u00b0F", "1", "\u00b0C", "0.5"),
    "aggregate_correction": ("%", "0.1"),
    "fine_sample": ("lb", "0.01", "kg", "0.01"), "coarse_sample": ("lb", "0.01", "kg", "0.01"),
    "chamber_ratio": ("", "0.0001"), "canister_air": ("%", "0.05"), "canister_error": ("%", "0.1"),
    "gauge_error": ("psi", "0.01"), "cylinder_mass": ("lb", "0.1", "kg", "0.01"), "cylinders_made": ("", "1"),
    "cure_high": ("\u00b0F", "1", "\u00b0C", "0.5"), "cure_low": ("\u00b0F", "1", "\u00b0C", "0.5"), "cure_hours": ("h", "1"),
}
"""Unit and smallest step of each result as reported, where SI differs also in SI; standings in `standing.TABLE` under
"report_" + name."""

NAMES = tuple(_REPORTED)
UNITS = {"lb/ft3": "lb_ft3", "lb/yd3": "lb_yd3", "kg/m3": "kg_m3", "yd3": "yd3", "ft3": "ft3", "m3": "m3", "lb": "lb", "kg": "kg",
         "in.": "in", "mm": "mm", "\u00b0F": "f", "\u00b0C": "c", "h": "h"}
"""Unit -> its name in the language file, [say.unit]."""


EITHER_WAY = ("canister_error", "gauge_error")
"""Results with a sign whose limit is on how far off they are, high or low (ours: a gauge that reads low is as wrong)."""


@dataclass(frozen=True)
class Result:
    name: str
    value: Decimal | None
    """Unrounded; None when the readings can't give a valid one."""
    unit: str
    rounded: Decimal | None
    standing: str
    """Where the rule comes from."""


@dataclass(frozen=True)
class Assessment:
    results: tuple[Result, ...]
    warnings: tuple[str, ...]
    verdict: str
    """PASS, FAIL, INVALID, or NONE when no limit was given."""
    why: str
    repeat: bool = False
    """A warning asks for the test to be repeated."""


def result(name: str, value: Decimal | None, settings: Settings) -> Result:
    unit, step = reported(name, settings)
    rounded = None if value is None else rounding.to_step(value, step, settings.rounding)
    return Result(name, value, unit, rounded, standing.of(name))


def reported(name: str, settings: Settings) -> tuple[str, Decimal]:
    """Unit and smallest step of a result in the units of the job."""
    unit, step = _REPORTED[name][-2:] if settings.si else _REPORTED[name][:2]
    return unit, Decimal(step)


def in_other_units(one: Result, rule: str) -> Result | None:
    """The same result in the other system's unit, for a form that wants both; None where there is only one or no value."""
    pair = _REPORTED.get(one.name, ())
    if one.unit == "psi":
        unit, step = "kPa", "0.01"
    elif len(pair) == 4:
        unit, step = pair[2:] if one.unit == pair[0] else pair[:2]
    else:
        return None
    if one.value is None:
        return None
    value = units.convert(one.value, one.unit, unit)
    return Result(one.name, value, unit, rounding.to_step(value, Decimal(step), rule), one.standing)


def assessed(results: Sequence[Result], settings: Settings, invalid: Sequence[str] = (), warnings: Sequence[str] = (),
             repeat: bool = False) -> Assessment:
    """The verdict on results: INVALID where there is a reason, else against the job's limits."""
    if invalid:
        return Assessment(tuple(results), tuple(warnings), INVALID, "; ".join(invalid), repeat)
    verdict, why, more = against_limits([one for one in results if one.value is not None], settings)
    return Assessment(tuple(results), (*warnings, *more), verdict, why, repeat)


def spoken_name(name: str) -> str:
    """"system_air_metric" -> "system air metric", "charge.2.3" -> "charge 2.3"."""
    kind, _, place = name.partition(".")
    return sentence(f"name.{kind}", place=place)


def measured(name: str, value: Decimal) -> Decimal:
    """What a limit on this result is compared with."""
    return abs(value) if name in EITHER_WAY else value


def against_limits(results: Sequence[Result], settings: Settings) -> tuple[str, str, list[str]]:
    """(verdict, why, warnings) of valid results against the limits set on them."""
    passed, failed, warnings = [], [], []
    for each in results:
        for limit, word, sign in zip(settings.limits.get(each.name, ()), ("under", "over"), (-1, 1)):
            if limit is None:
                continue
            name, written = spoken_name(each.name), rounding.last_place(limit)
            value = rounding.round_to(measured(each.name, each.value), written, settings.rounding)
            reported = measured(each.name, each.rounded)
            coarse = written < rounding.last_place(reported)
            if sign * (value - limit) > 0:
                # Who measured 5.50 and is told "6 is over 5" would look for a mistake: what he measured is said too.
                key = f"verdict.limit_{word}{'_rounded' if coarse and value != reported else ''}"
                failed.append(sentence(key, name=name, value=value, unit=each.unit, limit=f"{limit:f}",
                                       reported=reported, by=f"{abs(value - limit):f}").replace("  ", " ").replace(" ,", ","))
                continue
            passed.append(sentence("verdict.limit_passed", name=name, value=each.rounded, unit=each.unit).rstrip())
            if coarse and sign * (reported - limit) > 0:
                warnings.append(sentence("verdict.limit_coarse", name=name, value=each.rounded, unit=each.unit,
                                         limit=f"{limit:f}").replace("  ", " "))  # a ratio has no unit
    if failed:
        return FAIL, "; ".join(failed), warnings
    if passed:
        return PASS, sentence("verdict.inside", results=", ".join(dict.fromkeys(passed))), warnings
    return NONE, sentence("verdict.no_limits"), warnings
