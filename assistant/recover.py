"""``bowlside log verify`` and ``log recover``: is the record sound; what of it is, saved into another folder.

The damaged journal is only read, byte for byte, never opened for writing.

The chain of hashes decides. Beginning with event 1, each next event is taken if anywhere in the journal's files there is a
row of that number whose hash follows from the one before; at the first that is nowhere it stops, since nothing behind a gap
can be shown to be true.
"""
from __future__ import annotations

import argparse
import fcntl
import shutil
import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from assistant import log, newest, private, salvage
from assistant.journal import FILE, FIRST, SAVE, Damaged, Journal, JournalError, Row
from assistant.jsonline import dumps


@dataclass(frozen=True)
class Found:
    """What can be saved, and what can't."""
    rows: list[Row]
    """Every event from the first on, without a gap, each as it was recorded."""
    newest: int
    """Number of the newest event that there is any sign of."""

    @property
    def whole(self) -> bool:
        return len(self.rows) == self.newest

    @property
    def tests(self) -> list[int]:
        return sorted({row.test for row in self.rows})


def look(folder: Path) -> Found:
    """What can be saved of the journal there. Raises JournalError: there is none, it can't be read, or it is in use."""
    database, log_ = folder / FILE, folder / f"{FILE}-wal"
    if not database.exists() and not log_.exists():
        raise JournalError(f"There is no journal in {folder}: nothing has been recorded there. "
                           "Name another folder with --journal.")
    try:
        _in_use(folder)
        rows = defaultdict(set)
        for row in salvage.rows(*(each.read_bytes() if each.exists() else b"" for each in (database, log_))):
            rows[row.seq].add(row)
    except OSError as error:
        raise JournalError(f"The journal in {folder} can't be read: {error.strerror}. Mend what holds it, or copy the folder "
                           "elsewhere, then try again.") from None
    sound: list[Row] = []
    before = FIRST
    while (found := [row for row in rows.get(len(sound) + 1, ()) if row.hash == row.expected_hash(before)]):
        sound.append(found[0])
        before = found[0].hash
    try:
        noted = newest.read(folder)
    except ValueError:
        noted = None
    linked = [row.seq for some in tuple(rows.values()) for row in some  # true pairs, though the chain to them is broken
              if any(row.hash == row.expected_hash(one.hash) for one in rows.get(row.seq - 1, ()))]
    return Found(sound, max([len(sound), noted[0] if noted else 0, *linked]))


def _in_use(folder: Path) -> None:
    lock = folder / "journal.lock"
    if lock.exists():
        with open(lock) as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                raise JournalError(f"A station is writing the journal in {folder}. Stop it first.") from None


def save(found: Found, old: Path, new: Path) -> None:
    """A new journal of what was found, with the other files of the old folder (meters). Raises JournalError."""
    if new.exists() and any(new.iterdir()):
        raise JournalError(f"{new} is not empty. Name a folder that does not exist yet.")
    with Journal(new) as journal:
        journal.begin_with(found.rows)
        bad = journal.first_bad()
        if bad is not None:
            raise JournalError(f"What was written into {new} is not sound: {bad[1]}. That disk can't be trusted; take another.")
    for each in old.iterdir():
        if each.is_file() and not each.name.startswith("journal."):
            private.as_above(Path(shutil.copy2(each, new)))


def verify(args: argparse.Namespace) -> int:
    """0: every event is there and as it was recorded; 1: not, and the first that isn't is named."""
    folder: Path = args.journal or log.default_folder()
    try:
        with Journal(folder, write=False) as journal:
            bad, count = journal.first_bad(), journal.count()
    except Damaged as error:  # SQLite reads none of it; the bytes may
        count = len(look(folder).rows)
        bad = count + 1, str(error).partition(f" {SAVE}")[0].rstrip(".")
    if args.json:
        print(dumps({"sound": bad is None, "events": count, "first_bad": bad[0] if bad else None,
                     "why": bad[1] if bad else None}))
    elif bad is None:
        print(f"Sound: {count} events, each chained to the one before.")
    else:
        print(f"Damaged: {bad[1]}. Everything before event {bad[0]} is sound. {SAVE}", file=sys.stderr)
    return 0 if bad is None else 1


def run(args: argparse.Namespace) -> int:
    """0: every event that there are signs of was saved; 1: some are lost, or nothing could be done."""
    old: Path = args.journal or log.default_folder()
    new: Path = args.new
    found = look(old)
    if not found.rows:
        raise JournalError(f"Nothing in {old} can be saved: its first event is damaged or gone. Keep the folder as it is.")
    try:
        save(found, old, new)
    except OSError as error:
        raise JournalError(f"{error.filename or new} can't be written: {error.strerror}. Name another folder.") from None
    if args.json:
        print(dumps({"recovered": len(found.rows), "tests": found.tests, "newest": found.newest, "whole": found.whole,
                     "folder": str(new)}))
        return 0 if found.whole else 1
    print(f"Saved into {new}: {len(found.rows)} events of {len(found.tests)} tests, each chained to the one before. "
          f"{old} is as it was; keep it. Go on with --journal {new}.")
    if not found.whole:
        print(f"bowlside: Event {len(found.rows) + 1} is damaged or gone; what came after it, up to event {found.newest}, is not "
              f"saved. Compare test {found.tests[-1]} with your paper log before you use it.", file=sys.stderr)
    return 0 if found.whole else 1
