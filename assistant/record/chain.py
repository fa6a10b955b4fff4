"""What links the events of the record, and whether all of it is sound.

Every event's hash covers the one before it. The first event of a test also carries the hash that it follows, so a test is
checked by its own events alone, and damage costs only the test that it is in. (Journals of schema 1 have no such column: there
the event before is asked.) Where a recovered journal lacks events, a row of a negative test number says so (see ``lost``).
"""
from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from assistant.core.events import Event, from_plain
from assistant.record import identity, newest_event
from assistant.record.kept import Kept

if TYPE_CHECKING:
    from assistant.record.journal import Journal

FIRST = "0" * 64
"""What stands for the hash before the first event of a record that was begun without an identity."""


class JournalError(Exception):
    """The record can't be opened, read or written; the message says what, where and what to do."""


@dataclass(frozen=True, slots=True)
class Row:
    seq: int
    test: int
    wall: str
    """Local time with its offset: a label only."""
    boot: str
    body: str
    hash: str
    before: str | None = None
    """In the first event of a test, the hash of the event before it; else nothing."""

    def event(self) -> Event:
        return from_plain(json.loads(self.body))

    def expected_hash(self, before: str) -> str:
        text = "\n".join(map(str, (before, self.seq, self.test, self.wall, self.boot, self.body)))
        return hashlib.sha256(text.encode()).hexdigest()

    def follows(self, before: str | None) -> bool:
        return before is not None and self.hash == self.expected_hash(before)

    @property
    def begins(self) -> int:
        """Its number; of a row that stands for lost events, that of the first of them."""
        return json.loads(self.body)["first"] if self.test < 0 else self.seq

    @property
    def next(self) -> str:
        """The hash that the first event after it carries."""
        return json.loads(self.body).get("next") or self.hash if self.test < 0 else self.hash


def lost(first: int, last: int, test: int, before: str, following: str | None) -> Row:
    """What stands in a recovered journal for events that could not be saved. ``following``: what the next event follows."""
    body = json.dumps({"kind": "Lost", "first": first, "next": following}, sort_keys=True, separators=(",", ":"))
    row = Row(last, -test, datetime.now().astimezone().isoformat(timespec="milliseconds"), "", body, "", before)
    return replace(row, hash=row.expected_hash(before))


@dataclass(frozen=True)
class Span:
    """Where the events of one test lie."""
    test: int
    first: int
    last: int


@dataclass(frozen=True)
class Finding:
    """Damage: the first event that it shows at, the test that it costs (0: none), and what is wrong."""
    seq: int
    test: int
    why: str


def told(findings: Sequence[Finding]) -> str:
    """All of it in one line."""
    return "; ".join([finding.why for finding in findings[:5]] + [f"and {len(findings) - 5} more"] * (len(findings) > 5))


class Broken(Exception):
    """How one event of a test shows damage, said after its number."""

    def __init__(self, seq: int, how: str) -> None:
        super().__init__(how)
        self.seq = seq


_TEXTS = ("wall", "boot", "body", "hash")
_VALUES = ", ".join(["SUM(" + " AND ".join(f"{column} < x''" for column in _TEXTS) + ")",
                     *(f"CAST(GROUP_CONCAT({column}, '\n') AS BLOB)" for column in _TEXTS)])
"""Of many events: how many have texts wherever they should (a damaged byte can make bytes of one, and those are never less than
none), and these put together."""


def digest(journal: Journal, span: Span) -> str:
    """Of every value of a test's events, four times as fast as its hashes: equal ones mean equal events."""
    before = "COUNT(before), MAX(before)" if journal.schema > 1 else "0, NULL"
    row = journal.ask(f"SELECT COUNT(*), {before}, {_VALUES} FROM events WHERE seq BETWEEN ? AND ?", span.first, span.last)[0]
    texts = [text or b"" for text in row[4:]]
    whole = hashlib.sha256(repr((span, *row[:4], *map(len, texts))).encode())
    for text in texts:
        whole.update(text)
    return whole.hexdigest()


