"""What the journal has of a round: its tests, when the last portion of its sample was taken, and where its thermometer is.

Nothing is stored for a round. Each of its tests carries its name in the label ``round`` of its first event, and the time of the
last portion is in the sampling test's events. So a start after a crash goes on with it.
"""
from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from assistant import record
from assistant.core import round as core
from assistant.core.quality import BY_RULE
from assistant.core.rounding import judge
from assistant.journal import Journal
from assistant.station import Station

@dataclass(frozen=True)
class Portion:
    """When the last portion of the sample was taken."""
    at: float
    """On the clock of the boot ``boot``."""
    boot: str
    wall: datetime

    def on_clock(self, now: float, boot: str, wall: datetime) -> tuple[float, bool]:
        """The same on this boot's clock, and whether only the wall clock could tell."""
        if boot == self.boot and self.at <= now:
            return self.at, False
        return now - (wall - self.wall).total_seconds(), True


@dataclass(frozen=True)
class SoFar:
    """What the journal has of one round."""
    name: str
    records: tuple[Mapping[str, Any], ...] = ()
    """Its tests that are over, oldest first, as ``record.of`` gives them."""
    portion: Portion | None = None
    sampled: bool = False
    """The sample is a composite one, as the technician says."""
    thermometer: tuple[float, str] | None = None
    """When it went into the sample: on the clock of which boot."""

    @property
    def done(self) -> list[core.Done]:
        return [_done(one) for one in self.records if one["test"] != "sampling"]

    @property
    def sample(self) -> str:
        named = [str(one["sample"]) for one in self.records if one.get("sample")]
        return named[-1] if named else f"S-{self.name.partition('-')[2]}"


def _done(one: Mapping[str, Any]) -> core.Done:
    results = {each["name"]: each["rounded"] for each in one["results"] if each["rounded"] is not None}
    below = any(each["value"] is not None and not judge(each["value"], (each["limits"][0], None), one["rounding"])
                for each in one["results"])
    by_rule = any(each["name"] in BY_RULE and each["value"] is not None
                  and not judge(each["value"], tuple(each["limits"]), one["rounding"]) for each in one["results"])
    return core.Done(one["test"], one["outcome"], one["verdict"], results, below, by_rule, str(one.get("technician", "")),
                     bool(one.get("check_of")), bool(one.get("comparison")))


NIGHT = timedelta(hours=3)
"""A round of before midnight is gone on with so long after it. Ours: much is poured at night, and a round takes an hour."""


def newest(journal: Journal, wall: datetime, practice: bool = False) -> SoFar | None:
    """The newest round of the day of ``wall``, or of the night before it (see NIGHT); None where there is none."""
    days = {wall.date().isoformat(), (wall - NIGHT).date().isoformat()}
    for test in reversed(journal.tests()):
        began, first = _first(journal, test)
        if began[:10] not in days:
            break
        header = first.get("header", {})
        if header.get("round") and bool(header.get("practice")) == practice:
            return so_far(journal, header["round"], of_round(journal, header["round"]))
    return None


def so_far(journal: Journal, name: str, tests: list[int]) -> SoFar:
    """Raises JournalError where one of the tests can't be replayed."""
    records = [one for one in (record.of(journal, test) for test in tests) if one["outcome"] != "not over"]
    samplings = [one for one in records if one["test"] == "sampling" and one["outcome"] == "done"]
    portion = next((found for one in reversed(samplings) if (found := _portion(journal, one["id"]))), None)
    clocks = [_first(journal, test)[1].get("clock", {}) for test in tests]
    placed = [(one["thermometer_at"], one["boot"]) for one in clocks if one.get("thermometer_at") is not None]
    return SoFar(name, tuple(records), portion, bool(samplings) and samplings[-1]["verdict"] != "invalid",
                 placed[-1] if placed else None)


def _portion(journal: Journal, test: int) -> Portion | None:
    at = Station(journal, test).state.timed_at
    found = next((row for row in journal.rows(test) if at is not None and json.loads(row.body)["at"] == at), None)
    return None if found is None or at is None else Portion(at, found.boot, datetime.fromisoformat(found.wall))


def of_round(journal: Journal, name: str) -> list[int]:
    """The numbers of its tests, oldest first."""
    return [test for test in journal.tests() if _first(journal, test)[1].get("header", {}).get("round") == name]


def _first(journal: Journal, test: int) -> tuple[str, dict[str, Any]]:
    """Wall time and content of a test's first event; empty where it is damaged (log verify tells of it)."""
    row = next(journal.rows(test), None)
    try:
        return ("", {}) if row is None else (str(row.wall), dict(json.loads(row.body)))
    except (ValueError, TypeError):
        return "", {}
