"""Control charts: which levels a series of results reaches, and which of its runs are too seldom chance. Pure.

The levels are the job's, and so are the run rules. Those that stand unless the job says otherwise are the four tests for
instability of Western Electric: one point beyond three standard deviations, two of three beyond two, four of five beyond one,
eight in a row on one side. A job gives no standard deviation: its action level is taken for three of them, its warning for two,
half of its warning for one.
"""
from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from assistant.core import rounding
from assistant.core.assessment import UNITS, Chart, spoken_name
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.methods.provenance import memory

WARNING, ACTION, RUN = "warning", "action", "run"
RUNS = memory("Western Electric, Statistical Quality Control Handbook (1956), its zones put at the job's own levels", 95)
TREND = memory("Nelson, Journal of Quality Technology 16 (1984): six in a row rising or falling", 90)


@dataclass(frozen=True)
class Levels:
    """A control chart of one result, as a job sets it: distances from the target, in the result's own unit."""
    target: Decimal | None = None
    warning: Decimal | None = None
    action: Decimal | None = None
    range_warning: Decimal | None = None
    """Of the range of two samples that follow each other."""
    range_action: Decimal | None = None
    run_one_side: int = 8
    """So many in a row on one side of the target; 0, here and below: no such rule."""
    run_beyond_warning: int = 2
    """So many of three in a row at the warning level or beyond, on one side."""
    run_beyond_half: int = 4
    """So many of five in a row at half of the warning level or beyond, on one side."""
    run_trend: int = 0
    """So many in a row, each above the one before, or each below."""


RULES = {"run_one_side": 0, "run_beyond_warning": 3, "run_beyond_half": 5, "run_trend": 0}
"""Each run rule, and of how many in a row it speaks; 0: of as many as it says."""


@dataclass(frozen=True)
class Point:
    """One sample on the chart."""
    label: str
    first: Decimal
    checks: tuple[Decimal, ...] = ()
    """Its check tests, on other portions of the same sample."""

    @property
    def value(self) -> Decimal:
        """A test and its check test are one sample: their mean counts (of air published, UFGS 03373; else common practice)."""
        return (self.first + sum(self.checks)) / (1 + len(self.checks))


@dataclass(frozen=True)
class Signal:
    at: int
    """The point that completes it."""
    since: int
    """The first that belongs to it."""
    verdict: str
    """WARNING, ACTION or RUN."""
    why: str
    standing: str


def signals(name: str, unit: str, points: Sequence[Point], levels: Levels, high_only: bool = False) -> list[Signal]:
    """Everything that the chart of one result says, in the order of its points.

    high_only: the result only has a highest limit, so that it is never too low.
    """
    found = [*_levels(name, points, levels, high_only), *_ranges(name, unit, points, levels)]
    if levels.target is not None:
        sides = (1,) if high_only else (1, -1)
        for at, rule, side in runs((point.value - levels.target for point in points), levels, sides):
            found.append(_run(name, at, rule, side, levels))
    return sorted(found, key=lambda one: one.at)


def _chart(name: str) -> Chart:
    return registry.RESULTS[name].chart


def _levels(name: str, points: Sequence[Point], levels: Levels, high_only: bool) -> Iterator[Signal]:
    averaged = _chart(name).averaged
    for at, point in enumerate(points if levels.target is not None else ()):
        target = levels.target or Decimal(0)
        # Where no rule has the average, the test furthest off is told: a check test takes no reading away.
        told = point.value if averaged else max((point.first, *point.checks),
                                                    key=lambda each: each - target if high_only else abs(each - target))
        off = told - target
        if high_only and off <= 0:
            continue
        for verdict, size in ((ACTION, levels.action), (WARNING, levels.warning)):
            if size is not None and abs(off) >= size:
                key = {WARNING: "warn", ACTION: "act_look" if not averaged else "act_again" if point.checks else "act"}
                places = max(rounding.last_place(registry.RESULTS[name].unit(False)[1]), rounding.last_place(point.first))
                shown = {"name": spoken_name(name), "value": f"{rounding.round_to(told, places):f}",
                         "off": f"{rounding.round_to(abs(off), places):f}", "target": f"{target:f}"}
                yield Signal(at, at, verdict, sentence(f"chart.{key[verdict]}", **shown), str(_chart(name).source))
                break


def _ranges(name: str, unit: str, points: Sequence[Point], levels: Levels) -> Iterator[Signal]:
    """Two samples that follow each other; a test and its check test are one sample."""
    over = _chart(name).range_over
    said = sentence(f"unit.{UNITS[unit]}") if unit in UNITS else unit
    for at, (one, other) in enumerate(zip(points, points[1:]), 1):
        off = abs(one.value - other.value)
        for verdict, size in ((ACTION, levels.range_action), (WARNING, levels.range_warning)):
            if size is not None and (off > size or off == size and not over):
                places = rounding.last_place(one.first) + bool(one.checks or other.checks)
                words = sentence(f"chart.range_{verdict}", name=spoken_name(name), off=f"{rounding.round_to(off, places):f}",
                                 unit=said, limit=f"{size:f}")
                yield Signal(at, at - 1, verdict, words, str(_chart(name).source))
                break


def runs(offs: Iterable[Decimal], levels: Levels, sides: Sequence[int] = (1, -1)) -> Iterator[tuple[int, str, int]]:
    """(point that completes it, rule, side) of every run in distances from the target. A run that goes on is told once."""
    past: list[Decimal] = []
    zones = {rule: (wanted, RULES[rule], level) for rule, wanted, level in (
        ("run_beyond_warning", levels.run_beyond_warning, levels.warning),
        ("run_beyond_half", levels.run_beyond_half, None if levels.warning is None else levels.warning / 2)) if wanted and level}
    held: set[tuple[str, int]] = set()
    same = dict.fromkeys((1, -1), 0)
    steps = dict.fromkeys((1, -1), 1)
    for at, off in enumerate(offs):
        past.append(off)
        now = set()
        for side in sides:
            same[side] = same[side] + 1 if side * off > 0 else 0
            steps[side] = steps[side] + 1 if at and side * (off - past[at - 1]) > 0 else 1
            for rule, (wanted, window, level) in zones.items():
                if sum(side * each >= level for each in past[-window:]) >= wanted:
                    now.add((rule, side))
            for rule, wanted, length in (("run_one_side", levels.run_one_side, same[side]),
                                         ("run_trend", levels.run_trend, steps[side])):
                if wanted and length >= wanted:
                    now.add((rule, side))
        for rule, side in sorted(now - held):
            yield at, rule, side
        held = now


def _run(name: str, at: int, rule: str, side: int, levels: Levels) -> Signal:
    wanted = getattr(levels, rule)
    window = RULES[rule] or wanted
    level = levels.target
    if rule in ("run_beyond_warning", "run_beyond_half") and levels.warning is not None and level is not None:
        level += side * (levels.warning if rule == "run_beyond_warning" else levels.warning / 2)
    words = sentence(f"chart.{rule}_{'up' if side > 0 else 'down'}", name=spoken_name(name), count=wanted, window=window,
                     level=f"{level:f}")
    return Signal(at, max(0, at + 1 - window), RUN, words, str(TREND if rule == "run_trend" else RUNS))
