"""Pieces into the office's tables: all of a request in one transaction, each piece for itself, the same one twice is one.

A piece is known by (record, hash). What stands in place of a test (withheld, lost, damaged) gives way to the test when that
comes, never the other way. What a piece follows may come later, or never: until then it has a gap, by which it is asked for.
Order is that of the hashes; a station's clock is a label.

A station's row is locked first, so its requests go one by one over all instances, and a record belongs to one station: no request
waits for another while it holds what that one wants.
"""
from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import datetime, timezone
from shlex import quote
from typing import Any

import psycopg
from psycopg import Connection, errors

from assistant.core.events import KINDS, TestStarted
from assistant.files import plain
from assistant.files.version import version
from assistant.office import stations
from assistant.office.refused import Refused
from assistant.office.stations import Station
from assistant.send import piece as pieces
from assistant.send.piece import DAMAGED, LOST, TEST, WITHHELD, Piece, Wrong

WORTH = (DAMAGED, LOST, WITHHELD, TEST)
"""Of two with one hash the later in this list stays."""
MOST_TOLD = 1000
"""Refusals kept for a station, and hashes asked for at once."""
MOST_OFFERED = 100_000
MOST_PARTS = 1_000_000
"""Commas and opening brackets of a request. Real pieces have one in 22 bytes, 760,000 in the largest request. 16 MiB of brackets
would take 4.8 s and 400 MiB to be read, and all else in the process would wait for that; so it is 0.5 s at worst."""
TRIES = 5
"""Of a transaction that PostgreSQL broke off in favour of another."""
WAIT = "10s"
"""For another request of the same station."""
FULL = "This office is busy with another request of this station: the same is sent again by itself."
KNOWS = f"{version()} " + hashlib.sha256(repr(sorted(
    (name, [each.name for each in fields(kind)]) for name, kind in KINDS.items())).encode()).hexdigest()[:12]
"""This program, and the events that it knows: what it refused, an office that knows others asks for again."""

PUT = """
INSERT INTO office.pieces AS p (record, hash, before, test, first, last, station, bytes, kind, gap)
VALUES (%(record)s, %(hash)s, %(before)s, %(test)s, %(first)s, %(last)s, %(station)s, %(bytes)s, %(kind)s,
        %(first)s::int8 > 1 AND NOT EXISTS (SELECT FROM office.pieces q WHERE q.record = %(record)s AND q.hash = %(before)s))
ON CONFLICT (record, hash) DO UPDATE SET before = excluded.before, test = excluded.test, first = excluded.first,
    last = excluded.last, station = excluded.station, bytes = excluded.bytes, kind = excluded.kind, gap = excluded.gap,
    received_at = excluded.received_at, derived = NULL
WHERE array_position(%(worth)s, p.kind) < array_position(%(worth)s, excluded.kind)
RETURNING xmax = 0
"""
"""No row: it is here. True: it is new. False: it took a stub's place."""
CLOSE = "UPDATE office.pieces SET gap = false WHERE record = %(record)s AND before = %(hash)s AND gap"
CLEAR = "DELETE FROM office.events WHERE record = %(record)s AND piece = %(hash)s"
COPY = "COPY office.events (record, seq, piece, hash, wall, boot, body) FROM STDIN (FORMAT BINARY)"
NOTE = """
INSERT INTO office.refusals AS r (station, hash, why, program)
SELECT %(station)s, %(hash)s, %(why)s, %(knows)s
WHERE (SELECT count(*) FROM office.refusals WHERE station = %(station)s) < %(most)s
ON CONFLICT (station, hash, why) DO UPDATE SET times = r.times + 1, at = excluded.at, program = excluded.program
"""
_ASKED_FOR = """NOT EXISTS (
    SELECT FROM office.refusals r WHERE r.station = %(station)s AND r.hash = l.hash AND r.program = %(knows)s)"""
