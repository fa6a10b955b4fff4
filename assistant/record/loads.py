"""The loads of concrete that the record knows: each is a test in which its ticket was read off."""
from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.settings import Settings
from assistant.record import summary
from assistant.record.journal import Journal

TICKET = next(name for name, one in registry.ROUNDS.items() if one.again)
"""The test that reads a ticket off."""
FRESH_S = 3 * 3600.0
"""So long after its ticket was read off a load may still be the one that is tested. Common practice, no source: as for a round."""


def of_day(wall: datetime) -> float:
    """Seconds since midnight, for the clock of the load's age."""
    return wall.hour * 3600 + wall.minute * 60 + wall.second + wall.microsecond / 1e6


def labels_of(record: Mapping[str, Any]) -> Mapping[str, str]:
    """What a finished test tells those after it, as labels: of a ticket the load's."""
    if record["outcome"] != "done":
        return {}
    taken = {one["id"]: one["value"] for one in record["readings"] if not one["withdrawn"]}
    return registry.METHODS[record["test"]].labels(taken, Settings.from_mapping(record["settings"]))


def volumes(tickets: Iterable[Mapping[str, Any]]) -> dict[str, tuple[Decimal, str]]:
    """Volume and unit of each load by its ticket, else its number in the day, else the test itself: a ticket that was read off
    again counts once, as it was read last."""
    found: dict[str, tuple[Decimal, str]] = {}
    for one in tickets:
        taken = {each["id"]: each for each in one["readings"] if not each["withdrawn"]}
        named = next((f"{name} {taken[name]['value']:f}" for name in ("ticket.number", "ticket.load") if name in taken),
                     f"test {one['id']}")
        if volume := taken.get("ticket.volume"):
            found[named] = volume["value"], volume["unit"]
    return found


def named(record: Mapping[str, Any]) -> str:
    """The question whether it is still this load."""
    labels = labels_of(record)
    for key in ("load", "ticket"):
        if key in labels:
            return sentence(f"round.same_{key}", **{key: labels[key]})
    return sentence("round.same_unknown", time=record["started"][11:16])


def newest(journal: Journal, wall: datetime, job: Any, practice: bool = False) -> Mapping[str, Any] | None:
    """The newest load of this job that may still be tested, as ``summary.of`` gives it; None where there is none."""
    for test in reversed(journal.tests()):
        row = next(journal.rows(test), None)
        if row is None or not 0 <= (wall - datetime.fromisoformat(row.wall)).total_seconds() <= FRESH_S:
            return None
        begun = json.loads(row.body)
        header = begun.get("header") or {}
        if begun.get("test") == TICKET and header.get("job") == job and bool(header.get("practice")) == practice:
            found = summary.of(journal, test)
            if found["outcome"] == "done":
                return found
    return None
