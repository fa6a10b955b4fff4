"""The record: every event of every test, appended, chained by hash, synced to the disk before anybody hears of it.

SQLite in write-ahead mode with full synchronisation. Nothing is ever changed or removed; a test is the fold of its
events, and results and reports are derived from that. Beside it a note of the newest event (assistant/record/newest_event.py) shows
when the end is gone.

How events are linked, and what damage is: assistant/record/chain.py. Which record it is: assistant/record/identity.py. Schema 1 lacks
the column ``before``, and schema 2 the table ``record``: they are added when such a journal is first opened for writing, in one
transaction.
"""
from __future__ import annotations

import fcntl
import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import IO, Any
from uuid import UUID

from assistant.core.events import Event, to_plain
from assistant.files import owner_only
from assistant.record import chain, identity, newest_event
from assistant.record.chain import FIRST, Broken, Finding, JournalError, Row, Span
from assistant.record.kept import Kept

SCHEMA = 3
FILE = "journal.db"
SYNC = "FULL"
"""Each commit is synced before it returns. With NORMAL or OFF a power cut loses what was announced; a test shows it."""
_NEWER = range(SCHEMA + 1, 256)
"""Schemas that a newer program may have written; a larger number is a damaged header."""


class Damaged(JournalError):
    """The file is ours, or was, and can't be read: log recover may still save what is sound."""


SAVE = ("Keep that folder as it is; bowlside log recover NEWDIR saves what is sound into another, "
         "and --journal NEWDIR goes on there.")


def make(folder: Path) -> None:
    """The folder, with its name on the disk: a folder that a power cut takes back would take its files along."""
    if folder.exists():
        folder.mkdir(exist_ok=True)  # raises where a file stands in its place
        return
    make(folder.parent)
    folder.mkdir(owner_only.FOLDER, exist_ok=True)
    owner_only.as_above(folder)
    owner_only.on_disk(folder.parent)


def refuse_newer(version: int, path: Path) -> None:
    if version in _NEWER:
        raise JournalError(f"The journal {path} was written by a newer Bowlside (schema {version}, "
                           f"this one knows {SCHEMA}). Upgrade, or name another folder with --journal.")


def _short(error: sqlite3.Error) -> str:
    """SQLite's own words, without the whole text that it could not decode."""
    return str(error).partition(" with text ")[0]