"""What this program refused, it would refuse again."""
LACKS = f"""
SELECT hash FROM (
    SELECT before AS hash FROM office.pieces WHERE record = %(record)s AND gap
    UNION SELECT %(sent)s::bytea WHERE %(sent)s::bytea IS NOT NULL
        AND NOT EXISTS (SELECT FROM office.pieces WHERE record = %(record)s AND hash = %(sent)s)) AS l
WHERE {_ASKED_FOR} LIMIT %(most)s
"""
WANTED = f"""
SELECT hash FROM unnest(%(hashes)s::bytea[]) WITH ORDINALITY AS l (hash, place)
WHERE NOT EXISTS (SELECT FROM office.pieces p WHERE p.record = %(record)s AND p.hash = l.hash AND p.kind IN ('test', 'withheld'))
    AND {_ASKED_FOR} ORDER BY place
"""


@dataclass(frozen=True)
class Delivery:
    """A request, checked as far as it can be without the tables."""
    record: uuid.UUID
    program: str
    newest: tuple[int, bytes] | None
    waiting: int
    sent: bytes | None
    now: float | None
    """By the station's wall clock, seconds since 1970."""
    pieces: tuple[Piece, ...]
    wrong: tuple[tuple[str, str], ...]
    """Hash, empty where none was named, and why it is refused."""


@dataclass(frozen=True)
class Answer:
    committed: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]
    lacks: tuple[str, ...]

    def plain(self) -> dict[str, Any]:
        return {"committed": self.committed, "lacks": self.lacks,
                "refused": [{"hash": digest, "why": why} for digest, why in self.refused]}


def parsed(data: bytes) -> dict[str, Any]:
    """A JSON object. Raises Refused."""
    if sum(map(data.count, (b",", b"[", b"{"))) > MOST_PARTS:
        raise Refused(413, "That request has more parts than its size can need: send fewer pieces at once.")
    try:
        given = json.loads(data.decode())
    except (ValueError, RecursionError):
        given = None
    if not isinstance(given, dict):
        raise Refused(400, "This is no JSON object: upgrade the older of station and office.")
    return given


def read(data: bytes) -> Delivery:
    """A request to take pieces; every hash computed anew. Needs no table, and a core for a while. Raises Refused."""
    given = parsed(data)
    if given.get("form") != pieces.FORM or type(given.get("version")) is not int or given["version"] < 1:
        raise Refused(400, "These are no pieces of a record: upgrade the older of station and office.")
    if given["version"] > pieces.VERSION:
        raise Refused(422, f"These pieces are of form {given['version']}, and this office knows {pieces.VERSION}: upgrade the "
                           "office. They are sent again then.")
    record, several = _record(given), given.get("pieces")
    if not isinstance(several, list):
        raise Refused(400, "The pieces of this request are none: upgrade that station.")
    if len(several) > pieces.MOST_PIECES:
        raise Refused(413, f"More than {pieces.MOST_PIECES} pieces came at once: send fewer.")
    taken, wrong = [], []
    for each in several:
        try:
            taken.append(_sound(pieces.read(each, record), record))
        except Wrong as error:
            named = each.get("hash") if isinstance(each, dict) else None
            wrong.append((str(named) if pieces.is_hash(named) else "", plain.tamed(str(error))[:plain.MOST]))
    return Delivery(record, text(given.get("program")), _newest(given.get("newest")), _count(given.get("waiting")),
                    _hash(given["sent"]) if given.get("sent") else None, _moment(given.get("now")), tuple(taken), tuple(wrong))


def _sound(piece: Piece, record: uuid.UUID) -> Piece:
    """What is seen only once its events are read. Raises Wrong."""
    where = f"Test {piece.test} of record {record}"
    if piece.before == piece.hash:
        raise Wrong(f"{where} follows itself: look at its journal with log verify.")
    if piece.kind == TEST:
        if not isinstance(piece.events()[0], TestStarted):
            raise Wrong(f"{where} lacks its beginning: look at its journal with log verify.")
    return piece


