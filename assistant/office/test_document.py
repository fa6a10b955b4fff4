"""A test's document: from the rows of its piece as the station's own export has it, into the database as JSON that keeps every digit,
and back from there, value for value and kind for kind. Pure: no database.

A jsonb keeps a number as numeric, with its places: 0.20 stays 0.20. Whoever reads one must not make a float of it.
"""
from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

from assistant.core.language import CURRENT
from assistant.files.plain import MOST
from assistant.meters import register
from assistant.record import derived, summary
from assistant.record.chain import Row
from assistant.record.derived import LONG
from assistant.record.header import LABELS
from assistant.record.kept import plain
from assistant.report import rows as report_rows
from assistant.round import record as round_record

RULES = ("test_document", "derive", "rounds", "equipment")
"""The modules of this room that make tables of events."""


class Unreadable(Exception):
    """One sentence: why a piece can't be replayed here, and what to do."""


@cache
def rules() -> str:
    """A digest of all that makes tables of events; short, since every piece carries it."""
    digest = hashlib.sha256(derived.rules().encode())
    for path in [*(Path(__file__).with_name(f"{name}.py") for name in RULES),
                 *(Path(str(each.__file__)) for each in (round_record, report_rows, register))]:
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()[:16]


def test_of(number: int, rows: Sequence[Row]) -> dict[str, Any]:
    """``rows``: all of one test, at least one, checked when they came in. Raises Unreadable."""
    begun: Any = None
    try:
        begun = json.loads(rows[0].body)
        header = begun.get("header", {})
        if odd := sorted(key for key, value in header.items()
                         if key in report_rows.RECORDED or key in LABELS and len(str(value)) > MOST):
            raise Unreadable(f"Test {number} has a label {odd[0]!r} that no station gives: look at its journal with log verify.")
        test: dict[str, Any] = plain(summary.of_rows(number, rows))
        for moment in (test["started"], *(reading["taken"] for reading in test["readings"] if reading["taken"])):
            if datetime.fromisoformat(moment).utcoffset() is None:
                raise ValueError(f"{moment} is no time with its offset")
        return test
    except Unreadable:
        raise
    except Exception as error:  # whatever a replay may raise: it costs this test alone
        spoken = begun.get("language") if isinstance(begun, dict) else None
        if isinstance(spoken, str) and spoken != CURRENT.name:
            raise Unreadable(f'Test {number} was done in the language "{spoken}", and this office speaks "{CURRENT.name}": '
                             "stations of that language need an office of their own.") from None
        raise Unreadable(f"Test {number} can't be replayed ({line(error)}): "
                         "if its station is newer, upgrade the office.") from None


def line(error: Exception) -> str:
    """What it says, on one line, without its full stop."""
    return " ".join(str(error).split())[:300].rstrip(".") or type(error).__name__


# --- in the database ---------------------------------------------------------------------------------------------------------

def brief(document: Mapping[str, Any]) -> dict[str, Any]:
    """What a list, a chart or a lot needs of it."""
    return {key: value for key, value in document.items() if key not in LONG}


def exact(text: str | bytes) -> Any:
    """JSON of the database, for psycopg: a number with places is a Decimal."""
    return json.loads(text, parse_float=Decimal)


def loads(text: str | bytes) -> dict[str, Any]:
    """A test as ``summary.of`` gave it, of its whole document or of a part."""
    return as_derived(exact(text))


def as_derived(found: dict[str, Any]) -> dict[str, Any]:
    """The same of a document that ``exact`` read: JSON does not say which of its numbers was a Decimal and which a float."""
    for reading in found.get("readings", ()):
        reading["at"] = float(reading["at"])
        for each in (reading, *reading["entries"]):
            each["value"] = _decimal(each["value"])
    for result in found.get("results", ()):
        result |= {key: _decimal(result[key]) for key in ("value", "rounded")}
        result["limits"] = [_decimal(limit) for limit in result["limits"]]
    for figure in found.get("uncertainty", ()):
        figure["value"] = _decimal(figure["value"])
    if "leak_curve" in found:
        found["leak_curve"] = [[float(seconds), _decimal(psi)] for seconds, psi in found["leak_curve"]]
    return found


def _decimal(value: Any) -> Any:
    """A text (a time of day) or nothing stays what it is."""
    return Decimal(value) if isinstance(value, int) else value
