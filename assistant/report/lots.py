"""Acceptance over days, from the record: the lots of a job, percent within limits and moving averages, of each mix by itself.

The arithmetic is in assistant/report/acceptance.py; what counts is chosen here. Practice, second technicians and preliminary samples
do not; a test and its check test are one sample, by their mean; values are those reported, so that anyone can compute it anew.
"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from assistant.core.assessment import CORRECTED, REPEATED
from assistant.core.load_judged import is_preliminary
from assistant.core.methods.registry import RESULTS
from assistant.core.quality import Plan
from assistant.core.rounding import last_place, round_to, short
from assistant.job import Job
from assistant.report import acceptance, form, series
from assistant.report.acceptance import Lot
from assistant.report.rows import Test, inside, result_in_other_units, result_name
from assistant.report.series import Key, Sample
from assistant.round.record import of_no_sample


@dataclass(frozen=True)
class Accepted:
    """One result of one mix, over the days."""
    key: Key
    plan: Plan
    samples: Sequence[Sample]
    limits: tuple[Decimal | None, Decimal | None]
    """Those of its newest sample; the lots go by them."""
    rule: str
    lots: Sequence[Lot]
    moving: Sequence[Decimal | None]

    @property
    def places(self) -> int:
        """One more than a result is reported with: a mean is known better."""
        return 1 + last_place(self.samples[-1].results[-1]["rounded"])

    def shown(self, value: Decimal | None) -> str:
        return "" if value is None else f"{round_to(value, self.places, self.rule):f}"

    def average(self, at: int) -> str:
        """The moving average at one sample, and whether it lies within the limits."""
        value = self.moving[at]
        row = {"name": self.key.name, "value": value, "limits": self.limits}
        return "" if value is None else f"{self.shown(value)} {self.key.unit}, {inside(row, self.rule)}".replace(" ,", ",")

    def percent(self, lot: Lot) -> str:
        return "" if lot.percent is None else f"{round_to(lot.percent, acceptance.PLACES, self.rule):f}"


def of(history: Sequence[Test], job: Job | None, today: str) -> list[Accepted]:
    """Every result that the job accepts over days, each mix by itself; ``today``: the day of the report."""
    if job is None or not job.acceptance:
        return []
    bad = of_no_sample(history)
    its = [one for one in history if form.belongs(job, one) and not one.get("practice") and not is_preliminary(one.get("preliminary"))
           and one["id"] not in bad]
    found = []
    for key, samples in series.of(its, job.acceptance).items():
        plan, newest = job.acceptance[key.name], samples[-1]
        rule = job.rule(key.mix)
        taken = [(date.fromisoformat(one.day), one.point().value) for one in samples]
        low, high = newest.results[-1]["limits"]
        found.append(Accepted(key, plan, samples, (low, high), rule,
                              acceptance.lots(taken, plan, (low, high), date.fromisoformat(today), rule),
                              acceptance.moving([value for _, value in taken], plan.moving_average)))
    return found


def document(one: Accepted) -> dict[str, Any]:
    """For the export as JSON."""
    return {"name": one.key.name, "unit": one.key.unit, "job": one.key.job, "mix": one.key.mix, "limits": list(one.limits),
            "count": len(one.samples), "moving_average_of": one.plan.moving_average, "standing": str(acceptance.SOURCE),
            "samples": [{"tests": [each["id"] for each in sample.tests], "day": sample.day, "value": _short(sample.point().value),
                         "moving_average": _short(average)} for sample, average in zip(one.samples, one.moving)],
            "lots": [{"lot": lot.number, "count": lot.count, "from": lot.since.isoformat(), "to": lot.until.isoformat(),
                      "age_days": lot.age_days, "mean": _short(lot.mean), "standard_deviation": _short(lot.deviation),
                      "percent_within": _short(lot.percent), "at_least": one.plan.percent_within, "verdict": lot.verdict, "why": lot.why}
                     for lot in one.lots]}


def _short(value: Decimal | None) -> Decimal | None:
    return None if value is None else short(value)


def cells(found: Sequence[Accepted]) -> dict[int, dict[str, str]]:
    """Columns for the spreadsheet: test id -> name -> text, in the row of a sample's newest test."""
    rows: dict[int, dict[str, str]] = {}
    for one in found:
        lot_of = {at: lot.number for lot in one.lots for at in range(lot.first, lot.last + 1)}
        for at, sample in enumerate(one.samples):
            row = rows.setdefault(sample.tests[-1]["id"], {})
            row[f"{one.key.name} lot"] = str(lot_of.get(at, ""))
            row[f"{one.key.name} moving average [{one.key.unit}]"] = one.shown(one.moving[at])
    return rows


def _doubts(one: Accepted) -> list[str]:
    """What to look at in the lots that stand on the page."""
    shown = one.samples[one.lots[-NEWEST:][0].first:] if one.lots else []
    changed = [str(each["id"]) for sample in shown for each in sample.tests if each.get("verdict") in (REPEATED, CORRECTED)]
    found = [f"Changed after the result was known: test {', '.join(changed)}."] if changed else []
    if any(tuple(each["limits"]) != one.limits for sample in shown for each in sample.results):
        found.append("The limits changed meanwhile: each lot is computed with those of the newest sample.")
    return found


HEAD = ["Result, mix", "Lot", "Samples", "From, to", "Age, days", "Mean", "Other units", "Std. dev.", "Within limits", "Verdict"]
WIDTHS = [1.25, 0.3, 0.55, 1.0, 0.5, 0.75, 0.75, 0.6, 0.7, 1.1]
NEWEST = 3
"""As many lots of each stand on the page; all are in the JSON. (Ours.)"""


def table(found: Sequence[Accepted]) -> list[list[str]]:
    """A row for each of the newest lots."""
    return [[", ".join(filter(None, [result_name(one.key.name), one.key.mix])), str(lot.number), str(lot.count),
             " to ".join(dict.fromkeys(each.isoformat()[5:] for each in (lot.since, lot.until))), str(lot.age_days),
             f"{one.shown(lot.mean)} {one.key.unit}".strip(), _other(one, lot.mean), one.shown(lot.deviation),
             f"{one.percent(lot)} %" if lot.percent is not None else "", lot.verdict.upper() if lot.verdict != "none" else "no verdict"]
            for one in found for lot in one.lots[-NEWEST:]]


def _other(one: Accepted, mean: Decimal) -> str:
    row: Mapping[str, Any] = {**one.samples[-1].results[-1], "value": mean, "rounded": mean}
    return result_in_other_units(row, one.rule) if one.key.name in RESULTS else ""


def sentences(found: Sequence[Accepted]) -> list[str]:
    """What the table can't say of each: why a lot has its verdict, and the newest moving average."""
    said = []
    for one in found:
        told = [f"Lot {lot.number}: {lot.why}." for lot in one.lots[-NEWEST:]]
        if average := one.average(len(one.samples) - 1):
            told.append(f"Moving average of {one.plan.moving_average}: {average}.")
        told += _doubts(one)
        said.append(", ".join(filter(None, [result_name(one.key.name), one.key.mix])) + f". {' '.join(told)}")
    return said
