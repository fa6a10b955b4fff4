"""A piece: what leaves a record for the office. One test whole, or a stub that stands in the chain in place of one.

Every event's hash covers the one before it, so a piece proves itself: from ``before``, the hash that it follows, its rows must lead
to ``hash``. A piece is known by its record and its hash. Sent twice it is one; two that follow the same hash are two histories.
"""
from __future__ import annotations

import json
import re
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from assistant.core.events import Event
from assistant.record import identity
from assistant.record.chain import Row

FORM, VERSION = "bowlside-pieces", 1
TEST, WITHHELD, DAMAGED, LOST = "test", "withheld", "damaged", "lost"
KINDS = (TEST, WITHHELD, DAMAGED, LOST)
"""A test with its events; practice, which never leaves; a test that is damaged; the row that stands for events that were lost."""
MOST_PIECES, MOST_BYTES, MOST_ROWS = 64, 16 * 2**20, 50_000
"""In one request: pieces and bytes; in one piece: rows. A test has some hundred. Ours."""
_HASH = re.compile(r"[0-9a-f]{64}")
_LONGEST = 2**20
"""Letters in one text of a row."""
_LAST_SEQ = 2**53


def is_hash(given: object) -> bool:
    """SHA-256 as a journal writes it."""
    return isinstance(given, str) and bool(_HASH.fullmatch(given))


class Wrong(ValueError):
    """One sentence: what is wrong with a piece, and what to do."""


@dataclass(frozen=True, slots=True)
class Piece:
    kind: str
    test: int
    first: int
    """Number of its first event in the record."""
    last: int
    before: str
    """The hash that it follows."""
    hash: str
    """Of its last event. Of a damaged test: the hash that the next piece follows."""
    rows: tuple[tuple[int, str, str, str, str], ...] = ()
    """Number, wall clock, boot, body and hash of each event; none in a stub."""

    def plain(self) -> dict[str, Any]:
        return asdict(self)

    def journal_rows(self) -> list[Row]:
        """As a journal has them."""
        its = -self.test if self.kind == LOST else self.test
        return [Row(seq, its, wall, boot, body, digest, None if at else self.before)
                for at, (seq, wall, boot, body, digest) in enumerate(self.rows)]

    def events(self) -> list[Event]:
        """Raises Wrong: an event is none that this program knows."""
        events = []
        for row in self.journal_rows():
            try:
                events.append(row.event())
            except (ValueError, TypeError, KeyError, AttributeError, ArithmeticError, RecursionError) as error:
                raise Wrong(f"Event {row.seq} of test {self.test} is none that this office knows ({error}): if the station is "
                            "newer, upgrade the office; it is asked for again.") from None
        return events

    def header(self) -> Mapping[str, Any]:
        """The labels and settings of a test as they were written; empty where it has none."""
        try:
            found = json.loads(self.rows[0][3]).get("header") if self.rows else None
        except (ValueError, AttributeError, RecursionError):
            found = None
        return found if isinstance(found, dict) else {}


def of_rows(kind: str, rows: Sequence[Row], before: str) -> Piece:
    """``rows``: all of one test in their order, checked; ``before``: the hash that the first of them follows."""
    return Piece(kind, abs(rows[0].test), rows[0].begins, rows[-1].seq, before, rows[-1].next,
                 () if kind in (WITHHELD, DAMAGED) else tuple((row.seq, row.wall, row.boot, row.body, row.hash) for row in rows))


def is_practice(header: Mapping[str, Any]) -> bool:
    """Practice and invented tests are no record of any concrete."""
    return bool(header.get("practice") or header.get("invented"))


def read(given: Any, record: uuid.UUID) -> Piece:
    """A piece as it came, checked to the last byte. Raises Wrong."""
    piece = _shaped(given)
    try:
        return _checked(piece, record)
    except Wrong:
        raise
    except (ValueError, KeyError, TypeError, RecursionError):
        raise Wrong(f"Test {piece.test} of record {record} can't be read: look at its journal with log verify.") from None


def _checked(piece: Piece, record: uuid.UUID) -> Piece:
    where = f"Test {piece.test} of record {record}"
    if piece.kind in (WITHHELD, DAMAGED):
        if piece.rows:
            raise Wrong(f"{where} is to stay at the station, and has events: upgrade that station.")
        return piece
    before, seq = piece.before, piece.first
    rows = piece.journal_rows()
    if not rows:
        raise Wrong(f"{where} has no events: look at its journal with log verify.")
    if piece.first == 1 and not identity.begins(record, before, rows[0].hash):
        raise Wrong(f"{where} does not begin that record: it belongs to another. Send it under its own name.")
    if piece.kind == LOST:
        if len(rows) > 1 or not rows[0].follows(before) or rows[0].seq != piece.last or rows[0].next != piece.hash \
                or rows[0].begins != piece.first:
            raise Wrong(f"{where}: what stands for its lost events was changed. Look at its journal with log verify.")
        return piece
    for row in rows:
        if row.seq != seq or not row.follows(before):
            raise Wrong(f"{where}: event {row.seq} was changed after it was recorded. Look at its journal with log verify.")
        before, seq = row.hash, seq + 1
    if seq - 1 != piece.last or before != piece.hash:
        raise Wrong(f"{where} is not whole: it ends with event {seq - 1}, not with {piece.last} as it says. Send it again.")
    return piece


def _shaped(given: Any) -> Piece:
    """Every value of its kind and within its bounds. Raises Wrong."""
    if not isinstance(given, dict) or set(given) != set(Piece.__slots__):
        raise Wrong("A piece lacks a part, or has one that this office does not know: upgrade the older of the two programs.")
    numbers, hashes = [given[key] for key in ("test", "first", "last")], [given["before"], given["hash"]]
    if given["kind"] not in KINDS:
        raise Wrong("A piece is of a kind that this office does not know: upgrade the office.")
    if any(type(number) is not int or not 0 < number < _LAST_SEQ for number in numbers) or given["first"] > given["last"]:
        raise Wrong("The numbers of a piece are none: upgrade that station.")
    if not all(map(is_hash, hashes)):
        raise Wrong("The hashes of a piece are none: upgrade that station.")
    rows = given["rows"]
    if not isinstance(rows, list) or len(rows) > MOST_ROWS or not all(map(_is_row, rows)):
        raise Wrong(f"The events of test {given['test']} are none: look at its journal with log verify.")
    return Piece(given["kind"], given["test"], given["first"], given["last"], given["before"], given["hash"], tuple(map(tuple, rows)))


def _is_row(row: Any) -> bool:
    return (isinstance(row, list) and len(row) == 5 and type(row[0]) is int and 0 < row[0] < _LAST_SEQ
            and all(isinstance(text, str) and len(text) <= _LONGEST and "\0" not in text for text in row[1:])
            and is_hash(row[4]))
