"""From pieces to tables: each that came is replayed as its station's own export does it, and what is found is kept.

Taking in commits events and rings; this is done later and in other processes, which need no agreement but the database. Each
takes pieces of one record under that record's lock, and makes all of theirs anew in one transaction: one that is killed leaves
nothing half done, and any number may stand side by side. A piece that can't be replayed says why in ``unreadable``, and stops no
other. After an upgrade what older rules gave is derived anew, newest first, while nothing new waits.
"""
from __future__ import annotations

import os
import resource
import signal
import sys
import time
import uuid
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, LiteralString, NamedTuple

import psycopg

from assistant.files.jsonline import dumps
from assistant.office import equipment, retention, rounds
from assistant.office.test_document import Unreadable, brief, line, rules, test_of
from assistant.record.chain import Row
from assistant.report.form import text
from assistant.send.piece import TEST, is_practice

AT_ONCE = 16
"""Pieces of one record in one transaction: their round is judged once for all of them."""
LOOKED_AT = 500
"""Of the pieces that wait, so many are looked at, so that the long outbox of one record keeps no other waiting. Ours."""
LABELS = ("job", "mix", "producer", "station", "round", "sample", "ticket", "technician", "meter", "check_of", "comparison")
"""Of a test's header, a column each; the label ``station`` is a place on the site."""


class Waiting(NamedTuple):
    hash: bytes
    test: int
    kind: str
    first: int
    station: uuid.UUID
    received_at: datetime

    def seen(self, test: Mapping[str, Any]) -> datetime:
        """When it was done; a station's clock that is ahead does not make it the newest for years."""
        return min(datetime.fromisoformat(test["started"]), self.received_at)


class Deriver:
    """Derives by the rules of this program, on a connection of its own that is in autocommit mode.

    limit_s  for one replay; 0: none. A process of its own must take its alarm (see ``work``).
    """

    def __init__(self, db: psycopg.Connection[Any], limit_s: float = 0) -> None:
        self.db, self.limit_s, self._newest = db, limit_s, False
        db.execute("INSERT INTO office.derived_by (rules) VALUES (%s) ON CONFLICT DO NOTHING", (rules(),))

    def some(self) -> int:
        """Derive some pieces of one record; how many. 0: nothing waits, or others are at it."""
        # Newest and oldest by turns: what is new is shown at once, and a long queue still comes to its end.
        self._newest = not self._newest
        if done := self._of("derived IS NULL", "DESC" if self._newest else "ASC"):
            return done
        older = self.db.execute("SELECT rules FROM office.derived_by WHERE since < "
                                "(SELECT since FROM office.derived_by WHERE rules = %s) ORDER BY since DESC",
                                (rules(),)).fetchall()
        return next((done for (its,) in older if (done := self._of("derived = %s", "DESC", its))), 0)

    def _of(self, which: LiteralString, order: LiteralString, *values: str) -> int:
        offered: dict[uuid.UUID, list[bytes]] = {}
        for record, digest in self.db.execute(f"SELECT record, hash FROM office.pieces WHERE {which} "
                                              f"ORDER BY received_at {order} LIMIT {LOOKED_AT}", values):
            offered.setdefault(record, []).append(digest)
        for record, hashes in offered.items():
            with self.db.transaction():
                if self.db.execute("SELECT pg_try_advisory_xact_lock(hashtextextended(%s, 22))",
                                   (str(record),)).fetchone() == (True,):
                    taken = [Waiting(*row) for row in self.db.execute(f"""
                        SELECT hash, test, kind, first, station, received_at FROM office.pieces
                        WHERE record = %s AND hash = ANY(%s) AND {which} ORDER BY first""", (record, hashes[:AT_ONCE], *values))]
                    found = self._replayed(record, taken)
                    # Locked only now: taking in waits for no replay. What was replaced meanwhile, a stub by its test, is left
                    # for the next time.
                    same = set(self.db.execute("SELECT hash, received_at FROM office.pieces WHERE record = %s AND hash = ANY(%s) "
                                               "FOR UPDATE SKIP LOCKED", (record, list(found))))
                    if its := [piece for piece in taken if (piece.hash, piece.received_at) in same]:
                        _keep(self.db, record, its, found)
                        return len(its)
        return 0

    def _replayed(self, record: uuid.UUID, pieces: Sequence[Waiting]) -> dict[bytes, Found]:
        rows: dict[bytes, list[Row]] = {piece.hash: [] for piece in pieces}
        number = {piece.hash: piece.test for piece in pieces}
        for piece, seq, wall, boot, body, digest in self.db.execute("""
                SELECT piece, seq, wall, boot, body, encode(hash, 'hex') FROM office.events WHERE record = %s AND piece = ANY(%s)
                ORDER BY piece, seq""", (record, list(number))):
            rows[piece].append(Row(seq, number[piece], wall, boot, body, digest))
        return {piece.hash: self._in_time(piece.test, rows[piece.hash]) if piece.kind == TEST and rows[piece.hash] else None
                for piece in pieces}

    def _in_time(self, number: int, rows: Sequence[Row]) -> Found:
        try:
            signal.setitimer(signal.ITIMER_REAL, self.limit_s)
            return test_of(number, rows)
        except Unreadable as why:
            return str(why)
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)


