"""What comes out of a whole test: results, warnings, a verdict. Shared by every test's own module."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import rounding, standing
from assistant.core.language import sentence
from assistant.core.settings import Settings

PASS, FAIL, INVALID, NONE = "pass", "fail", "invalid", "none"

_REPORTED = {"air_content": ("%", 1), "system_air_metric": ("psi", 2), "leak_drop": ("psi", 2)}
"""Unit and decimals of each result as reported; standings in `standing.TABLE` under "report_" + name."""


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
    unit, places = _REPORTED[name]
    rounded = None if value is None else rounding.round_to(value, places, settings.rounding)
    return Result(name, value, unit, rounded, standing.of(name))


def spoken_name(name: str) -> str:
    """"system_air_metric" -> "system air metric", "charge.2.3" -> "charge 2.3"."""
    kind, _, place = name.partition(".")
    return sentence(f"name.{kind}", place=place)


def against_limits(results: Sequence[Result], settings: Settings) -> tuple[str, str, list[str]]:
    """(verdict, why, warnings) of valid results against the limits set on them."""
    passed, failed, warnings = [], [], []
    for each in results:
        for limit, word, sign in zip(settings.limits.get(each.name, ()), ("under", "over"), (-1, 1)):
            if limit is None:
                continue
            name, written = spoken_name(each.name), rounding.last_place(limit)
            value = rounding.round_to(each.value, written, settings.rounding)
            if sign * (value - limit) > 0:
                failed.append(sentence(f"verdict.limit_{word}", name=name, value=value, unit=each.unit, limit=f"{limit:f}",
                                       by=f"{abs(value - limit):f}"))
                continue
            passed.append(sentence("verdict.limit_passed", name=name, value=each.rounded, unit=each.unit))
            if written < _REPORTED[each.name][1] and sign * (each.rounded - limit) > 0:
                warnings.append(sentence("verdict.limit_coarse", name=name, value=each.rounded, unit=each.unit,
                                         limit=f"{limit:f}"))
    if failed:
        return FAIL, "; ".join(failed), warnings
    if passed:
        return PASS, sentence("verdict.inside", results=", ".join(dict.fromkeys(passed))), warnings
    return NONE, sentence("verdict.no_limits"), warnings
