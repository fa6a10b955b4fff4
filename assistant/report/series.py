"""Results over the days: one sample after another of one job and mix, in one unit. A check test belongs to its sample."""
from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from assistant.core.charts import Point
from assistant.report import form
from assistant.report.rows import Test, with_days

Result = Mapping[str, Any]


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
