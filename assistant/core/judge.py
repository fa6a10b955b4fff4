"""The rules that a Judge step may name: from the readings taken to an outcome, results and words."""
from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import leak, sequential, spoken
from assistant.core.assessment import Result
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


def judge(rule: str, taken: Mapping[str, Decimal], settings: Settings, invalid: Sequence[str],
          again: Sequence[str] = ()) -> Judgement:
    """Apply a rule by name. ``invalid``: reasons, noted before, why no result of this test can be valid.

    ``again``: reasons, noted before, to repeat the test.
    """
    return RULES[rule](taken, settings, invalid, again)


def _leak(taken: Mapping[str, Decimal], settings: Settings, _invalid: Sequence[str], _again: Sequence[str]) -> Judgement:
    found = leak.assess(taken["leak.initial"], taken["leak.final"], settings)
    lost = taken["leak.initial"] - taken["leak.final"]
    if found.verdict == "pass":
        words = f"It lost {spoken.digits(lost)} psi. The chamber holds." if lost > 0 else "The chamber holds."
    elif found.verdict == "fail":
        words = (f"It lost {spoken.digits(lost)} psi; at most {leak.limit(settings):f} is allowed. "
                 "The chamber leaks. Don't test concrete with it.")
    else:
        words = f"{found.why}."
    return Judgement(found.verdict, words, found.results, found.verdict, found.why, found.warnings, True)


def _metric(taken: Mapping[str, Decimal], settings: Settings, _invalid: Sequence[str], _again: Sequence[str]) -> Judgement:
    metric = taken["equilibrium.2.3"] - taken["equilibrium.1.3"]
    if 0 < metric <= settings.metric_high_psi:
        return Judgement("good", "")
    if metric < 0:
        doubt = f"would be negative, minus {spoken.digits(-metric)}. If it stays so, the test is invalid"
    elif metric == 0:
        doubt = "would be zero: both last readings are the same"
    else:
        doubt = f"would be {spoken.digits(metric)}, above what is usual"
    return Judgement("doubtful", f"The system air metric {doubt}.", why=f"the system air metric {doubt}")


def _sequential(taken: Mapping[str, Decimal], settings: Settings, invalid: Sequence[str], again: Sequence[str]) -> Judgement:
    def rows(name: str) -> list[list[Decimal]]:
        return [[taken[f"{name}.{run}.{step}"] for step in (1, 2, 3)] for run in (1, 2)]
    found = sequential.assess(rows("charge"), rows("equilibrium"), settings)
    results, verdict, why, warnings = found.results, found.verdict, found.why, (*found.warnings, *again)
    if invalid:
        # A number from a test that can't count would look good on paper: it gets none.
        results = tuple(Result(one.name, None, one.unit, None, one.standing) for one in results)
        verdict, why = "invalid", "; ".join(invalid)
    return Judgement(verdict, _spoken_results(results, verdict, why, warnings), results, verdict, why, warnings)


def _spoken_results(results: Sequence[Result], verdict: str, why: str, warnings: Sequence[str]) -> str:
    """Results, then every warning, then the verdict: nobody shall hear "pass" and miss what stands against it."""
    said = [f"{SPOKEN_NAMES.get(one.name, one.name)}, {spoken.digits(one.rounded)} {SPOKEN_UNITS.get(one.unit, one.unit)}."
            for one in results if one.rounded is not None]
    closing = {"pass": "Pass.", "fail": f"Fail: {why}.", "invalid": f"The test is invalid: {why}.",
               "none": "No limits are set for this job."}[verdict]
    if verdict == "pass" and any(one.startswith("repeat the test") for one in warnings):
        closing = "Within the limits, but repeat the test."
    return " ".join([*said, *(f"Warning: {one}." for one in warnings), closing])


SPOKEN_NAMES = {"air_content": "Air content", "system_air_metric": "System air metric", "leak_drop": "Pressure lost"}
SPOKEN_UNITS = {"%": "percent", "psi": "psi"}
RULES: dict[str, Rule] = {"leak": _leak, "metric": _metric, "sequential": _sequential}
