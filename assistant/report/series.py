"""Results over the days: one sample after another of one job and mix, in one unit. A check test belongs to its sample."""
from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from assistant.core.charts import Levels, Point
from assistant.core.methods.registry import RESULTS
from assistant.job import Job
from assistant.report import form
from assistant.report.rows import Test, result_name, with_days

Result = Mapping[str, Any]
CHARTED = tuple(name for name, spec in RESULTS.items() if spec.charted)
POINTS = 20
"""As many of the newest samples stand on a chart; runs are looked for in all. (Ours.)"""


@dataclass
class Sample:
    """One test and its check tests, oldest first."""
    day: str
    tests: list[Test] = field(default_factory=list)
    results: list[Result] = field(default_factory=list)

    def point(self, label: str = "") -> Point:
        first, *checks = (one["rounded"] for one in self.results)
        return Point(label, first, tuple(checks))


@dataclass(frozen=True)
class Key:
    """What must be the same for two results to stand beside each other."""
    name: str
    unit: str
    job: str
    mix: str
    practice: bool


def of(tests: Iterable[Test], names: Collection[str]) -> dict[Key, list[Sample]]:
    """Every series of the results named, from tests that are done, oldest first. A second technician's, only to compare, are
    another's hands, not another concrete: left out, as is what has no number, or only a preliminary one."""
    found: dict[Key, list[Sample]] = {}
    newest: dict[tuple[Any, ...], Sample] = {}
    for day, one in with_days(tests):
        for each in one["results"] if one["outcome"] == "done" and not one.get("comparison") else ():
            if each["name"] not in names or each["rounded"] is None or each.get("remark"):
                continue
            key = Key(each["name"], each["unit"], form.text(one.get("job")), form.text(one.get("mix")), bool(one.get("practice")))
            place = (key, one["test"], day, one.get("round") or one.get("sample"))
            sample = newest.get(place) if one.get("check_of") else None
            if sample is None:
                sample = newest[place] = Sample(day)
                found.setdefault(key, []).append(sample)
            sample.tests.append(one)
            sample.results.append(each)
    return found


@dataclass(frozen=True)
class Chart:
    """A control chart: samples of one result of one mix, with the job's levels."""
    title: str
    key: Key
    samples: list[Sample]
    levels: Levels

    @property
    def limits(self) -> tuple[Any, ...]:
        """Those of the newest test."""
        return tuple(self.samples[-1].results[-1]["limits"])


def charts(history: Iterable[Test], day: str, job: Job | None) -> list[Chart]:
    """One for each result of one mix that ``day`` has: its samples and those of the days before."""
    shown = {key: samples for key, samples in of(history, CHARTED).items() if len(samples) > 1 and samples[-1].day == day}
    found = []
    for key, samples in sorted(shown.items(), key=lambda each: CHARTED.index(each[0].name)):
        whose = [key.job, f"mix {key.mix}" if key.mix else "", "PRACTICE" if key.practice else ""]
        several, since = sum(each.name == key.name for each in shown) > 1, samples[-POINTS:][0].day
        title = ", ".join([f"Control chart: {result_name(key.name)}", *filter(None, whose if several else []),
                           *([f"since {since}"] if since != day else [])])
        own = job is not None and form.belongs(job, samples[-1].tests[0])
        found.append(Chart(title, key, samples, job.levels.get(key.name, Levels()) if job is not None and own else Levels()))
    return found
