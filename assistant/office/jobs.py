"""A job over all its stations: its file, and its tests as one history for the charts and lots that a station makes of its own.

A test's settings carry the job's limits. Lots and levels stand in the job file alone, so the office is given that too.
"""
from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import psycopg

from assistant import job as job_file
from assistant.files import by_hand
from assistant.files.refusal import Refusal
from assistant.job import Job, JobError
from assistant.office.documents import loads
from assistant.report import lots
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


def history(db: psycopg.Connection[Any], name: str, most: int = MOST) -> list[Test]:
    """Its newest tests at all stations, oldest first, as ``summary.of`` gives them without what is long; practice does not count."""
    found = db.execute("""
        SELECT s.name, t.record::text, encode(t.piece, 'hex'), t.number, t.day, t.brief::text
        FROM office.tests t JOIN office.stations s ON s.id = t.station WHERE t.job = %s AND NOT t.practice
        ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %s""", (name, most + 1)).fetchall()[::-1]
    if len(found) > most:   # a day of which only a part is here says nothing
        found = [row for row in found if row[4] != found[0][4]]
    return list(_one_history((station, record, piece, number, loads(brief)) for station, record, piece, number, _, brief in found))


def _one_history(tests: Iterable[tuple[str, str, str, int, dict[str, Any]]]) -> Iterable[Test]:
    """Two stations number their tests, rounds and samples alike: here a test and a sample have their station's name too, and a round
    its record."""
    known: set[str] = set()
    for station, record, piece, number, test in tests:
        name = f"{station} {number}"
        test["id"] = name if name not in known else f"{name}, {piece[:8]}"     # a card changed, or two histories of one record
        known.add(name)
        if "sample" in test:
            test["sample"] = f"{station} {test['sample']}"
        if "round" in test:
            test["round"] = f"{record} {test['round']}"
        yield test


def accepted(db: psycopg.Connection[Any], name: str, today: str) -> list[lots.Accepted]:
    """The job's lots over all its stations, by its file. ``today``: 2031-05-17."""
    return lots.of(history(db, name), of(db, name), today)