Found = Mapping[str, Any] | str | None
"""What a replay gives: the test, or why there is none; None: there are no events to replay."""


def _keep(db: psycopg.Connection[Any], record: uuid.UUID, pieces: Sequence[Waiting], found: Mapping[bytes, Found]) -> None:
    """Everything of these pieces anew, in the transaction and under the lock of the record."""
    # A test whose events were let go (the job keeps them so long) stays as it was derived while they were here.
    anew = [piece for piece in pieces if piece.kind != TEST or found[piece.hash] is not None]
    touched = _rounds(db, record, [piece.hash for piece in anew])
    for table in ("tests", "unreadable"):
        db.execute(f"DELETE FROM office.{table} WHERE record = %s AND piece = ANY(%s)", (record, [piece.hash for piece in anew]))
    tests: list[tuple[Waiting, Mapping[str, Any]]] = []
    for piece in anew:
        test = found[piece.hash]
        if isinstance(test, Mapping):
            try:
                with db.transaction():
                    _write(db, record, piece, test)
                tests.append((piece, test))
            except psycopg.OperationalError:
                raise
            except Exception as error:  # such as a letter that PostgreSQL can't keep: it costs this test alone
                test = f"Test {piece.test} can't be kept ({line(error)}): look at its journal with log show."
        if isinstance(test, str):
            db.execute("INSERT INTO office.unreadable (record, piece, why) VALUES (%s, %s, %s)", (record, piece.hash, test))
    touched |= _two_histories(db, record, {piece.test for piece in anew})
    touched |= _rounds(db, record, [piece.hash for piece, _ in tests]) | _around(db, record, [piece.first for piece in pieces])
    rounds.refresh(db, record, touched - {""})
    db.execute("UPDATE office.pieces SET derived = %s WHERE record = %s AND hash = ANY(%s)",
               (rules(), record, [piece.hash for piece in pieces]))
    _latest(db, record, tests)


def _write(db: psycopg.Connection[Any], record: uuid.UUID, piece: Waiting, test: Mapping[str, Any]) -> None:
    labels = {key: text(test.get(key)) for key in LABELS}
    db.execute("""
        INSERT INTO office.tests (record, piece, station, number, first, method, title, started, day, outcome, verdict, why,
            job, mix, producer, place, round, sample, ticket, technician, meter, check_of, comparison, practice, another_history,
            document, brief, rules, seen)
        VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, false,
            %s, %s, %s, %s)""", (
        record, piece.hash, piece.station, piece.test, piece.first, test["test"], test["title"], test["started"],
        test["started"][:10], test["outcome"], test["verdict"], test["why"], *labels.values(), is_practice(test), dumps(test),
        dumps(brief(test)), rules(), piece.seen(test)))
    for check in equipment.checks(test):
        if not is_practice(test):
            db.execute("""
                INSERT INTO office.meter_checks (record, piece, meter, at, day, name, value, unit, verdict, tells, good_until)
                VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)""", (
                record, piece.hash, labels["meter"], piece.seen(test), test["started"][:10], *check))
    for insert in _LISTS:
        db.execute(insert, (record, piece.hash))


_LISTS: Sequence[LiteralString] = ("""
    INSERT INTO office.readings (record, piece, position, id, value, time_of_day, unit, taken, source, withdrawn)
    SELECT record, piece, position - 1, one ->> 'id', CASE WHEN timed THEN NULL ELSE (one ->> 'value')::numeric END,
           CASE WHEN timed THEN one ->> 'value' ELSE '' END, one ->> 'unit', NULLIF(one ->> 'taken', '')::timestamptz,
           one ->> 'source', one ->> 'withdrawn'
    FROM office.tests, jsonb_array_elements(document -> 'readings') WITH ORDINALITY AS each (one, position),
         LATERAL (SELECT jsonb_typeof(one -> 'value') = 'string' AS timed) kind
    WHERE record = %s AND piece = %s""", """
    INSERT INTO office.results (record, piece, position, name, value, rounded, unit, verdict, low, high, standing, remark)
    SELECT record, piece, position - 1, one ->> 'name', (one ->> 'value')::numeric, (one ->> 'rounded')::numeric, one ->> 'unit',
           one ->> 'verdict', (one -> 'limits' ->> 0)::numeric, (one -> 'limits' ->> 1)::numeric, one ->> 'standing',
           one ->> 'remark'
    FROM office.tests, jsonb_array_elements(document -> 'results') WITH ORDINALITY AS each (one, position)
    WHERE record = %s AND piece = %s""")
"""Readings and results are what the document has: no digit is written twice."""


def _rounds(db: psycopg.Connection[Any], record: uuid.UUID, pieces: Sequence[bytes]) -> set[str]:
    """Those that these pieces belong to."""
    return {name for name, in db.execute("SELECT DISTINCT round FROM office.tests WHERE record = %s AND piece = ANY(%s)",
                                         (record, pieces))}


