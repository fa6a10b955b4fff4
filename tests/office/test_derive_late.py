"""Deriving, whatever comes: late, twice, in two histories, unreadable; killed, without a database, after an upgrade."""
from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
import uuid
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest

from assistant.office import derive as derive_room
from assistant.office import job_history, rounds
from assistant.office.derive import Deriver
from assistant.office.pages import queries
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.send import piece as sent
from tests.command import ROOT
from tests.office import made
from tests.office.pieces import derive, pieces_of, put, put_events, summaries
from tests.scenario.dialogue import Dialogue

# --- what comes late, twice, or can't be read ---------------------------------------------------------------------------------

TABLES = ("tests", "readings", "results", "rounds", "jobs", "meters", "meter_checks", "equipment", "unreadable")


def everything(db: psycopg.Connection[Any]) -> dict[str, list[str]]:
    """All that is derived, as texts; by whom and when it was received is another matter."""
    return {table: sorted(row for row, in db.execute(
                f"SELECT (to_jsonb(t) - '{{at,seen,station}}'::text[])::text FROM office.{table} t"))
            for table in TABLES}


def test_in_whatever_order_they_come_it_is_the_same_in_the_end(day: Path, db: psycopg.Connection[Any],
                                                               another: psycopg.Connection[Any]) -> None:
    pieces = pieces_of(day)[:9]
    put(db, pieces)
    derive(db)
    mixed = random.Random(5).sample(pieces, len(pieces))
    verdicts = []
    for each in mixed:
        put(another, [each])
        assert derive(another) == 1
        verdicts.append([row for row, in another.execute("SELECT verdict FROM office.rounds")])
    assert everything(another) == everything(db)
    assert verdicts[0] != verdicts[-1] == [["accepted"]][0], "the load is judged anew with each"


def changed(piece: sent.Piece, old: str, new: str) -> sent.Piece:
    """With another text in its events; taking in would refuse it, so this stands for what a newer station may send."""
    rows = tuple((seq, wall, boot, body.replace(old, new), digest) for seq, wall, boot, body, digest in piece.rows)
    assert rows != piece.rows
    return replace(piece, rows=rows)


@pytest.mark.parametrize("old, new, why", [
    ('"kind":"KeyPressed"', '"kind":"Foreseen"', "Test 2 can't be replayed (this is no event of a test: kind 'Foreseen'"),
    ('"language":"en"', '"language":"fr"', 'Test 2 was done in the language "fr", and this office speaks "en"'),
    ('"job":"', r'"job":"\u0000', "Test 2 can't be kept (PostgreSQL text fields cannot contain NUL"),
    ('"job":"', '"outcome":"done","job":"', "Test 2 has a label 'outcome' that no station gives"),
    ('"job":"', '"job":"' + "x" * 501, "Test 2 has a label 'job' that no station gives"),
    ('"rules":', '"rules":"x","rule":', "Test 2 can't be replayed")])
def test_what_can_not_be_replayed_says_so_and_stops_no_other(old: str, new: str, why: str, tmp_path: Path,
                                                             db: psycopg.Connection[Any]) -> None:
    first, second, third = pieces_of(made.journal(tmp_path, 3))
    put(db, [first, changed(second, old, new), third])
    assert derive(db) == 3 and derive(db) == 0
    told, = db.execute("SELECT why FROM read.gaps WHERE what = 'unreadable'").fetchone() or ("",)
    assert told.startswith(why) and told.endswith(".") and len(told.splitlines()) == 1
    assert [row for row, in db.execute("SELECT number FROM office.tests ORDER BY 1")] == [1, 3]