def checked(journal: Journal, span: Span) -> list[Row]:
    """The events of one test, each of them following the one before. Raises Broken at the first that does not."""
    rows = list(journal.between(span.first, span.last))
    seq, before = span.first - 1, rows[0].before if rows else None
    if before is None and seq:
        ahead = next(journal.between(seq, seq), None)
        if ahead is None:
            raise Broken(seq, "is missing")
        before = ahead.hash if journal.schema == 1 else None
    elif before is None and journal.schema == 1:
        before = FIRST
    for row in rows:
        if row.seq != seq + 1:
            break
        begins = journal.schema == 1 or (row.before is not None) == (row.seq == span.first)
        if row.test != span.test or not row.follows(before) or not begins:
            raise Broken(row.seq, "was changed after it was recorded")
        seq, before = row.seq, row.hash
    if seq != span.last:
        raise Broken(seq + 1, "is missing")
    return rows


def link(journal: Journal, span: Span) -> dict[str, str]:
    """By what a copy of a test is known: its record, the hash that its first event follows, and the hash of its last.

    Raises JournalError. Without the record where nothing says which it is.
    """
    ahead, first, last = (next(journal.between(seq, seq), None) for seq in (span.first - 1, span.first, span.last))
    before = first and first.before or (ahead.hash if ahead else FIRST)
    known = {"before": before, "hash": last.hash if last else ""}
    with suppress(JournalError):
        return {"record": str(journal.identity), **known}
    return known


def open_end(journal: Journal, last: Row) -> int:
    """0: what follows shows that its test ended with this event. Else the number of the event from which on nobody knows.

    Raises Broken: the test did not end so.
    """
    after = next(journal.between(last.seq + 1), None)
    if after is None:
        if (gone := journal.end_gone()) and gone.seq <= last.seq:
            raise Broken(gone.seq, "is not the one that was recorded")
        return gone.seq if gone else 0
    beside = after.seq == last.seq + 1 or after.test < 0
    if journal.schema == 1:
        return 0 if beside and after.follows(last.hash) else last.seq + 1
    if not after.follows(after.before):
        return last.seq + 1
    if not beside:
        raise Broken(last.seq + 1, "is missing")
    if after.before != last.next:
        raise Broken(last.seq, f"is not the one that event {after.seq} follows")
    return 0


def _unreadable(journal: Journal, span: Span) -> int:
    """The first event of a test that can't be read."""
    for seq in range(span.first, span.last + 1):
        try:
            list(journal.between(seq, seq))
        except JournalError:
            return seq
    return span.first


def _name(journal: Journal, first: Span | None) -> list[Finding]:
    """A record that does not say which one it is, or begins as another does. No event is the worse for it."""
    if journal.schema < 3:
        return []
    try:
        named = journal.identity
    except JournalError:
        return [Finding(journal.last_event + 1, 0, f"it {identity.UNKNOWN}")]
    with suppress(JournalError):  # told where the events are looked at
        for row in journal.between(first.first, first.first) if first else ():
            if row.follows(row.before) and row.begins == 1 and not identity.begins(named, row.before, row.hash):
                return [Finding(journal.last_event + 1, 0, f"it says that it is record {named}, and its first event is another's")]
    return []


def findings(journal: Journal, kept: Kept | None = None) -> list[Finding]:
    """All damage to events, in their order; none: every one is as it was recorded. Raises JournalError: they can't be found.

    kept  knows tests that were found sound before; such a one is only compared with what it was then
    """
    damage: list[Finding] = []
    spans, end, sound = journal.spans(), 0, {}
    known: Mapping[int, str] = kept.known() if kept else {}
    if spans and spans[0].first > 1 and spans[0].test > 0:
        damage.append(Finding(1, 0, "event 1 is missing"))
    for span, after in zip(spans, (*spans[1:], None)):
        if span.first <= end:  # in the middle of another test, which tells of it
            continue
        try:
            now = digest(journal, span) if kept and after and after.first == span.last + 1 else ""
            if not now or known.get(span.test) != now:
                open_end(journal, checked(journal, span)[-1])
                if now:
                    sound[span.test] = now
        except Broken as error:
            damage.append(Finding(error.seq, span.test, f"event {error.seq} (test {span.test}) {error}"))
        except JournalError:
            seq = _unreadable(journal, span)
            damage.append(Finding(seq, span.test, f"event {seq} (test {span.test}) can't be read"))
        end = max(end, span.last)
    if kept:
        kept.found_sound(sound)
    damage += _name(journal, spans[0] if spans else None)
    if (gone := journal.end_gone()) and all(finding.seq != gone.seq for finding in damage):
        damage.append(gone)
    try:
        newest_event.read(journal.path.parent)
    except ValueError as error:
        damage.append(Finding(journal.last_event + 1, 0, str(error)))
    return sorted(damage, key=lambda finding: finding.seq)
