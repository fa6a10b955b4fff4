"""The record: every event of every test, appended, chained by hash, synced to the disk before anybody hears of it.

SQLite in write-ahead mode with full synchronisation. Nothing is ever changed or removed; a test is the fold of its
events, and results and reports are derived from that. Beside it a note of the newest event (assistant/newest.py) shows
when the end is gone.
"""
from __future__ import annotations

import fcntl
import hashlib
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from assistant import newest, private
from assistant.core.events import Event, from_plain, to_plain

SCHEMA = 1
FILE = "journal.db"
SYNC = "FULL"
"""Each commit is synced before it returns. With NORMAL or OFF a power cut loses what was announced; a test shows it."""
FIRST = "0" * 64
"""What stands for the hash before the first event."""


class JournalError(Exception):
    """The record can't be opened, read or written; the message says what, where and what to do."""


class Damaged(JournalError):
    """The file is ours, or was, and can't be read: log recover may still save what is sound."""


@dataclass(frozen=True)
class Row:
    seq: int
    test: int
    wall: str
    """Local time with its offset: a label only."""
    boot: str
    body: str
    hash: str

    def event(self) -> Event:
        return from_plain(json.loads(self.body))

    def expected_hash(self, before: str) -> str:
        return _hash(before, self.seq, self.test, self.wall, self.boot, self.body)


def _hash(before: str, *parts: object) -> str:
    return hashlib.sha256("\n".join(map(str, (before, *parts))).encode()).hexdigest()


SAVE = ("Keep that folder as it is; bowlside log recover NEWDIR saves what is sound into another, "
         "and --journal NEWDIR goes on there.")


def make(folder: Path) -> None:
    """The folder, with its name on the disk: a folder that a power cut takes back would take its files along."""
    if folder.exists():
        folder.mkdir(exist_ok=True)  # raises where a file stands in its place
        return
    make(folder.parent)
    folder.mkdir(private.FOLDER, exist_ok=True)
    private.as_above(folder)
    with suppress(OSError):  # some file systems have no such thing
        above = os.open(folder.parent, os.O_RDONLY)
        try:
            os.fsync(above)
        finally:
            os.close(above)


def _short(error: sqlite3.Error) -> str:
    """SQLite's own words, without the whole text that it could not decode."""
    return str(error).partition(" with text ")[0]


