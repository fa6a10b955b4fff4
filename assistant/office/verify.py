"""``bowlside office verify FILE``: whether an export is what the stations recorded, away from any database.

Every event's hash is computed from the one before it; every piece is looked for that another follows; every test is derived anew
from its events, and compared with records/RECORD.json and, cell by cell, with tests.csv. No more than one record's hashes are kept.
"""
from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from decimal import Decimal
from itertools import groupby
from pathlib import Path
from typing import Any
from uuid import UUID
from zipfile import BadZipFile, ZipFile

from assistant.files.jsonline import dumps, loads
from assistant.files.plain import cell
from assistant.files.refusal import Refusal
from assistant.office import export, retention
from assistant.office.test_document import Unreadable, as_derived, rules, test_of
from assistant.report import csv_file, json_file
from assistant.send import piece as sent

MOST_TOLD = 50
"""Sentences about what is wrong; the rest is counted."""


class Verified:
    """What was found, counted. ``wrong``: sentences; none: it is what was recorded, as far as its events are in it."""

    def __init__(self) -> None:
        self.tests = self.derived = self.pieces = self.events = self.gaps = self.without = self.more_wrong = 0
        self.wrong: list[str] = []
        self.other_rules = False

    def tell(self, sentence: str) -> None:
        if len(self.wrong) < MOST_TOLD:
            self.wrong.append(sentence)
        else:
            self.more_wrong += 1


def verify(path: Path) -> Verified:
    """Raises Refusal: it is no export, or not whole."""
    try:
        with ZipFile(path) as archive:
            return _Check(archive).all()
    except OSError as error:
        raise Refusal(f"{path} can't be read ({error.strerror or error}).") from None
    except (BadZipFile, EOFError, KeyError, ValueError, TypeError, AttributeError, NotImplementedError, RecursionError) as error:
        raise Refusal(f"{path} is no whole export of an office ({error}): take it again.") from None


class _Check:
    def __init__(self, archive: ZipFile) -> None:
        self._archive, self._found = archive, Verified()
        self._contents = loads(archive.read(export.CONTENTS).decode())
        if self._contents["form"] != export.FORM or self._contents["version"] != export.VERSION:
            raise ValueError("its form is of another program")
        self._found.other_rules = self._contents["rules"] != rules()

    def all(self) -> Verified:
        rows = csv.DictReader(self._lines(export.CSV, csv_file.ENCODING))
        left = {name for name in self._archive.namelist() if name.startswith("records/")}
        for record, lines in groupby(map(json.loads, self._lines(export.PIECES)), key=lambda line: line["record"]):
            known = self._pieces(UUID(record), lines)
            if (name := f"records/{record}.json") in left:
                left.remove(name)
                self._tests(record, self._lines(name), known, rows)
        for name in sorted(left):
            self._found.tell(f"{name}: there is no piece of this record.")
        if next(rows, None) is not None:
            self._found.tell(f"{export.CSV} has more rows than there are tests.")
        for name in ("tests", "pieces", "events"):
            if self._contents[name] != getattr(self._found, name):
                self._found.tell(f"It has {getattr(self._found, name)} {name}, and {export.CONTENTS} says {self._contents[name]}.")
        return self._found

    def _lines(self, name: str, encoding: str = "utf-8") -> Iterator[str]:
        with self._archive.open(name) as raw, io.TextIOWrapper(raw, encoding, newline="\n") as file:
            yield from file

    def _pieces(self, record: UUID, lines: Iterator[dict[str, Any]]) -> dict[str, tuple[str, str] | None]:
        """Of every test by its hash what its events give, with its people and without; None where its events are not here."""
        known: dict[str, tuple[str, str] | None] = {}
        ends, before = set(), set()
        for line in lines:
            self._found.pieces += 1
            left_out, given = line.pop("left_out"), {key: value for key, value in line.items() if key != "record"}
            test = given["test"]
            if left_out:
                self._found.without += 1
                if given["rows"]:
                    self._found.tell(f"Record {record}, test {test}: its events are to be left out, and are here.")
            else:
                self._found.events += len(given["rows"])
                try:
                    piece = sent.read(given, record)
                except sent.Wrong as why:
                    self._found.tell(str(why))
                    continue
            if given["hash"] in ends:
                self._found.tell(f"Record {record}, test {test}: the same piece is here twice.")
            ends.add(given["hash"])
            if given["first"] > 1:
                before.add(given["before"])
            if given["kind"] == sent.TEST:
                known[given["hash"]] = None if left_out else self._derived(piece)
        self._found.gaps += len(before - ends)
        return known

    def _derived(self, piece: sent.Piece) -> tuple[str, str] | None:
        try:
            test = test_of(piece.test, piece.journal_rows())
        except Unreadable:
            return None
        return _plain(json_file.test(test)), _plain(json_file.test(retention.without_people(test)))

    def _tests(self, record: str, lines: Iterator[str], known: dict[str, tuple[str, str] | None], rows: csv.DictReader[str]) -> None:
        """One a line between the first and the last."""
        next(lines)
        for line in lines:
            if line.startswith("],"):
                return
            test = loads(line.rstrip(",\n"))
            its = f"Record {record}, test {test['id']}"
            self._found.tests += 1
            piece, left_out = test.pop("piece"), test.pop("people_left_out", False)
            if piece not in known:
                self._found.tell(f"{its}: its piece is not here.")
            elif (derived := known[piece]) is not None:
                self._found.derived += 1
                if not self._found.other_rules and derived[left_out] != _plain(test):
                    self._found.tell(f"{its}: its JSON is not what its events give.")
            cells, row = csv_file.row(as_derived(test)), next(rows, {})
            wanted = {"record": record, "piece": piece, **cells}
            given = {name: value for name, value in row.items() if value and name not in ("sent by", "load verdict")}
            if given != {cell(name): cell(value) for name, value in wanted.items() if value}:
                self._found.tell(f"{its}: its row in {export.CSV} is not what its JSON says.")


def _plain(test: dict[str, Any]) -> str:
    """The same text for the same values, each with its digits."""
    return dumps(json.loads(dumps(test), parse_float=Decimal, parse_int=Decimal, object_pairs_hook=lambda pairs: dict(sorted(pairs))))
