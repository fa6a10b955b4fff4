"""The pieces of a journal, in their order. It is opened for reading only, for as long as that takes, and only when it has changed.

A test has an end once another follows it, or once its last event let the station finish it: from then on no event is added. (That
it came to its end is not enough: the station goes on recording until its last words are spoken.)
"""
from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple
from uuid import UUID

from assistant.core.effects import Finish
from assistant.core.machine import step
from assistant.core.state import Phase, State
from assistant.record import chain, newest_event
from assistant.record.chain import FIRST, Broken, JournalError, Row, Span
from assistant.record.journal import FILE, Journal
from assistant.record.session import fold
from assistant.send.piece import DAMAGED, LOST, TEST, WITHHELD, Piece, is_hash, is_practice, of_rows

TRIES = 5
"""So often a test is read that can't be, before it counts as damaged. Ours."""


class Entry(NamedTuple):
    """One piece, as the journal lists it without being read."""
    test: int
    """Less than none: what stands for lost events."""
    first: int
    last: int
    hash: str
    """Of its last event, as it lies there."""


class Unsettled(JournalError):
    """The station began to write while it was read without help of its log: what was read may be half of one and half of another."""


class Outbox:
    """``look`` first; then ``entries``, ``record`` and ``newest`` are those of the journal.

    practice  practice and invented tests leave, and others stay: of what is withheld a number and two hashes leave
    """

    def __init__(self, journal: Path, practice: bool = False) -> None:
        self.folder, self.practice = journal, practice
        self.record: UUID | None = None
        """None: nothing has been recorded."""
        self.newest: tuple[int, str] = (0, "")
        self.entries: list[Entry] = []
        """All that have an end, oldest first."""
        self._signs: tuple[object, ...] = ()
        self.file = 0
        """Another number: another file stands in the journal's place, such as a backup or a recovered one."""
        self._running = _Running()
        self._failed: Counter[Entry] = Counter()

    def look(self, again: bool = False) -> bool:
        """Whether the journal has changed. Costs three looks at files where it has not. Raises JournalError.

        again  whether nothing seems to have changed or not
        """
        signs = self._now()
        if signs == self._signs and not again:
            return False
        if signs[0] is None and signs[2] is None:
            self.record, self.newest, self.entries = None, (0, ""), []
        else:
            with Journal(self.folder, write=False) as journal:
                self._read(journal)
            self._settled(signs)
        self._signs = signs
        return True

    def pieces(self, entries: Sequence[Entry]) -> Iterator[Piece]:
        """Read and checked. Raises JournalError."""
        signs = self._now()
        with Journal(self.folder, write=False) as journal:
            for entry in entries:
                piece = self._piece(journal, entry)
                if piece.kind == DAMAGED:
                    self._settled(signs)
                yield piece

    # --- signs that it has changed ------------------------------------------------------------------------------------------

    def _now(self) -> tuple[object, ...]:
        """Of the journal, of its log, and the note of the newest event: the note alone may be missing where the disk is full."""
        try:
            note: object = newest_event.read(self.folder)
        except ValueError:
            note = None
        return self._stamp(FILE), self._stamp(f"{FILE}-wal"), note

    def _stamp(self, name: str) -> tuple[int, int, int] | None:
        try:
            found = os.stat(self.folder / name)
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns

    def _settled(self, before: tuple[object, ...]) -> None:
        """A journal without its log in a folder that is closed to us is read as it lies there (Journal._mode): then nobody may have
        written meanwhile. Raises Unsettled."""
        if before[1] is None and not os.access(self.folder, os.W_OK, effective_ids=True) and self._now() != before:
            raise Unsettled(f"The station began to write {self.folder / FILE} while it was read: it is read again.")

    # --- what there is ------------------------------------------------------------------------------------------------------

    def _read(self, journal: Journal) -> None:
        if not journal.last_event and journal.schema < 3:
            self.record, self.newest, self.entries = None, (0, ""), []
            return
        record, known = journal.identity, self.entries[-1] if self.entries else None
        file = (self._stamp(FILE) or (0,))[0]
        if (record, file) != (self.record, self.file) or known and _hash_at(journal, known.last) != known.hash:
            self.entries, self._running, known = [], _Running(), None
        last = journal.ask("SELECT MAX(seq) FROM events")[0][0]
        spans = list(_spans(journal, known.last if known else 0))
        complete = [span for span, _ in pairwise(spans)]
        if spans and (spans[-1].test < 0 or self._running.finished(journal, spans[-1])):
            complete.append(spans[-1])
        self.entries += [Entry(span.test, span.first, span.last, _hash_at(journal, span.last)) for span in complete]
        self.file, self.record, self.newest = file, record, (last, _hash_at(journal, last)) if last else (0, "")

    def _piece(self, journal: Journal, entry: Entry) -> Piece:
        span = Span(entry.test, entry.first, entry.last)
        try:
            rows = list(journal.between(entry.last, entry.last)) if entry.test < 0 else chain.checked(journal, span)
            before = rows[0].before or _last_before(journal, entry.first)
            if entry.test < 0:
                if rows[0].follows(before):
                    return of_rows(LOST, rows, before)
                raise Broken(entry.last, "was changed")
            if (unknown := chain.open_end(journal, rows[-1])) and not _over(rows):
                raise Broken(unknown, "is missing or damaged")
            piece = of_rows(TEST, rows, before)
            return piece if is_practice(piece.header()) == self.practice else of_rows(WITHHELD, rows, before)
        except (Broken, JournalError, LookupError, TypeError, ValueError) as error:
            if isinstance(error, JournalError) and not self._damage(entry, str(error)):
                raise
            return Piece(DAMAGED, abs(entry.test) or 1, entry.first, entry.last, _followed(journal, entry.first),
                         _followed(journal, entry.last + 1))

    def _damage(self, entry: Entry, why: str) -> bool:
        """A disk that is busy, or fails for once, has damaged nothing; one that fails each time has."""
        self._failed[entry] += 1
        return self._failed[entry] >= TRIES or any(word in why for word in ("malformed", "decode"))


