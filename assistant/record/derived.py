"""Every test of the record as ``record.of`` gives it, derived once and kept beside the journal (assistant/record/kept.py).

A result is used again only where each of its test's events is as it was, and the program's rules and language are too. Where no
byte of the journal's files has changed since all of it was looked at, that is known at once; else each test's events are compared
with what they were, and what has changed is derived anew.
"""
from __future__ import annotations

import hashlib
import sys
from collections.abc import Collection, Iterator
from contextlib import suppress
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any

from assistant.core.language import CURRENT
from assistant.record import chain, summary
from assistant.record.journal import FILE, SAVE, Journal, JournalError
from assistant.record.kept import Kept, plain

LONG = frozenset({"readings", "uncertainty", "settings", "leak_curve", "warnings", "notes", "editions", "title", "rounding"})
"""What a list of tests, a count of samples or the choice of a day does without."""
AT_ONCE, MANY = 100, 200
"""Tests: so many are kept together; of so many that are to be derived a person who waits is told. Ours."""


@cache
def rules() -> str:
    """A digest of all that makes a result of events: the core, the record, and the words of the language."""
    here = Path(__file__).parent
    sources = [*sorted((here.parent / "core").rglob("*.py")), *sorted(here.glob("*.py"))]
    digest = hashlib.sha256(repr(CURRENT).encode())
    for path in sources:
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


class Derived:
    """Every test of an open journal in short; the whole of one when it is asked for."""

    def __init__(self, journal: Journal) -> None:
        """``briefs``: oldest first. ``damaged``: a sentence for each test that can't be replayed, so that it hides no other."""
        self.journal = journal
        self.briefs: list[dict[str, Any]] = []
        self.damaged: list[str] = []
        self._digests: dict[int, str] = {}
        with Kept(journal.path.parent) as kept:
            files = self._files()
            known = kept.briefs(rules())
            unchanged = kept.seen() == files and sorted(known) == journal.tests()
            fresh = [] if unchanged else self._look(known)
            if unchanged:
                self.briefs = [brief for _, brief in known.values()]
                self._digests = {test: digest for test, (digest, _) in known.items()}
            if len(fresh) > MANY and sys.stderr.isatty():
                print(f"Working out {len(fresh)} tests anew; they are kept for the next time.", file=sys.stderr)
            new = self._derive(fresh)
            while some := list(islice(new, AT_ONCE)):
                kept.keep(rules(), some)
            if not (unchanged or self.damaged):
                kept.see(files)
        self.briefs.sort(key=lambda brief: brief["id"])
        if not self.damaged and (gone := journal.end_gone()):  # whole tests may be missing
            self.damaged.append(f"The journal {journal.path} is damaged: {gone.why}. {SAVE}")

    def _files(self) -> str:
        """Of every byte of the journal's files, and of the rules."""
        digests = rules()
        for path in (self.journal.path, self.journal.path.with_name(f"{FILE}-wal")):
            with suppress(OSError), open(path, "rb") as file:
                digests += hashlib.file_digest(file, "sha256").hexdigest()
        return hashlib.sha256(digests.encode()).hexdigest()

    def _look(self, known: dict[int, tuple[str, Any]]) -> list[int]:
        """Takes what is known; the tests that it is not known of."""
        fresh, spans = [], self.journal.spans()
        for span, after in zip(spans, (*spans[1:], None)):
            if span.test < 0:
                continue
            digest, brief = known.get(span.test, ("", None))
            self._digests[span.test] = now = chain.digest(self.journal, span)
            if digest == now and (after is None or after.first == span.last + 1):
                self.briefs.append(brief)
            else:
                fresh.append(span.test)
        return fresh

    def _derive(self, tests: Collection[int]) -> Iterator[tuple[int, str, Any, Any]]:
        for test in tests:
            try:
                whole = plain(summary.of(self.journal, test))
            except JournalError as error:
                self.damaged.append(str(error))
                continue
            brief = {key: value for key, value in whole.items() if key not in LONG}
            self.briefs.append(brief)
            yield test, self._digests[test], brief, whole

    def whole(self, test: int) -> dict[str, Any]:
        """Raises JournalError if it can't be replayed."""
        with Kept(self.journal.path.parent) as kept:
            return kept.whole(test, self._digests[test], rules()) or plain(summary.of(self.journal, test))