def test_a_clock_that_is_years_ahead_makes_no_test_the_newest_for_years(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    """The first test was done by a clock that is in 2031, the second after it was set right."""
    now, = db.execute("SELECT now()").fetchone() or (None,)
    made.journal(made.journal(tmp_path, 1), 1, seed=1, day=now)
    pieces = pieces_of(tmp_path)
    put(db, pieces)
    db.execute("UPDATE office.pieces SET received_at = now() - interval '1 hour' WHERE test = 1")
    derive(db)
    assert [row["number"] for row in queries.stations(db, None)] == [2]
    assert db.execute("SELECT newest_test_at < now() + interval '1 hour' FROM read.stations").fetchone() == (True,)
    db.execute("UPDATE office.tests SET job = 'J'")
    db.execute("INSERT INTO office.jobs (name) VALUES ('J')")
    assert [row["number"] for row in queries.jobs(db, None) if row["name"] == "J"] == [2]


def test_a_stub_that_comes_last_still_joins_its_history(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    """A round of two histories, and what stands for a damaged test in the middle of one comes after all others."""
    before = made.journal(tmp_path / "one", 1)
    shutil.copytree(before, tmp_path / "other")
    one, other = (pieces_of(made.whole_round(folder, seed=seed)) for seed, folder in enumerate((before, tmp_path / "other")))
    stub = replace(one[3], kind=sent.DAMAGED, rows=())
    put(db, [piece for piece in {piece.hash: piece for piece in (*one, *other)}.values() if piece is not one[3]])
    derive(db)
    assert len(db.execute("SELECT FROM office.rounds").fetchall()) == 3, "what comes before the gap belongs to nobody yet"
    put(db, [stub])
    derive(db)
    assert sorted(db.execute("SELECT cardinality(pieces) FROM office.rounds").fetchall()) == [(len(one) - 2,), (len(other) - 1,)]


def test_one_that_takes_for_ever_costs_itself_alone(tmp_path: Path, db: psycopg.Connection[Any],
                                                    monkeypatch: pytest.MonkeyPatch) -> None:
    put(db, pieces_of(made.journal(tmp_path, 2)))
    of_rows = summary.of_rows

    def slow(number: int, rows: Any) -> Any:
        while number == 1:
            time.sleep(0.01)
        return of_rows(number, rows)
    monkeypatch.setattr(summary, "of_rows", slow)
    before = signal.signal(signal.SIGALRM, derive_room._too_long)
    try:
        assert Deriver(db, limit_s=5).some() == 2
    finally:
        signal.signal(signal.SIGALRM, before)
    assert "it takes longer than" in db.execute("SELECT why FROM office.unreadable").fetchone()[0]
    assert db.execute("SELECT number FROM office.tests").fetchall() == [(2,)]


def test_taking_in_waits_for_no_replay(tmp_path: Path, database: str, db: psycopg.Connection[Any],
                                       monkeypatch: pytest.MonkeyPatch) -> None:
    """A test that takes its stub's place just then is derived the next time."""
    whole, = pieces_of(made.journal(tmp_path, 1))
    put(db, [replace(whole, kind=sent.DAMAGED, rows=())])
    deriver, replayed = Deriver(db), Deriver._replayed

    def meanwhile(self: Deriver, *given: Any) -> Any:
        monkeypatch.undo()
        with psycopg.connect(database, autocommit=True) as other:
            other.execute("SET statement_timeout = '60s'")
            other.execute("UPDATE office.pieces SET kind = 'test', received_at = clock_timestamp(), derived = NULL")
            put_events(other, whole)
        return replayed(self, *given)
    monkeypatch.setattr(Deriver, "_replayed", meanwhile)
    assert deriver.some() == 0
    assert db.execute("SELECT derived FROM office.pieces").fetchall() == [(None,)]
    assert derive(db) == 1 and db.execute("SELECT number FROM office.tests").fetchall() == [(1,)]


def test_a_scrap_and_a_correction_arrive_as_what_they_are(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    t = Dialogue(tmp_path, "temperature").at("thermometer").hear("next").at("wait").wait(120).at("temperature")
    t.reading("temperature", "70").hear("take it back").hear("yes")
    t.at("temperature").reading("temperature", "71").hear("scrap the test").hear("yes").key("1").kill()
    put(db, pieces_of(tmp_path))
    derive(db)
    assert summaries(tmp_path)[0]["outcome"] == "scrapped"
    assert db.execute("SELECT outcome FROM read.tests").fetchall() == [("scrapped",)]
    assert db.execute("SELECT value::text, counts FROM read.readings ORDER BY reading_number").fetchall() == [
        ("70", False), ("71", True)]


def test_an_upgrade_derives_anew_and_an_older_program_lets_it_be(tmp_path: Path, db: psycopg.Connection[Any],
                                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    put(db, pieces_of(made.journal(tmp_path, 3)))
    older = Deriver(db)
    assert older.some() == 3 and older.some() == 0
    was = everything(db)
    with monkeypatch.context() as patched:
        patched.setattr(derive_room, "rules", lambda: "of the upgrade")
        db.execute("UPDATE office.tests SET why = 'as the older rules had it'")
        assert derive(db) == 3 and derive(db) == 0
        assert {row for row, in db.execute("SELECT derived FROM office.pieces")} == {"of the upgrade"}
    assert older.some() == 0, "it would be derived to and fro for ever"
    assert {**everything(db), "tests": []} == {**was, "tests": []}
    assert db.execute("SELECT count(*) FROM office.tests WHERE why = 'as the older rules had it'").fetchone() == (0,)


def test_events_that_were_let_go_leave_what_was_derived(tmp_path: Path, db: psycopg.Connection[Any],
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    put(db, pieces_of(made.journal(tmp_path, 2)))
    derive(db)
    db.execute("DELETE FROM office.events USING office.pieces p WHERE p.hash = piece AND p.test = 1")
    monkeypatch.setattr(derive_room, "rules", lambda: "of the upgrade")
    assert derive(db) == 2
    assert db.execute("SELECT number, rules = 'of the upgrade' FROM office.tests ORDER BY 1").fetchall() == [
        (1, False), (2, True)]
    assert db.execute("SELECT count(*) FROM office.unreadable").fetchone() == (0,)


# --- two histories, midnight, practice ------------------------------------------------------------------------------------------

def test_a_record_that_was_continued_twice_has_two_rounds(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    """A backup from the middle of a round: each history's later tests count for its own round alone."""
    whole = pieces_of(made.whole_round(tmp_path / "a", seed=1))
    first, last = whole[:4], whole[4:]
    with Journal(tmp_path / "a", write=False) as journal:
        rows = [row for row in journal.rows() if row.seq <= first[-1].last]
    with Journal(tmp_path / "b") as journal:
        journal.begin_with(rows)
    made.journal(tmp_path / "b", 2, day=made.DAY + timedelta(hours=5))      # other tests of the same numbers, of no round
    twice = pieces_of(tmp_path / "b")[4:]
    assert twice[0].before == last[0].before and twice[0].hash != last[0].hash
    put(db, [*whole, *twice])
    derive(db)
    marked = {row for row, in db.execute("SELECT encode(piece, 'hex') FROM office.tests WHERE another_history")}
    assert marked == {piece.hash for piece in (last[0], *last[1:2], *twice)}
    assert db.execute("SELECT cardinality(pieces), another_history FROM office.rounds").fetchall() == [(len(whole), True)]
    assert db.execute("SELECT count(*) FROM read.gaps WHERE what = 'two histories'").fetchone() == (2,)


def test_each_history_has_its_own_round() -> None:
    """Numbers 1 to 3 in both; then 4 and 5 in one, and 4 in the other."""
    tests = [{"piece": bytes([each])} for each in (1, 2, 3, 4, 5, 14)]
    before = {1: [], 2: [1], 3: [2, 1], 4: [3, 2, 1], 5: [4, 3, 2, 1], 14: [3, 2, 1]}
    found = rounds._histories(tests, {bytes([each]): {bytes([old]) for old in path} for each, path in before.items()})
    assert [[each["piece"][0] for each in history] for history in found] == [[1, 2, 3, 4, 5], [1, 2, 3, 14]]


def test_a_round_that_went_on_after_midnight_is_of_the_day_before(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    put(db, reversed_ := pieces_of(made.whole_round(tmp_path, day=made.DAY.replace(hour=23, minute=57)))[::-1])
    assert derive(db) == len(reversed_)
    days = db.execute("SELECT DISTINCT (brief ->> 'started')::timestamp::date, day FROM office.tests ORDER BY 1").fetchall()
    assert days == [(date(2031, 5, 17), date(2031, 5, 17)), (date(2031, 5, 18), date(2031, 5, 17))]
    assert db.execute("SELECT day, cardinality(pieces) FROM office.rounds").fetchall() == [(date(2031, 5, 17), len(reversed_))]


def test_practice_is_marked_and_belongs_to_no_job(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    put(db, pieces_of(made.journal(tmp_path, 2, practice=True)))
    derive(db)
    assert db.execute("SELECT DISTINCT is_practice FROM read.tests").fetchall() == [(True,)]
    assert all(db.execute(f"SELECT count(*) FROM office.{table}").fetchone() == (0,)
               for table in ("jobs", "meters", "meter_checks", "equipment"))
    job, = db.execute("SELECT job FROM office.tests").fetchone() or ()
    assert job and job_history.history(db, job) == ([], False)


def test_what_stands_in_place_of_a_test_is_told_and_a_gap_too(tmp_path: Path, db: psycopg.Connection[Any]) -> None:
    first, second, third, fourth, fifth = pieces_of(made.journal(tmp_path, 5))
    put(db, [first, replace(second, kind=sent.DAMAGED, rows=()), replace(third, kind=sent.WITHHELD, rows=()), fifth])
    assert derive(db) == 4
    assert db.execute("SELECT what, test_number, first_event, last_event FROM read.gaps ORDER BY 2").fetchall() == [
        ("damaged", 2, second.first, second.last), ("missing", 5, fourth.first, fourth.last)]
    put(db, [fourth])
    derive(db)
    assert db.execute("SELECT what FROM read.gaps").fetchall() == [("damaged",)]


# --- many at once -------------------------------------------------------------------------------------------------------------

def processes(url: str, count: int) -> list[subprocess.Popen[bytes]]:
    its = f"from assistant.office import derive; derive.work({url!r})"
    return [subprocess.Popen([sys.executable, "-c", its], cwd=ROOT, stderr=subprocess.PIPE) for _ in range(count)]


def test_killed_at_any_moment_and_many_beside_each_other(day: Path, database: str, db: psycopg.Connection[Any],
                                                         another: psycopg.Connection[Any]) -> None:
    pieces, records = pieces_of(day), [uuid.UUID(int=each, version=4) for each in range(4)]
    for number, record in enumerate(records):
        for which in (db, another):
            put(which, pieces, record, f"Rig {number}")
    chance, running = random.Random(11), processes(database, 2)
    try:
        for _ in range(12):
            time.sleep(chance.uniform(0.2, 1.0))
            victim = running.pop(0)
            victim.kill()
            victim.communicate()
            running += processes(database, 1)
        while db.execute("SELECT count(*) FROM office.pieces WHERE derived IS NULL").fetchone() != (0,):
            time.sleep(0.1)
    finally:
        for each in running:
            each.kill()
            assert each.communicate()[1] == b""
    assert derive(another) == len(pieces) * len(records)
    assert everything(db) == everything(another)


def test_it_hears_the_bell_and_comes_back_when_the_database_does(tmp_path: Path, cluster: Any, database: str) -> None:
    first, second = pieces_of(made.journal(tmp_path, 2))
    worker, = processes(database, 1)
    try:
        with psycopg.connect(database, autocommit=True) as db:
            put(db, [first])
            db.execute("NOTIFY pieces")
            waits_for(db, 1)
        cluster.kill()
        cluster.start()
        with psycopg.connect(database, autocommit=True) as db:
            put(db, [second])
            waits_for(db, 2)
    finally:
        worker.kill()
        assert b"it is tried again" in worker.communicate()[1]


def waits_for(db: psycopg.Connection[Any], tests: int) -> None:
    while db.execute("SELECT count(*) FROM office.tests").fetchone() != (tests,):
        time.sleep(0.05)
