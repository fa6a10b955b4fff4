"""One row a test, as a spreadsheet or pandas reads it. Units stand in the header; a number has exactly the record's digits.

A text that the spreadsheet would compute has ' before it (plain.cell).
"""
from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TextIO

from assistant.files.plain import cell
from assistant.report.rows import RECORDED, Test, corrections, rounds, shown
from assistant.round.record import judged

ENCODING = "utf-8-sig"
"""With a byte order mark: a spreadsheet program on an office computer takes a file without one for its own old code page, and
shows a degree sign as two letters (from memory, about 90 % sure)."""

COLUMNS = {
    "id": "the test's number in the record",
    "test": "which test: sequential, slump, …",
    "started": "local time with its offset",
    "outcome": "done, scrapped, stopped or not over",
    "verdict": "pass, fail, invalid, none; or, instead of a pass, repeated or corrected: a reading was changed with the result known",
    "why": "the verdict's reason",
    "practice": "true: on the simulated meter, nothing counts",
    "NAME": "each label of the test's header: job, mix, producer, station, technician, meter, round, sample, ticket, …",
    "NAME [UNIT]": "each result as reported, such as air_content [%]; empty: the test gave none that counts",
    "NAME unrounded [UNIT]": "the same before rounding",
    "NAME remark": "why a result is preliminary, so that it neither passes nor fails",
    "NAME limit low [UNIT], NAME limit high [UNIT]": "the limits that it was judged by; empty: none",
    "NAME uncertainty gauge [UNIT]": "what the gauge can tell, either way",
    "NAME uncertainty repeat [UNIT]": "what repeating the test would give, two standard deviations",
    "NAME lot": "with --job, the lot that its sample belongs to, in the row of the sample's newest test",
    "NAME moving average [UNIT]": "with --job, of this sample and those before it",
    "READING [UNIT]": "each reading that counts, such as equilibrium.1.3 [psi] (run.step)",
    "load verdict": "what all tests of its round say of the load: accepted, rejected, open (not judged); empty: it belongs to no round",
    "rounding": "half-even or half-up",
    "deviations": "what the job set otherwise than the method has it",
    "corrections": "readings withdrawn, and what counts instead; parted by | as in the next two",
    "warnings": "what the station warned of",
    "remarks": "what was noted during the test",
}
"""Every column, in order, and what stands in it."""

_FIRST = ("id", "test", "started", "outcome", "verdict", "why", "practice")
_LABELS = ("job", "mix", "producer", "station", "technician", "meter", "round", "sample", "ticket", "truck")
_NO_LABELS = {*RECORDED, "practice"}
_LAST = ("load verdict", "rounding", "deviations", "corrections", "warnings", "remarks")


class Columns:
    """What the tests that were added have among them, in order; test by test, so that no more than one need be at hand."""

    def __init__(self, first: Iterable[str] = ()) -> None:
        """``first``: before all others."""
        self._first = dict.fromkeys((*first, *_FIRST, *_LABELS))
        self._results: dict[str, None] = {}
        self._more: dict[str, None] = {}
        self._readings: dict[str, None] = {}

    def add(self, test: Test, more: Iterable[str] = ()) -> None:
        self._first |= {key: None for key in test if key not in _NO_LABELS}
        for each in test["results"]:
            self._results |= {f"{each['name']} remark": None} if each.get("remark") else {}
            self._results |= {f"{each['name']} [{each['unit']}]": None, f"{each['name']} unrounded [{each['unit']}]": None,
                              f"{each['name']} limit low [{each['unit']}]": None, f"{each['name']} limit high [{each['unit']}]": None}
        self._more |= dict.fromkeys((*_uncertainty(test), *more))
        self._readings |= {f"{each['id']} [{each['unit']}]" if each["unit"] else each["id"]: None for each in test["readings"]}

    @property
    def names(self) -> tuple[str, ...]:
        return *(name for name in self._first | self._results | self._more | self._readings if name not in _LAST), *_LAST


def table(tests: Sequence[Test], more: Mapping[int, Mapping[str, str]] = {}) -> list[dict[str, str]]:
    """Rows that all have the same columns; an empty cell: nothing is known. ``more``: test id -> further cells."""
    columns = Columns()
    for one in tests:
        columns.add(one, more.get(one["id"], ()))
    blank = dict.fromkeys(columns.names, "")
    loads = {each["id"]: found.verdict for one in rounds(tests) if one.name and (found := judged(one.tests).load) for each in one.tests}
    return [blank | row(one) | {"load verdict": loads.get(one["id"], ""), **more.get(one["id"], {})} for one in tests]


def row(test: Test) -> dict[str, str]:
    """The cells that it has; what its load is worth only its whole round says."""
    cells = {key: _text(value) for key, value in test.items() if key not in _NO_LABELS or key in _FIRST}
    for each in test["results"]:
        name, unit = each["name"], each["unit"]
        low, high = each["limits"]
        cells |= {f"{name} remark": each["remark"]} if each.get("remark") else {}
        cells |= {f"{name} [{unit}]": _text(each["rounded"]), f"{name} unrounded [{unit}]": _text(each["value"]),
                  f"{name} limit low [{unit}]": _text(low), f"{name} limit high [{unit}]": _text(high)}
    cells |= {f"{each['id']} [{each['unit']}]" if each["unit"] else each["id"]: _text(each["value"])
              for each in test["readings"] if not each["withdrawn"]}
    cells |= _uncertainty(test)
    return cells | {"rounding": test["rounding"], "deviations": " ".join(test["deviations"]),
                    "corrections": " | ".join(corrections(test)),
                    "warnings": " | ".join(test["warnings"]),
                    "remarks": " | ".join(f"{one['id']}: {one['text']}" for one in test["notes"])}


def _uncertainty(test: Test) -> dict[str, str]:
    return {f"{one['of']} uncertainty {one['name']} [{one['unit']}]": _text(one["value"]) for one in test.get("uncertainty", ())}


def _text(value: object) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else shown(value)


def write(tests: Sequence[Test], target: TextIO, more: Mapping[int, Mapping[str, str]] = {}) -> None:
    rows = table(tests, more)
    write = writer(list(rows[0]) if rows else [*_FIRST, *_LABELS, *_LAST], target)
    for each in rows:
        write(each)


def writer(columns: Sequence[str], target: TextIO) -> Callable[[Mapping[str, str]], None]:
    """Writes the header at once, and then each row that it is called with; a cell that a row has not is empty."""
    made = csv.DictWriter(target, columns, restval="", lineterminator="\n")
    made.writerow({name: cell(name) for name in columns})

    def write(cells: Mapping[str, str]) -> None:
        made.writerow({name: cell(value) for name, value in cells.items()})
    return write