class _Running:
    """The newest test, replayed as it grows."""

    def __init__(self) -> None:
        self._span, self._state, self._hash, self._over = Span(0, 0, 0), State(), "", False

    def finished(self, journal: Journal, span: Span) -> bool:
        """Whether its last event let the station finish it: nothing is recorded of it any more."""
        if (span.test, span.first) != (self._span.test, self._span.first) or _hash_at(journal, self._span.last) != self._hash:
            self._span, self._state, self._over = Span(span.test, span.first, span.first - 1), State(), False
        try:
            for row in journal.between(self._span.last + 1, span.last):
                self._state, effects = step(self._state, row.event())
                self._over = any(isinstance(effect, Finish) for effect in effects)
        except Exception:  # damaged, or of a newer program: it has an end once another test follows
            self._over = False
        self._span, self._hash = span, _hash_at(journal, span.last)
        return self._over


def _over(rows: Sequence[Row]) -> bool:
    """Whether the test came to its end with these: then nothing of it is missing."""
    try:
        return fold(row.event() for row in rows).phase is Phase.OVER
    except Exception:
        return False


def _spans(journal: Journal, after: int) -> Iterator[Span]:
    """Where each test lies, and each row that stands for lost events, in their order."""
    whole = "" if after == 0 else "NOT INDEXED"     # by the index all of it, by their numbers the end
    tests = journal.ask(f"SELECT test, MIN(seq), MAX(seq) FROM events {whole} WHERE seq > ? AND test >= 0 GROUP BY test", after)
    lost = journal.ask("SELECT test, seq, seq FROM events WHERE test < 0 AND seq > ?", after)
    spans = sorted((Span(*row) for row in (*tests, *lost) if all(isinstance(value, int) for value in row)), key=lambda span: span.first)
    together: list[Span] = []
    for span in spans:
        if together and span.first <= max(each.last for each in together):
            together.append(span)
            continue
        yield from _apart(journal, together)
        together = [span]
    yield from _apart(journal, together)


def _apart(journal: Journal, spans: Sequence[Span]) -> Iterator[Span]:
    """Tests that lie within each other: a number of one of them is damaged. Each begins with an event that names the one before."""
    if len(spans) < 2:
        yield from spans
        return
    first, last = spans[0].first, max(span.last for span in spans)
    begins = [] if journal.schema == 1 else [row for row in journal.ask(
        "SELECT seq, test FROM events WHERE seq BETWEEN ? AND ? AND (before IS NOT NULL OR test < 0) ORDER BY seq", first, last)
        if isinstance(row[1], int)]
    if not begins or begins[0][0] != first:
        begins.insert(0, (first, spans[0].test))
    for (seq, test), (after, _) in pairwise((*begins, (last + 1, 0))):
        yield Span(test, seq, after - 1)


def _hash_at(journal: Journal, seq: int) -> str:
    """As it lies there; for what is damaged so that it is no hash, one of its bytes. Empty: there is no such event."""
    there: list[tuple[Any, ...]] = journal.ask("SELECT CAST(hash AS BLOB) FROM events WHERE seq = ?", seq)
    if not there:
        return ""
    text = (kept := bytes(there[0][0] or b"")).decode(errors="replace")
    return text if is_hash(text) else hashlib.sha256(kept).hexdigest()


def _last_before(journal: Journal, seq: int) -> str:
    """The hash of the event before; schema 1 has it nowhere else."""
    return _hash_at(journal, seq - 1) if seq > 1 else FIRST


def _followed(journal: Journal, seq: int) -> str:
    """What the event ``seq`` follows, or would follow, as well as it is known: two pieces beside each other are told the same."""
    try:
        at = next(journal.between(seq), None)
        if at is not None and at.before is not None and is_hash(at.before):
            return at.before
    except JournalError:
        pass
    return _hash_at(journal, journal.ask("SELECT MAX(seq) FROM events WHERE seq < ?", seq)[0][0] or 0) or FIRST
