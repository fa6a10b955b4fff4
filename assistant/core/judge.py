"""The rules that a Judge step may name: from the readings taken to an outcome, results and words."""
from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import leak, sequential, spoken
from assistant.core.assessment import Result
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
        words = sentence("leak.lost_holds", digits=spoken.digits(lost)) if lost > 0 else sentence("leak.holds")
    elif found.verdict == "fail":
        words = sentence("leak.leaks", digits=spoken.digits(lost), limit=f"{leak.limit(settings):f}")
    else:
        words = sentence("leak.invalid", why=found.why)
    return Judgement(found.verdict, words, found.results, found.verdict, found.why, found.warnings, True)


def _metric(taken: Mapping[str, Decimal], settings: Settings, _invalid: Sequence[str], _again: Sequence[str]) -> Judgement:
    metric = taken["equilibrium.2.3"] - taken["equilibrium.1.3"]
    if 0 < metric <= settings.metric_high_psi:
        return Judgement("good", "")
    if metric < 0:
        doubt = sentence("metric.negative", digits=spoken.digits(-metric))
    elif metric == 0:
        doubt = sentence("metric.zero")
    else:
        doubt = sentence("metric.high", digits=spoken.digits(metric))
    return Judgement("doubtful", sentence("metric.doubt", doubt=doubt), why=sentence("metric.doubt_why", doubt=doubt))


def _sequential(taken: Mapping[str, Decimal], settings: Settings, invalid: Sequence[str], again: Sequence[str]) -> Judgement:
    def rows(name: str) -> list[list[Decimal]]:
        return [[taken[f"{name}.{run}.{step}"] for step in (1, 2, 3)] for run in (1, 2)]
    found = sequential.assess(rows("charge"), rows("equilibrium"), settings)
    results, verdict, why, warnings = found.results, found.verdict, found.why, (*found.warnings, *again)
    if invalid:
        # A number from a test that can't count would look good on paper: it gets none.
        results = tuple(Result(one.name, None, one.unit, None, one.standing) for one in results)
        verdict, why = "invalid", "; ".join(invalid)
    words = _spoken_results(results, verdict, why, warnings, found.repeat or bool(again))
    return Judgement(verdict, words, results, verdict, why, warnings)


def _spoken_results(results: Sequence[Result], verdict: str, why: str, warnings: Sequence[str],
                    repeat: bool) -> str:
    """Results, then every warning, then the verdict: nobody shall hear "pass" and miss what stands against it."""
    said = [sentence("result.line", name=SPOKEN_NAMES.get(one.name, one.name), digits=spoken.digits(one.rounded),
                     unit=SPOKEN_UNITS.get(one.unit, one.unit))
            for one in results if one.rounded is not None]
    closing = {"pass": sentence("verdict.pass_repeat" if repeat else "verdict.pass"),
               "fail": sentence("verdict.fail", why=why), "invalid": sentence("verdict.invalid", why=why),
               "none": sentence("verdict.none")}[verdict]
    return " ".join([*said, *(sentence("verdict.warning", warning=one) for one in warnings), closing])


SPOKEN_NAMES = {name: sentence(f"result.{name}") for name in ("air_content", "system_air_metric", "leak_drop")}
SPOKEN_UNITS = {"%": sentence("result.percent"), "psi": sentence("result.psi")}
RULES: dict[str, Rule] = {"leak": _leak, "metric": _metric, "sequential": _sequential}
