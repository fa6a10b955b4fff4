"""What was found out about tests of the record, kept beside it so that it need not be found out again.

It is never trusted over the record. A test is known by the digest of all its events (``Journal.digest``): where one of them has
changed the digest is another, and nothing kept is used. What was derived also carries the digest of the program's rules. Each
text carries its own checksum. A file that is damaged, gone, closed to us or busy only costs time.
"""
from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import suppress
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.files import owner_only

FILE = "journal.derived"
"""Its name begins as the journal's, so that log recover leaves it behind."""
WORTH_KEEPING = 20
"""Tests: so many are checked again as fast as they are looked up. Ours."""


class Kept:
    """The file, opened when it is first needed."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / FILE
        self._opened: sqlite3.Connection | None = None

    def __enter__(self) -> Kept:
        return self

    def __exit__(self, *_: object) -> None:
        if self._opened is not None:
            self._opened.close()

    def known(self) -> dict[int, str]:
        """Tests that were found sound, each with its digest."""
        return dict(self._ask("SELECT test, digest FROM tests"))

    def found_sound(self, tests: Mapping[int, str]) -> None:
        if len(tests) > WORTH_KEEPING:
            self._write("INSERT OR REPLACE INTO tests VALUES (?, ?, '', '')", tests.items())

    def briefs(self, rules: str) -> dict[int, tuple[str, Any]]:
        """Digest and short result of each test that these rules gave."""
        briefs = {}
        for test, digest, text in self._ask("SELECT test, digest, brief FROM tests"):
            if (brief := _opened(text, rules, digest)) is not None:
                briefs[test] = digest, brief
        return briefs

    def whole(self, test: int, digest: str, rules: str) -> Any:
        """The whole result; None where it is not known."""
        row = self._ask("SELECT whole FROM tests WHERE test = ? AND digest = ?", test, digest)
        return _opened(row[0][0], rules, digest) if row else None

    def keep(self, rules: str, results: Iterable[tuple[int, str, Any, Any]]) -> None:
        """Test, digest, short and whole result."""
        self._write("INSERT OR REPLACE INTO tests VALUES (?, ?, ?, ?)", (
            (test, digest, *(_closed(result, rules, digest) for result in both)) for test, digest, *both in results))

    def seen(self) -> str:
        """Of the journal's files when every test in them was last found sound and derived."""
        return next((str(row[0]) for row in self._ask("SELECT digest FROM seen")), "")

    def see(self, digest: str) -> None:
        self._write("INSERT OR REPLACE INTO seen VALUES (1, ?)", [(digest,)])

    def _ask(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        if self._opened is None and not self._path.exists():
            return []
        try:
            return self._db().execute(sql, values).fetchall()
        except (sqlite3.Error, OSError):
            return []

    def _write(self, sql: str, rows: Iterable[tuple[Any, ...]]) -> None:
        for _ in range(2):
            try:
                with self._db() as db:
                    db.executemany(sql, rows := list(rows))
                return
            except sqlite3.OperationalError:  # closed to us, busy, or no room
                return
            except sqlite3.DatabaseError:  # damaged: begun anew
                self.__exit__()
                self._opened = None
                with suppress(OSError):
                    self._path.unlink()
            except OSError:
                return

    def _db(self) -> sqlite3.Connection:
        if self._opened is None:
            owner_only.plain(self._path)
            if not self._path.exists():
                owner_only.touched(self._path)
            self._opened = sqlite3.connect(self._path, timeout=1)
            self._opened.execute("PRAGMA synchronous = OFF")  # a power cut may spoil it, and it is made again
            self._opened.execute("CREATE TABLE IF NOT EXISTS tests "
                                 "(test INTEGER PRIMARY KEY, digest TEXT, brief TEXT, whole TEXT)")
            self._opened.execute("CREATE TABLE IF NOT EXISTS seen (only INTEGER PRIMARY KEY, digest TEXT)")
        return self._opened


def plain(value: Any) -> Any:
    """The same value as it comes back from here: tuples as lists."""
    return json.loads(_text(value), object_hook=_decimal)


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, default=lambda value: {"decimal": str(value)})


def _decimal(table: dict[str, Any]) -> Any:
    return Decimal(table["decimal"]) if table.keys() == {"decimal"} else table


def _checksum(text: str, rules: str, digest: str) -> str:
    return hashlib.sha256(f"{rules}{digest}{text}".encode()).hexdigest()


def _closed(value: Any, rules: str, digest: str) -> str:
    text = _text(value)
    return _checksum(text, rules, digest) + text


def _opened(closed: str, rules: str, digest: str) -> Any:
    """None where another rule, another test or another byte than these made it."""
    if not isinstance(closed, str) or closed[:64] != _checksum(closed[64:], rules, digest):
        return None
    return json.loads(closed[64:], object_hook=_decimal)
