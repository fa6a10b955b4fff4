"""What a Judge step found: which way the procedure goes on, what is said, what goes into the record."""
from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import spoken
from assistant.core.assessment import NAMES, UNITS, Assessment, Result
from assistant.core.language import sentence
from assistant.core.settings import Settings


@dataclass(frozen=True)
class Judgement:
    outcome: str
    """Which way the procedure goes on."""
    words: str
    """Said aloud."""
    results: tuple[Result, ...] = ()
    verdict: str = ""
    """``pass``, ``fail``, ``invalid`` or ``none``; empty: this rule gives no verdict."""
    why: str = ""
    warnings: tuple[str, ...] = ()
    partial: bool = False
    """It judges a part on the way: passing it is no verdict on the test."""


Rule = Callable[[Mapping[str, Decimal], Settings, Sequence[str], Sequence[str]], Judgement]
"""Readings taken, settings, reasons why no result can be valid, reasons to repeat the test."""

SPOKEN_NAMES = {name: sentence(f"result.{name}") for name in NAMES}
SPOKEN_UNITS = {"%": sentence("result.percent"), "psi": sentence("result.psi"),
                **{unit: sentence(f"unit.{name}") for unit, name in UNITS.items()}}
_UNITS = re.compile(r"(?<=\d )(" + "|".join(re.escape(one) for one in sorted(UNITS, key=len, reverse=True)) + r")(?![\w/])")


def whole(found: Assessment, invalid: Sequence[str], again: Sequence[str]) -> Judgement:
    """The judgement on a whole test. ``invalid``: reasons, noted before, why no result of this test can be valid."""
    results, verdict, why, warnings = found.results, found.verdict, found.why, (*found.warnings, *again)
    if invalid:
        # A number from a test that can't count would look good on paper: it gets none.
        results = tuple(Result(one.name, None, one.unit, None, one.standing) for one in results)
        verdict, why = "invalid", "; ".join(invalid)
    words = spoken_results(results, verdict, why, warnings, found.repeat or bool(again))
    return Judgement(verdict, words, results, verdict, why, warnings)


def spoken_results(results: Sequence[Result], verdict: str, why: str, warnings: Sequence[str], repeat: bool) -> str:
    """Results, then every warning, then the verdict: nobody shall hear "pass" and miss what stands against it."""
    said = [sentence("result.line", name=SPOKEN_NAMES.get(one.name, one.name), digits=spoken.digits(one.rounded),
                     unit=SPOKEN_UNITS.get(one.unit, one.unit)).replace(" .", ".")
            for one in results if one.rounded is not None]
    why = units_spoken(why)
    closing = {"pass": sentence("verdict.pass_repeat" if repeat else "verdict.pass"),
               "fail": sentence("verdict.fail", why=why), "invalid": sentence("verdict.invalid", why=why),
               "none": sentence("verdict.none")}[verdict]
    return " ".join([*said, *(sentence("verdict.warning", warning=units_spoken(one)) for one in warnings), closing])


def units_spoken(text: str) -> str:
    """"142.0 lb/ft3" as it is said: a figure inside a unit would be read out as one."""
    return _UNITS.sub(lambda found: SPOKEN_UNITS[found[1]], text)