def _two_histories(db: psycopg.Connection[Any], record: uuid.UUID, numbers: Iterable[int]) -> set[str]:
    """Mark tests whose number another test of the record has too; the rounds of those that were not marked before."""
    return {name for name, in db.execute("""
        UPDATE office.tests t SET another_history = true
        WHERE record = %s AND number = ANY(%s) AND NOT another_history AND EXISTS (
            SELECT FROM office.tests other WHERE other.record = t.record AND other.number = t.number AND other.piece <> t.piece)
        RETURNING round""", (record, list(numbers)))}


def _around(db: psycopg.Connection[Any], record: uuid.UUID, firsts: Sequence[int]) -> set[str]:
    """Rounds of two histories that these pieces lie in: by them it is known which of its tests are of one history."""
    return {name for name, in db.execute("""
        SELECT round FROM office.tests WHERE record = %s AND round IN (
            SELECT round FROM office.tests WHERE record = %s AND another_history)
        GROUP BY round HAVING min(first) < %s AND max(first) > %s""", (record, record, max(firsts), min(firsts)))}


def _latest(db: psycopg.Connection[Any], record: uuid.UUID, tests: Sequence[tuple[Waiting, Mapping[str, Any]]]) -> None:
    """The newest of each job, meter and thing, in one order for everybody; last, since others may wait for the same."""
    seen: dict[tuple[str, ...], tuple[Any, ...]] = {}
    for piece, test in sorted(tests, key=lambda each: each[0].first):
        if not is_practice(test):
            where = piece.seen(test), piece.station, record, piece.hash
            if job := text(test.get("job")):
                seen["jobs", job] = piece.seen(test), dumps(test["settings"])
            if meter := text(test.get("meter")):
                seen["meters", meter] = where
            for thing in equipment.things(test):
                seen["things", thing.kind, thing.name] = *where, thing.good_until, thing.told
    for (table, *key), values in sorted(seen.items(), key=lambda each: each[0]):
        db.execute(_NEWEST[table], (*key, *values))


_NEWEST: Mapping[str, LiteralString] = {
    "jobs": """
        INSERT INTO office.jobs AS old (name, seen, settings) VALUES (%s, %s, %s) ON CONFLICT (name) DO UPDATE
        SET (seen, settings) = (excluded.seen, excluded.settings) WHERE old.seen IS NULL OR old.seen <= excluded.seen""",
    "meters": """
        INSERT INTO office.meters AS old (name, seen, station, record, piece) VALUES (%s, %s, %s, %s, %s)
        ON CONFLICT (name) DO UPDATE
        SET (seen, station, record, piece) = (excluded.seen, excluded.station, excluded.record, excluded.piece)
        WHERE old.seen <= excluded.seen""",
    "things": """
        INSERT INTO office.equipment AS old (kind, name, seen, station, record, piece, good_until, told)
        VALUES (%s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT (kind, name) DO UPDATE
        SET (seen, station, record, piece, good_until, told) =
            (excluded.seen, excluded.station, excluded.record, excluded.piece, excluded.good_until, excluded.told)
        WHERE old.seen <= excluded.seen"""}


# --- a process ----------------------------------------------------------------------------------------------------------------

CHANNEL = "pieces"
"""Rung by whoever takes pieces in."""
POLL_S = 2.0
"""For what came unheard: while no connection stood, or its database was another's copy."""
AWAY_S = 1.0
"""Before a database that went away is asked again."""
NICE = 5
TOO_LONG_S, TOO_MUCH = 60, 2 * 2**30
"""Of one process: seconds for one replay (it takes 0.006, a leak hold by wire 0.04), and bytes of memory. A piece that a
replay takes more for is unreadable, and the process goes on. Ours."""


def work(url: str) -> None:
    """Derive what comes, until the process is ended, whatever becomes of the database meanwhile."""
    os.nice(NICE)
    resource.setrlimit(resource.RLIMIT_AS, (TOO_MUCH, resource.getrlimit(resource.RLIMIT_AS)[1]))
    signal.signal(signal.SIGALRM, _too_long)
    while True:
        try:
            with psycopg.connect(url, autocommit=True, connect_timeout=10, application_name="bowlside derive") as db:
                db.execute(f"LISTEN {CHANNEL}")
                deriver, due = Deriver(db, TOO_LONG_S), 0.0
                while True:
                    if time.monotonic() >= due:
                        retention.let_go(db)
                        due = time.monotonic() + retention.EVERY_S
                    if deriver.some():
                        continue
                    for _ in db.notifies(timeout=POLL_S, stop_after=1):
                        pass
        except (psycopg.OperationalError, psycopg.InterfaceError) as error:    # also a deadlock: it is begun anew
            print(f"bowlside: the database does not answer ({line(error)}); it is tried again.",
                  file=sys.stderr, flush=True)
            time.sleep(AWAY_S)


def _too_long(*_: object) -> None:
    raise TimeoutError(f"it takes longer than {TOO_LONG_S} seconds")