def take(db: Connection, key: str, delivery: Delivery) -> Answer:
    """Commits, and only then answers. Raises Refused: nothing was taken; psycopg.Error: nobody knows, it is to be sent again."""
    for left in reversed(range(TRIES)):
        try:
            with db.transaction():
                answer = _taken(db, key, delivery)
            break
        except (errors.SerializationFailure, errors.DeadlockDetected):
            if not left:
                raise
        except errors.LockNotAvailable:
            raise Refused(503, FULL, 5) from None
    if answer.committed:
        with suppress(psycopg.Error):   # apart: a transaction that notifies makes all others wait until it is on the disk
            db.execute("NOTIFY pieces")
            db.commit()
    return answer


@dataclass(frozen=True)
class Offer:
    record: uuid.UUID
    hashes: tuple[bytes, ...]


def offer(data: bytes) -> Offer:
    """Which pieces a station has. Raises Refused."""
    given = parsed(data)
    several = given.get("pieces")
    if not isinstance(several, list) or len(several) > MOST_OFFERED or not all(map(_is_entry, several)):
        raise Refused(400, "The pieces that this station offers are none: upgrade the older of station and office.")
    return Offer(_record(given), tuple(_hash(each[3]) for each in several))


def wanted(db: Connection, key: str, offer: Offer) -> list[str]:
    """Which of them are to be sent: those that are not here, or only as a stub for what was lost or damaged. Raises Refused."""
    with db.transaction():
        station = stations.known(db, key)
        _must_be_its(db, station, offer.record)
        rows = db.execute(WANTED, {"hashes": list(offer.hashes), "record": offer.record, "station": station.id,
                                   "knows": KNOWS}).fetchall()
    return [row[0].hex() for row in rows]


def refuse(db: Connection, key: str, why: str) -> None:
    """Note that a whole request was refused, if it came with a key of ours, be it a revoked one."""
    with db.transaction():
        if (station := stations.holder(db, key)) is not None:
            _note(db, station, [("", why)])


# --- in one transaction ------------------------------------------------------------------------------------------------------


def _taken(db: Connection, key: str, delivery: Delivery) -> Answer:
    # A database may be set not to wait for its disk; what is answered here is on it.
    db.execute("SELECT set_config('lock_timeout', %s, true), set_config('synchronous_commit', 'on', true)", (WAIT,))
    station = stations.known(db, key, lock=True)
    record, committed, refused = delivery.record, [], list(delivery.wrong)
    unfit = [_unfit(piece, station, record) for piece in delivery.pieces]
    _must_be_its(db, station, record, make=not all(unfit))
    for piece, why in zip(delivery.pieces, unfit):
        if not why:
            try:
                with db.transaction():
                    _put(db, station, record, piece)
                committed.append(piece.hash)
            except (errors.DataError, errors.IntegrityError):
                why = f"Test {piece.test} of record {record} fits no table: look at its journal with log verify."
        if why:
            refused.append((piece.hash, why))
    _note(db, station.id, refused)
    db.execute("UPDATE office.stations SET heard_at = now(), program = %s, waiting = %s, newest_seq = %s, newest_hash = %s, "
               "clock_off_s = %s::float8 - extract(epoch FROM clock_timestamp()) WHERE id = %s",
               (delivery.program, delivery.waiting, *(delivery.newest or (None, None)), delivery.now, station.id))
    return Answer(tuple(committed), tuple(refused), _lacks(db, station, delivery))


def _must_be_its(db: Connection, station: Station, record: uuid.UUID, make: bool = False) -> None:
    """The record stays its own until the transaction ends; ``make``: one that nobody has sent becomes its own. Raises Refused."""
    ask = "SELECT station FROM office.records WHERE id = %s FOR SHARE"
    owner = db.execute(ask, (record,)).fetchone()
    if owner is None and make:
        db.execute("INSERT INTO office.records (id, station) VALUES (%s, %s) ON CONFLICT DO NOTHING", (record, station.id))
        owner = db.execute(ask, (record,)).fetchone()
    if owner is not None and owner[0] != station.id:
        raise Refused(403, f"Record {record} is sent by another station: if {station.name} is to send it from now on, run at the "
                           f"office: bowlside office move {record} {quote(station.name)}.")


