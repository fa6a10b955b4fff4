"""Many stations of our own: journals copied from a real one under other identities, sent by the real sender, compared event by event."""
from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from uuid import UUID

import psycopg

from assistant.record import identity
from assistant.record.chain import Row
from assistant.record.journal import Journal
from assistant.send.office_link import Link
from assistant.send.place import Sent
from assistant.send.sender import Sender, begun
from tests.office import made

HURRY = 30.0
"""So many times faster than a real one does a sender here wait before it tries again."""


def template(folder: Path, seed: int = 0) -> list[Row]:
    """The events of a day: a whole round and a sequential test."""
    made.whole_round(folder, seed=seed)
    made.journal(folder, tests=1, seed=seed, day=made.DAY + timedelta(hours=2))
    with Journal(folder, write=False) as journal:
        return list(journal.rows())


def grow(journal: Journal, rows: Sequence[Row], years: int = 0) -> None:
    """These tests once more at the end of that journal, each linked to the one before. ``years``: how far its clock is off."""
    seq, test, before = journal.last_event, journal.new_test() - 1, _last(journal)
    begun_, copied = 0, []
    for row in rows:
        begins = row.test != begun_
        test, begun_ = test + begins, row.test
        seq += 1
        copy = Row(seq, test, _moved(row.wall, years), row.boot, row.body, "", before if begins else None)
        copy = replace(copy, hash=copy.expected_hash(before))
        before = copy.hash
        copied.append(copy)
    journal.begin_with(copied)


def _last(journal: Journal) -> str:
    last = journal.ask("SELECT hash FROM events ORDER BY seq DESC LIMIT 1")
    return str(last[0][0]) if last else identity.origin(journal.identity)


def _moved(wall: str, years: int) -> str:
    return (datetime.fromisoformat(wall) + timedelta(days=365 * years)).isoformat(timespec="milliseconds") if years else wall


def station(folder: Path, rows: Sequence[Row], years: int = 0) -> UUID:
    with Journal(folder) as journal:
        grow(journal, rows, years)
        return journal.identity


def digest(rows: Iterator[tuple[int, str, str, str, str]]) -> str:
    """Of number, wall, boot, body and hash of each event, in their order."""
    whole = hashlib.sha256()
    for row in rows:
        whole.update(repr(tuple(row)).encode())
    return whole.hexdigest()


def of_journal(folder: Path, up_to: int = 2**62) -> str:
    with Journal(folder, write=False) as journal:
        return digest((row.seq, row.wall, row.boot, row.body, row.hash) for row in journal.between(1, up_to))


def of_office(db: psycopg.Connection, record: UUID) -> str:
    with db.cursor(name="events") as cursor:
        cursor.execute("SELECT seq, wall, boot, body, encode(hash, 'hex') FROM office.events WHERE record = %s ORDER BY seq, hash", (record,))
        return digest(iter(cursor))


def enrol(journal: Path, address: str, authority: Path, code: str) -> None:
    link = Link(address, authority=authority)
    office, key = link.enrol(code)
    link.close()
    sent = Sent(journal)
    sent.room()
    sent.enrol(office, key, authority.read_bytes())


def sender(journal: Path) -> Sender:
    """The real one, in a hurry."""
    its = begun(Sent(journal), journal, tell=lambda words: None)
    its._clock = lambda: time.monotonic() * HURRY
    return its


def send_all(its: Sender, within_s: float = 600.0, wait: Callable[[float], None] = time.sleep) -> None:
    """Until the office has all."""
    until = time.monotonic() + within_s
    while not (its._offered and not its.waiting):
        if time.monotonic() > until:
            raise TimeoutError(f"{its.sent.path}: {len(its.waiting)} pieces wait after {within_s:.0f} s: {its.trouble}")
        its.turn()
        if its.trouble:
            wait(0.05)
