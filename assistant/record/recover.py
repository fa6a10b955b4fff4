"""``bowlside log verify`` and ``log recover``: is the record sound; what of it is, saved into another folder.

The damaged journal is only read, byte for byte, never opened for writing. The hashes decide. An event is true if anywhere in
the journal's files there is a row whose hash follows from the one before it, or from the one that the row itself carries. A test
is saved if all its events are true and it is known where it ended. Of the newest test what is true from its beginning on is
saved, so that it can be gone on with. What lies between is named, and stands in the new journal as lost.
"""
from __future__ import annotations

import argparse
import fcntl
import json
import shutil
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Any
from uuid import UUID

from assistant.core.state import Phase
from assistant.files import owner_only
from assistant.files.jsonline import dumps
from assistant.record import chain, identity, log, newest_event, salvage
from assistant.record.chain import FIRST, Row, lost
from assistant.record.journal import FILE, SAVE, Damaged, Journal, JournalError, refuse_newer
from assistant.record.session import fold


@dataclass(frozen=True)
class Gap:
    """Events that are not saved, and the tests that they belong to as far as that is known."""
    first: int
    last: int
    tests: tuple[int, ...]
    bad: int
    """The first of them that is damaged or gone."""

    def __str__(self) -> str:
        of = f" (test{'s' if len(self.tests) > 1 else ''} {', '.join(map(str, self.tests))})" if self.tests else ""
        which = f"Events {self.first} to {self.last}" if self.last > self.first else f"Event {self.last}"
        return f"{which}{of} {'are' if self.last > self.first else 'is'} not saved: event {self.bad} is damaged or gone."


@dataclass(frozen=True)
class Found:
    """What can be saved, and what can't."""
    rows: list[Row]
    """Of every test that is saved the events, each as it was recorded, and between them what stands for lost ones."""
    gaps: list[Gap]
    newest: int
    """Number of the newest event that there is any sign of."""
    record: UUID
    """Which record it is."""
    renamed: bool = False
    """Nothing says any more which record it was: ``record`` is a new name."""

    @property
    def events(self) -> int:
        return sum(row.test > 0 for row in self.rows)

    @property
    def tests(self) -> list[int]:
        return sorted({row.test for row in self.rows if row.test > 0})

    @property
    def first_bad(self) -> int:
        return self.gaps[0].bad if self.gaps else self.newest + 1


def look(folder: Path) -> Found:
    """What can be saved of the journal there. Raises JournalError: there is none, it can't be read, or it is in use."""
    database, log_ = folder / FILE, folder / f"{FILE}-wal"
    if not database.exists() and not log_.exists():
        raise JournalError(f"There is no journal in {folder}: nothing has been recorded there. "
                           "Name another folder with --journal.")
    try:
        owner_only.plain(database, log_, folder / "journal.lock", folder / newest_event.FILE)
        _in_use(folder)
        both = [each.read_bytes() if each.exists() else b"" for each in (database, log_)]
    except OSError as error:
        raise JournalError(f"The journal in {folder} can't be read: {error.strerror}. Mend what holds it, or copy the folder "
                           "elsewhere, then try again.") from None
    refuse_newer(salvage.schema(*both), database)
    there: defaultdict[int, list[Row]] = defaultdict(list)
    for row in salvage.rows(*both):
        if row not in there[row.seq]:
            there[row.seq].append(row)
    true, named = _true(there), [record for data in both for record in identity.all_in(data)]
    record = _record(named, true, there)
    try:
        noted = newest_event.read(folder)
    except ValueError:
        noted = None
    newest = max(true[-1].seq if true else 0, noted[0] if noted else 0)
    return replace(_whole(true, newest, record), renamed=record not in named and salvage.schema(*both) not in (1, 2))


def _record(named: Sequence[UUID], true: Sequence[Row], there: Mapping[int, Sequence[Row]]) -> UUID:
    """Which of the names is this record's is for its first event to say; where there is no name, its first event gives one."""
    sound = [row for row in true[:1] if row.begins == 1]
    for record in named:
        if any(identity.begins(record, row.before, row.hash)
               for row in sound or (row for rows in there.values() for row in rows if row.before)):
            return record
    if named and not sound:
        return named[0]
    first = next(iter((*sound, *there.get(1, ()), *true)), None)
    return identity.of_older(first.hash) if first else identity.new()


def _true(there: Mapping[int, Sequence[Row]]) -> list[Row]:
    """The true ones in their order, first ones of a test with the hash that they follow."""
    true: list[Row] = []
    for seq in sorted(there):
        ahead = {FIRST} if seq == 1 else {row.hash for row in there.get(seq - 1, ())}
        for row in there[seq]:
            before = next((digest for digest in ({row.before} if row.before else ahead) if row.follows(digest)), None)
            if before is not None:
                true.append(row if row.before or not _starts(row) else replace(row, before=before))
                break
    return true


def _starts(row: Row) -> bool:
    """Schema 1 has no other sign of a test's beginning."""
    return json.loads(row.body).get("kind") == "TestStarted"