def _unfit(piece: Piece, station: Station, record: uuid.UUID) -> str:
    """Why a piece that is sound is not taken; empty: it is."""
    if piece.kind != TEST or pieces.is_practice(piece.header()) == station.practice:
        return ""
    if station.practice:
        return (f"Test {piece.test} of record {record} is no practice, and {station.name} was enrolled to practise: enrol it "
                "under another name for real tests.")
    return f"Test {piece.test} of record {record} is practice, which stays at the station: upgrade that station."


def _put(db: Connection, station: Station, record: uuid.UUID, piece: Piece) -> None:
    its, before = bytes.fromhex(piece.hash), bytes.fromhex(piece.before)
    size = sum(len(text.encode()) for row in piece.rows for text in row[1:4])
    new = db.execute(PUT, {
        "record": record, "hash": its, "before": before, "test": piece.test, "first": piece.first, "last": piece.last,
        "station": station.id, "bytes": size, "kind": piece.kind, "worth": list(WORTH)}).fetchone()
    if new is None:         # it is here
        return
    if new[0]:
        db.execute(CLOSE, {"record": record, "hash": its})
    else:                   # in place of a stub
        db.execute(CLEAR, {"record": record, "hash": its})
    with db.cursor().copy(COPY) as copy:
        copy.set_types(("uuid", "int8", "bytea", "bytea", "text", "text", "text"))
        for seq, wall, boot, body, digest in piece.rows:
            copy.write_row((record, seq, its, bytes.fromhex(digest), wall, boot, body))


def _note(db: Connection, station: uuid.UUID, refused: Sequence[tuple[str, str]]) -> None:
    """Each is told once, and counted after that."""
    for digest, why in refused:
        db.execute(NOTE, {"station": station, "hash": bytes.fromhex(digest), "why": why, "knows": KNOWS,
                          "most": MOST_TOLD})


def _lacks(db: Connection, station: Station, delivery: Delivery) -> tuple[str, ...]:
    """What pieces of this record follow, or the station says to have sent, and is not here; but for what was refused."""
    rows = db.execute(LACKS, {"record": delivery.record, "sent": delivery.sent, "station": station.id, "knows": KNOWS,
                              "most": MOST_TOLD})
    return tuple(row[0].hex() for row in rows)


# --- what a request says -----------------------------------------------------------------------------------------------------


def _is_entry(given: object) -> bool:
    """Test, first, last and hash, of which the hash alone is looked at."""
    return isinstance(given, list) and len(given) == 4


def _hash(given: object) -> bytes:
    if not pieces.is_hash(given):
        raise Refused(400, "A hash of this request is none: upgrade the older of station and office.")
    return bytes.fromhex(str(given))


def _record(given: dict[str, Any]) -> uuid.UUID:
    try:
        record = uuid.UUID(given.get("record"))
    except (ValueError, TypeError, AttributeError):
        record = None
    if record is None or str(record) != given["record"]:
        raise Refused(400, "The record of this request is none: upgrade the older of station and office.")
    return record


def text(given: object) -> str:
    return given[:plain.MOST] if plain.is_line(given) and isinstance(given, str) else ""


def _count(given: object) -> int:
    return given if type(given) is int and 0 <= given < 2**31 else 0


def _newest(given: object) -> tuple[int, bytes] | None:
    """None: there is none yet."""
    if not given or given == [0, ""]:
        return None
    if not isinstance(given, list) or len(given) != 2 or type(given[0]) is not int or not 0 < given[0] < 2**53:
        raise Refused(400, "The newest event of this request is none: upgrade the older of station and office.")
    return given[0], _hash(given[1])


def _moment(given: object) -> float | None:
    """A clock may show anything; what is no time is none."""
    with suppress(ValueError, TypeError):
        moment = datetime.fromisoformat(given)  # type: ignore[arg-type]
        return (moment - datetime.fromtimestamp(0, timezone.utc)).total_seconds()
    return None
