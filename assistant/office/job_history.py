"""A job over all its stations: its file, and its tests as one history for the charts and lots that a station makes of its own.

A test's settings carry the job's limits. Lots and levels stand in the job file alone, so the office is given that too.
"""
from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import psycopg

from assistant import job as job_file
from assistant.files import by_hand
from assistant.files.refusal import Refusal
from assistant.job import Job, JobError
from assistant.office.pages import queries
from assistant.office.test_document import loads
from assistant.report.rows import Test

MOST = 10_000
"""Of a job's tests so many of the newest are charted and accepted: about a second's work. Ours."""


def keep(db: psycopg.Connection[Any], path: Path) -> str:
    """Keep the job file for all who look at its job; the job's name. Raises Refusal."""
    given = job_file.load(path)
    name = str(given.labels.get("job") or "")
    if not name:
        raise Refusal(f"The job file {path} does not name its job: write job = \"...\" into it, as its tests have it.")
    db.execute("INSERT INTO office.jobs (name, file, file_at) VALUES (%s, %s, now()) ON CONFLICT (name) DO UPDATE "
               "SET (file, file_at) = (excluded.file, excluded.file_at)", (name, given.text))
    return name


def of(db: psycopg.Connection[Any], name: str) -> Job | None:
    """The job by its file; None where the office has none, or one that this program can't read."""
    row = db.execute("SELECT file FROM office.jobs WHERE name = %s", (name,)).fetchone()
    if row and row[0]:
        with suppress(JobError, by_hand.Unreadable):
            return job_file.of_text(row[0], Path(f"{name}.toml"))
    return None


HISTORY = """
    SELECT s.name AS station_name, t.record, t.piece, t.number, t.day, t.brief::text AS brief
    FROM office.tests t JOIN office.stations s ON s.id = t.station WHERE t.job = %(job)s AND NOT t.practice
    ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %(most)s"""
"""A job's newest tests at all stations; ``most``: one more than are wanted. Practice does not count; samplings do: by them is
known which samples count."""


def history(db: psycopg.Connection[Any], name: str, most: int = MOST) -> tuple[list[Test], bool]:
    """The job's newest tests, oldest first, as ``summary.of`` gives them without what is long; whether older are left out."""
    rows = queries.asked(db, HISTORY, job=name, most=most + 1)
    left_out = len(rows) > most
    its = [row for row in reversed(rows) if not left_out or row["day"] != rows[-1]["day"]]     # a part of a day says nothing
    return one_history({**row, "brief": loads(row["brief"])} for row in its), left_out


def one_history(rows: Iterable[Mapping[str, Any]]) -> list[Test]:
    """``rows``: oldest first, each with its ``brief``. Two stations number their tests, rounds and samples alike: here a test and
    a sample have their station's name too, and a round its record."""
    found: list[Test] = []
    known: set[str] = set()
    for row in rows:
        name = f"{row['station_name']} {row['number']}"
        # A number that was there: the station's other card, or another history.
        test = {**row["brief"], "id": name if name not in known else f"{name}, {row['piece'].hex()[:8]}"}
        for key, whose in ("sample", row["station_name"]), ("round", row["record"]):
            if test.get(key):
                test[key] = f"{whose} {test[key]}"
        known.add(name)
        found.append(test)
    return found
