"""The rules that a Judge step may name: from the readings taken to an outcome, results and words."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal

from assistant.core import fresh_rules, leak, phrases, sequential, spoken
from assistant.core.judgement import SPOKEN_NAMES, SPOKEN_UNITS, Judgement, Marks, Rule, marked, whole
from assistant.core.language import sentence
from assistant.core.settings import Settings


def judge(rule: str, taken: Mapping[str, Decimal], settings: Settings, marks: Marks = Marks()) -> Judgement:
    """Apply a rule by name."""
    return RULES[rule](taken, settings, marks)


def _leak(taken: Mapping[str, Decimal], settings: Settings, marks: Marks) -> Judgement:
    found = leak.assess(taken["leak.initial"], taken["leak.final"], settings)
    lost = taken["leak.initial"] - taken["leak.final"]
    if found.verdict == "pass":
        words = sentence("leak.lost_holds", digits=spoken.digits(lost)) if lost > 0 else sentence("leak.holds")
    elif found.verdict == "fail":
        words = sentence("leak.leaks", digits=spoken.digits(lost), limit=f"{leak.limit(settings):f}")
    else:
        words = sentence("leak.invalid", why=found.why)
    verdict, why = marked(found.verdict, found.why, marks)
    if marks.changed:
        words = f"{words} {phrases.capital(sentence(f'log.{marks.changed}'))}: {marks.changes}."
    return Judgement(found.verdict, words, found.results, verdict, why, found.warnings, True)


def _metric(taken: Mapping[str, Decimal], settings: Settings, _marks: Marks) -> Judgement:
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


def _sequential(taken: Mapping[str, Decimal], settings: Settings, marks: Marks) -> Judgement:
    def rows(name: str) -> list[list[Decimal]]:
        return [[taken[f"{name}.{run}.{step}"] for step in (1, 2, 3)] for run in (1, 2)]
    return whole(sequential.assess(rows("charge"), rows("equilibrium"), settings, marks.agree), marks)


def _leak_alone(taken: Mapping[str, Decimal], settings: Settings, marks: Marks) -> Judgement:
    """The leak hold as a test of its own: its verdict is the whole test's."""
    found = replace(_leak(taken, settings, marks), partial=False)
    changed_twice = marks.invalid and marks.changes
    return replace(found, verdict="invalid", why="; ".join(marks.invalid)) if changed_twice else found


RULES: dict[str, Rule] = {"leak": _leak, "leak_alone": _leak_alone, "metric": _metric, "sequential": _sequential,
                          **fresh_rules.RULES}

__all__ = ["RULES", "SPOKEN_NAMES", "SPOKEN_UNITS", "Judgement", "Marks", "judge"]
