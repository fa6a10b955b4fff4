"""The verdict of one rule at a Judge step: which way the procedure goes on, what is said, what goes into the record."""
from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal

from assistant.core import phrases, spoken
from assistant.core.assessment import INVALID, NONE, PASS, UNITS, Assessment, Result, Uncertainty, counting, title, with_unit
from assistant.core.events import RULES
from assistant.core.language import sentence
from assistant.core.methods.values import Values


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
    uncertainty: tuple[Uncertainty, ...] = ()
    readings: int = field(default=0, compare=False)
    """How many readings the test had, withdrawn ones too, when this was said."""


@dataclass(frozen=True)
class Marks:
    """What the dialogue has noted against a test before it is judged."""
    invalid: tuple[str, ...] = ()
    """Reasons why no result can be valid."""
    again: tuple[str, ...] = ()
    """Reasons to repeat the test."""
    changed: str = ""
    """REPEATED or CORRECTED: a reading became another after the result was known, so that the test can't plainly pass."""
    changes: str = ""
    """Which, from what to what, and why."""
    rules: int = RULES
    """By which the test was led: one from before a rule is judged as it was then."""
    clock: str = ""
    """Of the test's background clock: ``stopped`` in time, ``over``, or ``lost``, so that only the technician can know."""


Taken = Mapping[str, Decimal]
"""Readings, by name."""
Rule = Callable[[Taken, Values, Marks], Judgement]
"""Readings taken, settings, what was noted."""

SPOKEN_UNITS = {"%": sentence("result.percent"), "psi": sentence("result.psi"),
                **{unit: sentence(f"unit.{name}") for unit, name in UNITS.items()}}
_UNITS = re.compile(r"(?<=\d )(" + "|".join(re.escape(one) for one in sorted(UNITS, key=len, reverse=True)) + r")(?![\w/])")


def whole(found: Assessment, marks: Marks) -> Judgement:
    """The judgement on a whole test."""
    results, warnings = found.results, (*found.warnings, *marks.again)
    verdict, why = marked(found.verdict, found.why, marks)
    if marks.invalid:
        verdict, why = INVALID, "; ".join((*marks.invalid, *filter(None, [marks.changes])))
    results = counting(results, verdict)
    words = spoken_results(results, verdict, why, warnings, found.repeat or bool(marks.again))
    return Judgement(verdict, words, results, verdict, why, warnings, uncertainty=() if verdict == INVALID else found.uncertainty)


def marked(verdict: str, why: str, marks: Marks) -> tuple[str, str]:
    """Verdict and why, with what was changed after the result was known: then a pass is none."""
    if not marks.changed:
        return verdict, why
    return marks.changed if verdict in (PASS, NONE) else verdict, f"{sentence(f'log.{marks.changed}')}: {marks.changes}; {why}"


def spoken_results(results: Sequence[Result], verdict: str, why: str, warnings: Sequence[str], repeat: bool) -> str:
    """Results, then every warning, then the verdict: nobody shall hear "pass" and miss what stands against it. An invalid test has
    no number to warn of: it says only why, since a bowl may be under pressure meanwhile. Its warnings stand in the record."""
    said = [sentence("result.line", name=title(one.name), digits=spoken.digits(one.rounded),
                     unit=with_unit(SPOKEN_UNITS.get(one.unit, one.unit), one.remark)).replace(" .", ".")
            for one in results if one.rounded is not None]
    why = units_spoken(why)
    closing = {"pass": sentence("verdict.pass_repeat" if repeat else "verdict.pass"),
               "fail": sentence("verdict.fail", why=why), "invalid": sentence("verdict.invalid", why=why),
               "none": sentence("verdict.none") if why == sentence("verdict.no_limits") else sentence("verdict.open", why=why),
               }.get(verdict) or phrases.capital(f"{why}.")
    told = () if verdict == INVALID else warnings
    return " ".join([*said, *(sentence("verdict.warning", warning=units_spoken(one)) for one in told), closing])


def units_spoken(text: str) -> str:
    """"142.0 lb/ft3" as it is said: a figure inside a unit would be read out as one."""
    return _UNITS.sub(lambda found: SPOKEN_UNITS[found[1]], text)