def _whole(true: Sequence[Row], last: int, record: UUID) -> Found:
    """Of the true events the tests that are whole, and the beginning of the newest; ``last``: the newest event."""
    groups = [list(group) for _, group in groupby(true, lambda row: row.test if row.test > 0 else -row.seq)]
    there, rows, gaps = {row.seq for row in true}, list[Row](), list[Gap]()
    skipped: list[int] = []  # tests since the last one that is saved

    def gap(until: int, test: int, following: str | None, row: bool = True) -> None:
        if (first := rows[-1].seq + 1 if rows else 1) <= until:
            bad = next((seq for seq in range(first, until + 1) if seq not in there), until)
            gaps.append(Gap(first, until, tuple(skipped), bad))
            if row:
                rows.append(lost(first, until, test, rows[-1].hash if rows else identity.origin(record), following))

    for group, after in zip(groups, (*groups[1:], None)):
        sound = list(_unbroken(group))
        if not sound or after and (len(sound) < len(group) or after[0].before != sound[-1].next and not _over(sound)):
            skipped.append(group[0].test)
            continue
        # where nothing at all is left of what was ahead, its number is the one before (0 would be no lost test)
        gap(sound[0].begins - 1, max(abs(rows[-1].test) if rows else sound[0].test - 1, *skipped, 1), sound[0].before)
        rows += sound
        skipped = []
    if rows:
        newest_test = abs(rows[-1].test)
        another = bool(skipped) or _over([row for row in rows if row.test == newest_test])
        skipped = skipped or [newest_test] * (not another)
        gap(last, max(newest_test + 1, *skipped, 0), None, row=another)  # a lost test keeps its number
    return Found(rows, gaps, last, record)


def _unbroken(group: Sequence[Row]) -> Iterator[Row]:
    """Of one test the events up to the first that is missing; none if its beginning is."""
    if group[0].before is not None:
        yield from (row for at, row in enumerate(group) if row.seq == group[0].seq + at)


def _over(rows: Sequence[Row]) -> bool:
    """Whether these events bring a test to its end; what came after it then belongs to another."""
    try:
        return not rows or rows[-1].test < 0 or fold(row.event() for row in rows).phase is Phase.OVER
    except Exception:
        return False


def _in_use(folder: Path) -> None:
    lock = folder / "journal.lock"
    if lock.exists():
        with open(lock) as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                raise JournalError(f"A station is writing the journal in {folder}. Stop it first.") from None


def save(saved: Found, old: Path, new: Path) -> None:
    """A new journal of what was found, with the other files of the old folder (meters). Raises JournalError."""
    if new.exists() and any(new.iterdir()):
        raise JournalError(f"{new} is not empty. Name a folder that does not exist yet.")
    with Journal(new, record=saved.record) as journal:
        journal.begin_with(saved.rows)
        bad = journal.first_bad()
        if bad is not None:
            raise JournalError(f"What was written into {new} is not sound: {bad[1]}. That disk can't be trusted; take another.")
    for each in old.iterdir():
        if each.is_file() and not each.name.startswith("journal."):
            owner_only.as_above(Path(shutil.copy2(each, new)))


def verify(args: argparse.Namespace) -> int:
    """0: every event is there and as it was recorded; 1: not, and each test that has damage is named."""
    folder: Path = args.journal or log.default_folder()
    gaps: list[Any] = []
    record: UUID | None = None
    try:
        with Journal(folder, write=False) as journal:
            with suppress(JournalError):  # one of the findings
                record = journal.identity
            findings = journal.findings()
            bad, why = (findings[0].seq, chain.told(findings)) if findings else (None, None)
            count, gaps = journal.count(), [] if findings else journal.gaps()
    except Damaged as error:  # SQLite reads none of it; the bytes may
        there = look(folder)
        bad, why, count, record = there.first_bad, str(error).partition(f" {SAVE}")[0].rstrip("."), there.events, there.record
    if args.json:
        print(dumps({"sound": bad is None, "record": record and str(record), "events": count, "first_bad": bad, "why": why,
                     "lost": [{"first": first, "last": last} for first, last in gaps]}))
    elif bad is None:
        known = "".join(f" Events {first} to {last} were lost before this folder was recovered." for first, last in gaps)
        print(f"Sound: {count} events, each chained to the one before" + (f", of record {record}" if record else "") + f".{known}")
    else:
        print(f"Damaged: {why}. Everything before event {bad} is sound. {SAVE}", file=sys.stderr)
    return 0 if bad is None else 1


def run(args: argparse.Namespace) -> int:
    """0: every event that there are signs of was saved; 1: some are lost, or nothing could be done."""
    old: Path = args.journal or log.default_folder()
    new: Path = args.new
    saved = look(old)
    if not saved.rows:
        raise JournalError(f"Nothing in {old} can be saved: no test is whole, and the newest has lost its beginning. "
                           "Keep the folder as it is.")
    try:
        save(saved, old, new)
    except OSError as error:
        raise JournalError(f"{error.filename or new} can't be written: {error.strerror}. Name another folder.") from None
    if args.json:
        print(dumps({"record": str(saved.record), "renamed": saved.renamed, "recovered": saved.events, "tests": saved.tests,
                     "newest": saved.newest, "whole": not saved.gaps, "folder": str(new), "lost": [vars(gap) for gap in saved.gaps]}))
        return 1 if saved.gaps else 0
    print(f"Saved into {new}: {saved.events} events of {len(saved.tests)} tests, each chained to the one before. "
          f"{old} is as it was; keep it. Go on with --journal {new}.")
    if saved.renamed:
        print(f"bowlside: Nothing in {old} says any more which record it was: {new} has a new name, {saved.record}.", file=sys.stderr)
    for gap in saved.gaps:
        print(f"bowlside: {gap} They are still in {old}; compare what you use of it with your paper log.", file=sys.stderr)
    return 1 if saved.gaps else 0
