"""Acceptance over days: lots of samples, their percent within limits, moving averages. Pure, in any unit.

Of normal results only the mean and the standard deviation s of a lot's n samples are known. The share beyond a limit that is
Q = (limit - mean) / s away is then best estimated by a symmetric beta distribution, as the published tables give it (SOURCE).
With sin t = Q √n / (n - 1) that is Student's distribution with n - 2 degrees of freedom, for a whole n a finite sum of powers
of cos t (Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4, from memory, 95 %).
"""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from math import asin, pi, sqrt

from assistant.core import rounding
from assistant.core.assessment import FAIL, NONE, PASS
from assistant.core.language import sentence
from assistant.core.methods.provenance import common, second_hand
from assistant.core.methods.values import Limits
from assistant.core.quality import LEAST, Plan

SOURCE = second_hand("percent within limits by the quality index, variability unknown, as tabulated in MIL-STD-414 and "
                     "ANSI/ASQ Z1.9, Table B-5; FHWA recommends it for acceptance")
LOT = common("lots, the moving average and what a lot must reach are the job's")
OPEN = "open"
PLACES = 1
"""Decimals of a percent within limits as reported. (Ours; the tables have two or none.)"""


@dataclass(frozen=True)
class Lot:
    number: int
    first: int
    """The first and the last of its samples, counted from 0."""
    last: int
    since: date
    until: date
    age_days: int
    """From its newest sample to the day of the report."""
    mean: Decimal
    deviation: Decimal | None
    """The samples' standard deviation; None of a single one."""
    percent: Decimal | None
    """Within the limits, unrounded; None of fewer than LEAST samples, or without limits."""
    verdict: str
    """PASS, FAIL, OPEN while it is not whole, NONE where nothing is asked or too little is known."""
    why: str

    @property
    def count(self) -> int:
        return self.last - self.first + 1


def within(quality_index: float, count: int) -> float:
    """Share of a lot on the good side of one limit, 0 to 1, from ``count`` samples, LEAST or more. Error below 1e-12."""
    sine = quality_index * sqrt(count) / (count - 1)
    if abs(sine) >= 1:
        return 1.0 if sine > 0 else 0.0
    square, degrees = 1 - sine * sine, count - 2
    odd = degrees % 2
    term, total = (sqrt(square) if odd else 1.0), 0.0
    for power in range(odd + 1, degrees, 2):
        total += term
        term *= square * power / (power + 1)
    area = 2 / pi * (asin(sine) + sine * total) if odd else sine * total
    return (1 + area) / 2


def percent_within(mean: Decimal, deviation: Decimal, count: int, limits: Limits) -> Decimal | None:
    """Percent of a lot within its limits: what is on the good side of each, less 100 for two. None without any limit."""
    shares = [(mean - limits[0]) if limits[0] is not None else None, (limits[1] - mean) if limits[1] is not None else None]
    rooms = [each for each in shares if each is not None]
    if not rooms:
        return None
    if deviation == 0:  # all samples alike
        return Decimal(100 if min(rooms) >= 0 else 0)
    beyond = sum(1 - within(float(each / deviation), count) for each in rooms)
    return Decimal(max(0.0, 100 * (1 - beyond))).quantize(Decimal("1e-9"))


def moving(values: Sequence[Decimal], size: int) -> list[Decimal | None]:
    """The mean of each sample and those before it, ``size`` in all; None for the first ones."""
    return [sum(values[at + 1 - size:at + 1], Decimal(0)) / size if size and at + 1 >= size else None for at in range(len(values))]


def lots(taken: Sequence[tuple[date, Decimal]], plan: Plan, limits: Limits, today: date, rule: str) -> list[Lot]:
    """Every lot of samples in their order, each with its day; ``today``: the day of the report; ``rule``: of rounding."""
    found: list[Lot] = []
    for first, last in _parts([day for day, _ in taken], plan):
        found.append(_lot(len(found) + 1, first, last, taken, plan, limits, today, rule))
    return found


def _parts(days: Sequence[date], plan: Plan) -> list[tuple[int, int]]:
    """First and last sample of each lot; none where the plan has no lots."""
    starts: list[int] = []
    for at, day in enumerate(days):
        over = plan.lot_days and (not starts or (day - days[starts[-1]]).days >= plan.lot_days)
        if over or plan.lot_tests and at % plan.lot_tests == 0:
            starts.append(at)
    return list(zip(starts, [at - 1 for at in [*starts[1:], len(days)]])) if starts else []


def _lot(number: int, first: int, last: int, taken: Sequence[tuple[date, Decimal]], plan: Plan, limits: Limits, today: date,
         rule: str) -> Lot:
    values, count = [value for _, value in taken[first:last + 1]], last + 1 - first
    mean = sum(values, Decimal(0)) / count
    deviation = (sum(((each - mean) ** 2 for each in values), Decimal(0)) / (count - 1)).sqrt() if count > 1 else None
    percent = percent_within(mean, deviation, count, limits) if deviation is not None and count >= LEAST else None
    end = taken[first][0] + timedelta(days=plan.lot_days)
    whole = count == plan.lot_tests if plan.lot_tests else last + 1 < len(taken) or today >= end
    if not whole:
        verdict = OPEN
        why = (sentence("acceptance.open", count=count, wanted=plan.lot_tests) if plan.lot_tests
               else sentence("acceptance.open_days", day=end.isoformat()))
    elif limits == (None, None):
        verdict, why = NONE, sentence("acceptance.no_limits")
    elif percent is None:
        verdict, why = NONE, sentence("acceptance.few", least=LEAST)
    elif plan.percent_within is None:
        verdict, why = NONE, sentence("acceptance.told")
    else:
        passed = rounding.judge(percent, (plan.percent_within, None), rule)
        verdict, why = (PASS, "acceptance.reached") if passed else (FAIL, "acceptance.missed")
        why = sentence(why, percent=rounding.round_to(percent, max(PLACES, rounding.last_place(plan.percent_within)), rule),
                       least=f"{plan.percent_within:f}")
    return Lot(number, first, last, taken[first][0], taken[last][0], (today - taken[last][0]).days, mean, deviation, percent, verdict,
               why)
