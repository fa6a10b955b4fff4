"""What the office derives is what the station itself exports, digit for digit and word for word.

Outside source: the station's own export of the same journal, and PostgreSQL's numeric.
"""
from __future__ import annotations

import json
import random
from datetime import date
from pathlib import Path
from typing import Any

import psycopg
import pytest

from assistant.core.methods.registry import METHODS
from assistant.office import test_document
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.report import json_file
from tests.office import made
from tests.office.at_door import Door
from tests.office.pieces import derive, pieces_of, put, summaries
from tests.property.test_one_number import AMOUNTS, LIMITS, Words, led


def documents_of(db: psycopg.Connection[Any]) -> list[dict[str, Any]]:
    return [test_document.loads(text) for text, in db.execute("SELECT document::text FROM office.tests ORDER BY first")]


def test_a_summary_needs_no_journal(tmp_path: Path) -> None:
    made.journal(tmp_path, 3)
    with Journal(tmp_path, write=False) as journal:
        for test in journal.tests():
            assert summary.of_rows(test, list(journal.rows(test))) == summary.of(journal, test)


@pytest.mark.parametrize("method", sorted(METHODS))
def test_every_kind_of_test_comes_back_from_the_database_as_its_station_has_it(method: str, tmp_path: Path,
                                                                                db: psycopg.Connection[Any]) -> None:
    chance = random.Random(method)
    for number in range(3):
        t = Words(tmp_path, method, limits=LIMITS, **AMOUNTS, chamber_ratio="0.06", aggregate_correction_pct="0.3")
        led(t, chance).journal.close()
    its = summaries(tmp_path)
    put(db, pieces_of(tmp_path))
    assert derive(db) == 3
    same(db, its)


def same(db: psycopg.Connection[Any], its: list[dict[str, Any]]) -> None:
    """Documents, readings and results are those of these summaries, text for text."""
    found = documents_of(db)
    assert found == its
    there, here = ([json.dumps(one, sort_keys=True, default=lambda value: f"decimal {value:f}") for one in tests]
                   for tests in (its, found))
    assert here == there, "also every kind of number"
    exported = [json_file.document([one], "2031-05-17T16:00:00+02:00")["tests"] for one in its]
    assert [json_file.document([one], "2031-05-17T16:00:00+02:00")["tests"] for one in found] == exported
    for one in its:
        readings = db.execute("""SELECT id, COALESCE(value::text, time_of_day), unit, withdrawn, source FROM office.readings
            JOIN office.tests USING (record, piece) WHERE number = %s ORDER BY position""", (one["id"],)).fetchall()
        assert readings == [(each["id"], str(each["value"]), each["unit"], each["withdrawn"], each["source"])
                            for each in one["readings"]]
        results = db.execute("""SELECT name, value::text, rounded::text, low::text, high::text, unit, r.verdict, standing, remark
            FROM office.results r JOIN office.tests USING (record, piece) WHERE number = %s ORDER BY position""",
                             (one["id"],)).fetchall()
        assert results == [(each["name"], *(None if value is None else f"{value:f}" for value in (
            each["value"], each["rounded"], *each["limits"])), each["unit"], each["verdict"], each["standing"], each["remark"])
            for each in one["results"]]
        assert db.execute("SELECT verdict, why, outcome, method, title FROM office.tests WHERE number = %s",
                          (one["id"],)).fetchone() == tuple(one[key] for key in ("verdict", "why", "outcome", "test", "title"))


def test_the_invented_day(day: Path, db: psycopg.Connection[Any]) -> None:
    its = summaries(day)
    put(db, pieces_of(day))
    assert derive(db) == len(its) == 27
    same(db, its)
    exported = json_file.document(its, "2031-05-17T16:00:00+02:00")["rounds"]
    numbers = dict(db.execute("SELECT piece, number FROM office.tests").fetchall())
    rounds = db.execute("SELECT round, pieces, verdict, why, standing, properties::text, day FROM office.rounds "
                        "ORDER BY began").fetchall()
    assert len(rounds) == 3 and [
        {"round": name, "tests": [numbers[piece] for piece in pieces],
         "load": {"verdict": verdict, "why": why, "standing": standing}, "properties": json.loads(properties)}
        for name, pieces, verdict, why, standing, properties, _ in rounds] == exported
    assert {row[-1] for row in rounds} == {date(2031, 5, 17)}


def test_what_came_through_the_door_is_what_the_journal_has(tmp_path: Path, at_door: Door) -> None:
    """Also in two halves, the later first, and sent twice."""
    folder = made.whole_round(made.journal(tmp_path, 3, seed=1), seed=2)
    pieces, key = made.pieces(folder), at_door.enrol("Rig 1")
    with psycopg.connect(at_door.pool.conninfo, autocommit=True) as db:
        for some in (pieces[4:], pieces[:4], pieces):
            assert len(at_door.sent(key, made.record(folder), some)["committed"]) == len(some)
            derive(db)
        same(db, summaries(folder))
        assert db.execute("SELECT count(*) FROM read.gaps").fetchone() == (0,)
        assert db.execute("SELECT DISTINCT station, record_id, is_practice FROM read.tests").fetchall() == [
            ("Rig 1", made.record(folder), False)]
