"""Rows as the pages have them, made of real journals' tests without a database: for tests of the pages alone."""

from __future__ import annotations

import uuid
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from assistant.record import summary
from assistant.record.journal import Journal
from assistant.record.kept import plain
from tests.office import made

AT = datetime(2031, 5, 17, 16, 0, tzinfo=UTC)
RECORD, STATION = uuid.UUID(int=7), uuid.UUID(int=9)


@cache
def whole() -> tuple[dict[str, Any], ...]:
    """A sequential test, a slump, a temperature, then a round of six, as ``summary.of`` gives them."""
    with TemporaryDirectory() as folder:
        made.whole_round(made.journal(Path(folder), 3, seed=1), seed=2)
        with Journal(Path(folder), write=False) as journal:
            return tuple(plain(summary.of(journal, number)) for number in journal.tests())


def row(test: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """How the test is listed."""
    labels = ("job", "mix", "round", "sample", "ticket", "technician", "meter", "check_of")
    text = {name: str(test.get(name) or "") for name in labels}
    return {"record": RECORD, "piece": bytes([test["id"]]) * 32, "station": STATION, "station_name": "Pier station",
            "number": test["id"],
            "method": test["test"], "title": test["title"], "outcome": test["outcome"], "verdict": test["verdict"],
            "why": test["why"],
            "practice": bool(test.get("practice")), "another_history": False, "day": date.fromisoformat(test["started"][:10]),
            "started": datetime.fromisoformat(test["started"]), "wall": test["started"], "first": 1, "last": 300,
            "received_at": AT,
            **text, **changes}


def station(**changes: Any) -> dict[str, Any]:
    return {"id": STATION, "name": "Pier station", "trial": False, "enrolled_at": AT, "revoked_at": None, "heard_at": AT,
            "program": "0.1.0", "waiting": 0, "clock_off_s": 0.4, "gaps": 0, **row(whole()[0]), **changes}


def results(*tests: dict[str, Any]) -> dict[Any, list[dict[str, Any]]]:
    return {(RECORD, bytes([test["id"]]) * 32): [each for each in test["results"] if each["rounded"] is not None]
            for test in tests}
