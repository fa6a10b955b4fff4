"""Pieces of made journals, put into the tables as taking in leaves them, and derived."""
from __future__ import annotations

import uuid
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import psycopg

from assistant.office.derive import Deriver
from assistant.record import kept, summary
from assistant.record.journal import Journal
from assistant.send import piece as sent
from tests.office import made

RECORD = uuid.UUID("3d6ff1c2-5d5c-4e0d-9b4f-2f1f6e7c9a10")


def pieces_of(folder: Path) -> list[sent.Piece]:
    """Each test of a journal, also one that would stay at its station."""
    return made.pieces(folder, whole=True)


def summaries(folder: Path) -> list[dict[str, Any]]:
    with Journal(folder, write=False) as journal:
        return [kept.plain(summary.of(journal, test)) for test in journal.tests()]


def put(db: psycopg.Connection[Any], pieces: Sequence[sent.Piece], record: uuid.UUID = RECORD, name: str = "Rig 1") -> None:
    """As taking in leaves them."""
    db.execute("INSERT INTO office.stations (name, key_hash) VALUES (%s, sha256(%s::text::bytea)) ON CONFLICT DO NOTHING",
               (name, name))
    station, = db.execute("SELECT id FROM office.stations WHERE name = %s", (name,)).fetchone() or ()
    db.execute("INSERT INTO office.records (id, station) VALUES (%s, %s) ON CONFLICT DO NOTHING", (record, station))
    for each in pieces:
        known = db.execute("SELECT 1 FROM office.pieces WHERE record = %s AND hash = %s",
                           (record, bytes.fromhex(each.before))).fetchone()
        db.execute("""INSERT INTO office.pieces (record, hash, before, test, first, last, station, bytes, gap, kind)
                      VALUES (%s, %s, %s, %s, %s, %s, %s, 1, %s, %s)""", (
            record, bytes.fromhex(each.hash), bytes.fromhex(each.before), each.test, each.first, each.last, station,
            known is None and each.first > 1, each.kind))
        db.execute("UPDATE office.pieces SET gap = false WHERE record = %s AND before = %s", (record, bytes.fromhex(each.hash)))
        put_events(db, each, record)


def put_events(db: psycopg.Connection[Any], piece: sent.Piece, record: uuid.UUID = RECORD) -> None:
    with db.cursor() as cursor:
        cursor.executemany("INSERT INTO office.events (record, piece, seq, wall, boot, body, hash) "
                           "VALUES (%s, %s, %s, %s, %s, %s, %s)", [
                               (record, bytes.fromhex(piece.hash), seq, wall, boot, body, bytes.fromhex(digest))
                               for seq, wall, boot, body, digest in piece.rows])


def derive(db: psycopg.Connection[Any]) -> int:
    deriver, count = Deriver(db), 0
    while done := deriver.some():
        count += done
    return count