class Journal:
    """One journal folder. ``write=True`` takes it for this process alone, and checks all of it first.

    Raises JournalError: no such folder, not ours, newer than this program, in use by another station, damaged so that nothing
    may be added.

    wall    the clock that every event is labelled with; a rehearsal may put its own in its place
    record  the identity of a new journal that takes the place of another; a new one of its own where it is left out
    """

    damage = ""
    """After opening for writing: a sentence on the damage in tests that are over; empty: every event is sound."""

    def __init__(self, folder: Path, write: bool = True, record: UUID | None = None) -> None:
        self.path = folder / FILE
        self.wall: Callable[[], datetime] = lambda: datetime.now().astimezone()
        self._lock: IO[str] | None = None
        self._note: newest_event.Note | None = None
        try:
            owner_only.plain(*(folder / name for name in (FILE, f"{FILE}-wal", f"{FILE}-shm", "journal.lock", newest_event.FILE)))
            if write:
                make(folder)
                self._take(folder)
            self._refuse_if_gone()
            if not write and not self.path.exists():
                raise self._nothing()
            if write:
                owner_only.touched(self.path)
            self._db = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode={self._mode(write)}", uri=True,
                                       isolation_level=None)
            self._prepare(write, record)
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
        self._lock = open(folder / "journal.lock", "w", opener=owner_only.opener)
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise JournalError(f"Another station is writing the journal in {folder}. Stop it first, "
                               "or name another folder with --journal.") from None

    def _prepare(self, write: bool, record: UUID | None) -> None:
        self.schema = self.ask("PRAGMA user_version")[0][0]
        refuse_newer(self.schema, self.path)
        begun = self.schema or self.ask("SELECT COUNT(*) FROM sqlite_master")[0][0]
        if not (write or begun):  # cut off before there was anything
            raise self._nothing()
        if self.schema > SCHEMA:
            raise Damaged(f"The journal {self.path} can't be read: its header is damaged. {SAVE}")
        if not self.schema and begun:
            raise JournalError(f"The file {self.path} is no journal of Bowlside. Keep that file, "
                               "and name another folder with --journal.")
        if write:
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute(f"PRAGMA synchronous = {SYNC}")
            if not begun:
                self._upgrade("CREATE TABLE IF NOT EXISTS events (seq INTEGER PRIMARY KEY, test INTEGER NOT NULL, wall TEXT NOT "
                              "NULL, boot TEXT NOT NULL, body TEXT NOT NULL, hash TEXT NOT NULL, before TEXT)",
                              "CREATE INDEX IF NOT EXISTS by_test ON events (test, seq)",
                              *identity.statements(record or identity.new()))
        self._noted = self._read_note()  # before the newest event is looked up: another process may be writing
        last = self.ask("SELECT seq, test, hash FROM events ORDER BY seq DESC LIMIT 1")
        self.last_event, self._test, self._last = last[0] if last else (0, 0, FIRST)
        if not isinstance(self._last, str):  # a damaged byte can turn a text into a blob
            raise Damaged(f"The last event of {self.path} is damaged. {SAVE}")
        if write:
            self._check_before_writing()
            if not last:
                self._last = identity.origin(self.identity)
            self._note = newest_event.Note(self.path.parent)
            self._note.write(self.last_event, self._last)

    def _upgrade(self, *statements: str) -> None:
        """All or nothing, also when it is killed or the power fails."""
        self._db.execute("BEGIN IMMEDIATE")
        for statement in statements:
            self._db.execute(statement)
        self._db.execute(f"PRAGMA user_version = {SCHEMA}")
        self._db.execute("COMMIT")
        self.schema = SCHEMA

    def _check_before_writing(self) -> None:
        """Nothing is added where the end is gone or SQLite's own structure is broken: that could cost more.

        Damage in a test that is over costs that test alone, and is told; whoever goes on with the newest test finds its own."""
        for wrong in (self.end_gone(), *self._structure()):
            if wrong:
                raise Damaged(f"The journal {self.path} is damaged: {wrong.why}. {SAVE}")
        if self.schema < SCHEMA:
            self._keep_a_copy()
            of_schema_1 = ("ALTER TABLE events ADD COLUMN before TEXT",
                           f"UPDATE events SET before = IIF(seq = 1, '{FIRST}', COALESCE((SELECT hash FROM events AS one "
                           "WHERE one.seq = events.seq - 1), '')) WHERE seq IN (SELECT MIN(seq) FROM events GROUP BY test)")
            self._upgrade(*of_schema_1 if self.schema == 1 else (), *identity.statements(self._by_first() or identity.new()))
        with Kept(self.path.parent) as kept:
            findings = [finding for finding in chain.findings(self, kept) if finding.test != self.last_test()]
        if findings:
            self.damage = f"The journal {self.path} is damaged: {chain.told(findings)}. All else is sound, and it goes on. {SAVE}"

    def _keep_a_copy(self) -> None:
        """Of the journal as an older program can read it. Where there is no room for it the upgrade is as safe without."""
        copy = self.path.with_name(f"journal.schema-{self.schema}.db")
        part = copy.with_suffix(".part")
        with suppress(OSError, sqlite3.Error):
            part.unlink(missing_ok=True)
            self._db.execute("VACUUM INTO ?", (str(owner_only.touched(part)),))
            part.replace(copy)

    def _by_first(self) -> UUID | None:
        """The identity of a journal that was begun without one; None before its first event."""
        first = self.ask("SELECT hash FROM events ORDER BY seq LIMIT 1")
        return identity.of_older(str(first[0][0])) if first else None

    @cached_property
    def identity(self) -> UUID:
        """Which record this is, the same in every copy. Raises JournalError: nothing says so."""
        if self.schema > 2:
            kept = [identity.read(row[0]) for row in self.ask("SELECT id FROM record")]
            if len(kept) != 1 or kept[0] is None:
                raise Damaged(f"The journal {self.path} {identity.UNKNOWN}. {SAVE}")
            return kept[0]
        if known := self._by_first():
            return known
        raise JournalError(f"The journal {self.path} has nothing in it yet, so it is no record. Record a test first.")

    def _read_note(self) -> tuple[int, str] | None:
        try:
            return newest_event.read(self.path.parent)
        except ValueError:
            return None  # log verify tells it; the events themselves may all be there

    def end_gone(self) -> Finding | None:
        """The first event that the note of the newest one knows and the journal lacks, and what is wrong."""
        if self._noted is None or self._noted[0] == 0:
            return None
        seq, digest = self._noted
        if seq > self.last_event:
            gone = self.last_event + 1
            return Finding(gone, 0, f"event {gone} is missing: the newest that was recorded is event {seq}")
        if self.ask(f"SELECT hash FROM events WHERE seq = {seq}") != [(digest,)]:
            return Finding(seq, self._test, f"event {seq} is not the one that was recorded")
        return None

    def _structure(self) -> list[Finding]:
        """What is wrong with the file itself, above all with the index by which each test is found."""
        said = " ".join(self.ask("PRAGMA integrity_check(1)")[0][0].replace("*** in database main ***", "").split())
        return [] if said == "ok" else [Finding(self.last_event + 1, 0, f"its structure is damaged: {said.rstrip('.')}")]

    def ask(self, sql: str, *values: int) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(sql, values).fetchall()
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

    # --- writing -----------------------------------------------------------------------------------------------------------

    def append(self, test: int, event: Event, boot: str = "") -> None:
        """Commit one event. When this returns it is on the disk. Raises JournalError; then nothing was written."""
        body = json.dumps(to_plain(event), sort_keys=True, separators=(",", ":"), default=str)
        wall = self.wall().isoformat(timespec="milliseconds")
        row = Row(self.last_event + 1, test, wall, boot, body, "", None if test == self._test else self._last)
        row = replace(row, hash=row.expected_hash(self._last))
        try:
            self._insert(row)
        except sqlite3.Error as error:
            raise JournalError(f"Not recorded: {error}. Make room on the disk or mend it, then say it again; "
                               "everything recorded before is safe.") from None
        if self._note is not None:
            self._note.write(self.last_event, self._last)

    def _insert(self, row: Row) -> None:
        self._db.execute("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?, ?)",
                         (row.seq, row.test, row.wall, row.boot, row.body, row.hash, row.before))
        self.last_event, self._test, self._last = row.seq, row.test, row.hash

    def begin_with(self, rows: Iterable[Row]) -> None:
        """Put the first events of another journal into this empty one, as they are, all or none. Raises JournalError."""
        try:
            self._db.execute("BEGIN IMMEDIATE")
            for row in rows:
                self._insert(row)
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            raise JournalError(f"Nothing was written into {self.path}: {error}. Make room, or name another folder.") from None
        if self._note is not None:
            self._note.write(self.last_event, self._last)

    def new_test(self) -> int:
        return abs(self._test) + 1

    # --- reading -----------------------------------------------------------------------------------------------------------

    def last_test(self) -> int:
        """Number of the newest test; 0 if there is none."""
        last = self.ask("SELECT MAX(test) FROM events")[0][0]
        return max(last or 0, 0)

    def tests(self) -> list[int]:
        return [row[0] for row in self.ask("SELECT DISTINCT test FROM events WHERE test >= 0 ORDER BY test")]

    def count(self) -> int:
        return self.ask("SELECT COUNT(*) FROM events WHERE test >= 0")[0][0]

    def gaps(self) -> list[tuple[int, int]]:
        """First and last of the events that were lost before this journal was recovered."""
        return [(row.begins, row.seq) for row in self._rows("test < 0")]

    def spans(self) -> list[Span]:
        """Where each test lies, and each row that stands for lost events, in their order."""
        tests = self.ask("SELECT test, MIN(seq), MAX(seq) FROM events GROUP BY test HAVING test >= 0")
        lost = self.ask("SELECT test, seq, seq FROM events WHERE test < 0")
        return sorted((Span(*row) for row in (*tests, *lost)), key=lambda span: span.first)

    def rows(self, test: int | None = None) -> Iterator[Row]:
        """The events in order, of one test or of all. Raises JournalError if the file is damaged."""
        return self._rows("TRUE") if test is None else self._rows("test = ?", test)

    def between(self, first: int, last: int = 2**62) -> Iterator[Row]:
        """The same by their numbers."""
        return self._rows("seq BETWEEN ? AND ?", first, last)

    def _rows(self, which: str, *values: int) -> Iterator[Row]:
        before = "before" if self.schema > 1 else "NULL"
        try:
            for row in self._db.execute(f"SELECT seq, test, wall, boot, body, hash, {before} FROM events WHERE {which} "
                                        "ORDER BY seq", values):
                yield Row(*row)
        except sqlite3.Error as error:
            raise JournalError(f"The journal {self.path} can't be read any further: {_short(error)}. "
                               "Keep the file as it is; log verify shows up to where it is sound.") from None

    def events(self, test: int, over: Callable[[Sequence[Event]], bool] = lambda events: False) -> list[Event]:
        """Raises JournalError naming the first row that is lost, changed, or no event of ours: no state is made of those.

        over  whether a test came to its end with these events: then nothing of it is missing, whatever became of what follows
        """
        events: list[Event] = []
        first, last = self.ask("SELECT MIN(seq), MAX(seq) FROM events WHERE test = ?", test)[0]
        if first is None:
            return events
        try:
            for row in (rows := chain.checked(self, Span(test, first, last))):
                try:
                    events.append(row.event())
                except (ValueError, TypeError, KeyError, AttributeError, ArithmeticError, RecursionError) as error:
                    raise Broken(row.seq, f"is no event of ours ({error})") from None
            if (unknown := chain.open_end(self, rows[-1])) and not over(events):
                raise Broken(unknown, "is missing or damaged")
        except Broken as error:
            raise JournalError(f"Event {error.seq} in {self.path} {error}, so test {test} can't be trusted. {SAVE}") from None
        return events

    def first_bad(self) -> tuple[int, str] | None:
        """None if all is sound, else the number of the first bad event and what is wrong."""
        findings = self.findings()
        return (findings[0].seq, findings[0].why) if findings else None

    def findings(self) -> list[Finding]:
        """All damage: to events, and to the file itself."""
        try:
            return chain.findings(self) or self._structure()
        except JournalError as error:
            return [Finding(1, 0, str(error))]