class Journal:
    """One journal folder. ``write=True`` takes it for this process alone.

    Raises JournalError: no such folder, not ours, newer than this program, in use by another station.
    """

    def __init__(self, folder: Path, write: bool = True) -> None:
        self.path = folder / FILE
        self._lock: IO[str] | None = None
        self._note: newest.Note | None = None
        try:
            if write:
                make(folder)
                self._take(folder)
            self._refuse_if_gone()
            if not write and not self.path.exists():
                raise self._nothing()
            if write:
                private.touched(self.path)
            self._db = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode={self._mode(write)}", uri=True,
                                       isolation_level=None)
            self._prepare(write)
        except OSError as error:
            self.close()
            raise JournalError(f"The journal in {folder} can't be opened: {error.strerror}. "
                               "Choose a folder that you may write to with --journal.") from None
        except sqlite3.Error as error:
            self.close()
            raise JournalError(f"The journal {self.path} can't be opened: {error}. Keep that file, "
                               "and name another folder with --journal.") from None
        except JournalError:
            self.close()
            raise

    def _refuse_if_gone(self) -> None:
        """SQLite would begin a new file in its place and throw the log of the old one away."""
        wal = self.path.with_name(f"{FILE}-wal")
        there = self.path.exists() and self.path.stat().st_size
        if not there and (wal.exists() and wal.stat().st_size or (self._read_note() or (0, ""))[0]):
            raise Damaged(f"The journal {self.path} is gone, though it was there. {SAVE}")

    def _nothing(self) -> JournalError:
        return JournalError(f"There is no journal in {self.path.parent}: nothing has been recorded there. "
                            "Name another folder with --journal.")

    def _mode(self, write: bool) -> str:
        """A write-ahead journal is read by help of a file beside it; where none may be made and none is left, without."""
        if write:
            return "rwc"
        closed = not os.access(self.path.parent, os.W_OK, effective_ids=True)
        return "ro&immutable=1" if closed and not self.path.with_name(f"{FILE}-wal").exists() else "ro"

    def _take(self, folder: Path) -> None:
        self._lock = open(folder / "journal.lock", "w", opener=private.opener)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise JournalError(f"Another station is writing the journal in {folder}. Stop it first, "
                               "or name another folder with --journal.") from None

    def _prepare(self, write: bool) -> None:
        version = self._ask("PRAGMA user_version")[0][0]
        if version > SCHEMA:
            raise JournalError(f"The journal {self.path} was written by a newer Bowlside (schema {version}, "
                               f"this one knows {SCHEMA}). Upgrade, or name another folder with --journal.")
        begun = version or self._ask("SELECT COUNT(*) FROM sqlite_master")[0][0]
        if not (write or begun):  # cut off before there was anything
            raise self._nothing()
        if version < SCHEMA and begun:
            raise JournalError(f"The file {self.path} is no journal of Bowlside. Keep that file, "
                               "and name another folder with --journal.")
        if write:
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute(f"PRAGMA synchronous = {SYNC}")
        if write and version < SCHEMA:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.execute("CREATE TABLE IF NOT EXISTS events (seq INTEGER PRIMARY KEY, test INTEGER NOT NULL, "
                             "wall TEXT NOT NULL, boot TEXT NOT NULL, body TEXT NOT NULL, hash TEXT NOT NULL)")
            self._db.execute("CREATE INDEX IF NOT EXISTS by_test ON events (test, seq)")
            self._db.execute(f"PRAGMA user_version = {SCHEMA}")
            self._db.execute("COMMIT")
        self._noted = self._read_note()  # before the newest event is looked up: another process may be writing
        last = self._ask("SELECT seq, hash FROM events ORDER BY seq DESC LIMIT 1")
        self._seq, self._last = last[0] if last else (0, FIRST)
        if not isinstance(self._last, str):  # a damaged byte can turn a text into a blob
            raise Damaged(f"The last event of {self.path} is damaged. {SAVE}")
        if write:
            if (gone := self.end_gone()):
                raise JournalError(f"The journal {self.path} is damaged: {gone[1]}. {SAVE}")
            self._note = newest.Note(self.path.parent)
            self._note.write(self._seq, self._last)

    def _read_note(self) -> tuple[int, str] | None:
        try:
            return newest.read(self.path.parent)
        except ValueError:
            return None  # log verify tells it; the events themselves may all be there

    def end_gone(self) -> tuple[int, str] | None:
        """The first event that the note of the newest one knows and the journal lacks, and what is wrong."""
        if self._noted is None or self._noted[0] == 0:
            return None
        seq, digest = self._noted
        if seq > self._seq:
            return self._seq + 1, f"event {self._seq + 1} is missing: the newest that was recorded is event {seq}"
        if self._at(seq)[1] != digest:
            return seq, f"event {seq} is not the one that was recorded"
        return None

    def _ask(self, sql: str) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(sql).fetchall()
        except sqlite3.Error as error:
            raise Damaged(f"The journal {self.path} can't be read: {_short(error)}. {SAVE}") from None

    def close(self) -> None:
        db = getattr(self, "_db", None)
        if db is not None:
            db.close()
        if self._note is not None:
            self._note.close()
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def __enter__(self) -> "Journal":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def append(self, test: int, event: Event, boot: str = "") -> None:
        """Commit one event. When this returns it is on the disk. Raises JournalError; then nothing was written."""
        body = json.dumps(to_plain(event), sort_keys=True, separators=(",", ":"), default=str)
        wall = datetime.now().astimezone().isoformat(timespec="milliseconds")
        seq = self._seq + 1
        digest = _hash(self._last, seq, test, wall, boot, body)
        try:
            self._db.execute("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)", (seq, test, wall, boot, body, digest))
        except sqlite3.Error as error:
            raise JournalError(f"Not recorded: {error}. Make room on the disk or mend it, then say it again; "
                               "everything recorded before is safe.") from None
        self._seq, self._last = seq, digest
        if self._note is not None:
            self._note.write(seq, digest)

    def begin_with(self, rows: Iterable[Row]) -> None:
        """Put the first events of another journal into this empty one, as they are, all or none. Raises JournalError."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            for row in rows:
                self._db.execute("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)",
                                 (row.seq, row.test, row.wall, row.boot, row.body, row.hash))
                self._seq, self._last = row.seq, row.hash
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            raise JournalError(f"Nothing was written into {self.path}: {error}. Make room, or name another folder.") from None
        if self._note is not None:
            self._note.write(self._seq, self._last)

    def new_test(self) -> int:
        return self.last_test() + 1

    def last_test(self) -> int:
        """Number of the newest test; 0 if there is none."""
        newest = self._ask("SELECT test FROM events NOT INDEXED ORDER BY seq DESC LIMIT 1")
        return newest[0][0] if newest else 0

    def rows(self, test: int | None = None) -> Iterator[Row]:
        """The events in order, of one test or of all. Raises JournalError if the file is damaged."""
        where, values = ("", ()) if test is None else ("WHERE test = ?", (test,))
        try:
            for row in self._db.execute(f"SELECT seq, test, wall, boot, body, hash FROM events {where} ORDER BY seq",
                                        values):
                yield Row(*row)
        except sqlite3.Error as error:
            raise JournalError(f"The journal {self.path} can't be read any further: {_short(error)}. "
                               "Keep the file as it is; log verify shows up to where it is sound.") from None

    def events(self, test: int) -> list[Event]:
        """Raises JournalError naming the first row that is lost, changed, or no event of ours: no state is made of those."""
        found: list[Event] = []
        seq, before = 0, FIRST
        for row in self.rows(test):
            if not found:
                seq = row.seq - 1
                owner, before = self._at(seq)
                if seq and owner in (0, test):
                    raise self._untrusted(test, seq, "is missing")
            if row.seq != seq + 1:
                raise self._untrusted(test, seq + 1, "is missing")
            if row.hash != row.expected_hash(before):
                raise self._untrusted(test, row.seq, "was changed after it was recorded")
            seq, before = row.seq, row.hash
            try:
                found.append(row.event())
            except (ValueError, TypeError, KeyError, AttributeError, ArithmeticError, RecursionError) as error:
                raise self._untrusted(test, row.seq, f"is no event of ours ({error})") from None
        if found and seq < self._seq and self._at(seq + 1)[0] in (0, test):
            raise self._untrusted(test, seq + 1, "is missing")
        if found and seq == self._seq and (gone := self.end_gone()):
            raise self._untrusted(test, gone[0], "is missing" if gone[0] > seq else "is not the one that was recorded")
        return found

    def _at(self, seq: int) -> tuple[int, str]:
        """Test and hash of one event, found by its number alone; (0, the chain's start) where there is none."""
        found = self._ask(f"SELECT test, hash FROM events NOT INDEXED WHERE seq = {seq}")
        return found[0] if found else (0, FIRST)

    def _untrusted(self, test: int, seq: int, how: str) -> JournalError:
        return JournalError(f"Event {seq} in {self.path} {how}, so test {test} can't be trusted. {SAVE}")

    def tests(self) -> list[int]:
        return [row[0] for row in self._ask("SELECT DISTINCT test FROM events ORDER BY test")]

    def first_bad(self) -> tuple[int, str] | None:
        """Walk the whole chain: None if it is sound, else the number of the first bad event and what is wrong."""
        before, expected, tests = FIRST, 1, set()
        try:
            for row in self.rows():
                if row.seq != expected:
                    return expected, f"event {expected} is missing"
                if row.hash != row.expected_hash(before):
                    return row.seq, f"event {row.seq} (test {row.test}) was changed after it was recorded"
                before, expected = row.hash, row.seq + 1
                tests.add(row.test)
        except JournalError as error:
            return expected, str(error)
        if (gone := self.end_gone()):
            return gone
        damage = self._damage(tests)
        return (expected, f"the file is damaged, though every event is sound: {damage}") if damage else None

    def _damage(self, tests: set[int]) -> str:
        """What is wrong beside the events themselves, above all in the index by which each test is found."""
        try:
            newest.read(self.path.parent)
            if (found := self._ask("PRAGMA integrity_check(1)")[0][0]) != "ok":
                return str(found)
            if set(self.tests()) != tests:
                return "its index names other tests than its events"
            for test in tests:
                self.events(test)
        except (JournalError, ValueError) as error:
            return str(error)
        return ""

    def count(self) -> int:
        return self._ask("SELECT COUNT(*) FROM events")[0][0]
