"""A test's document in the database: JSON that keeps every digit, and the same test read back from it, value for value and kind
for kind.

A jsonb keeps a number as numeric, with its places: 0.20 stays 0.20. Whoever reads one must not make a float of it.
"""
from __future__ import annotations

import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from assistant.files.jsonline import dumps
from assistant.record.derived import LONG

__all__ = ["brief", "dumps", "exact", "loads"]


def brief(document: Mapping[str, Any]) -> dict[str, Any]:
    """What a list, a chart or a lot needs of it."""
    return {key: value for key, value in document.items() if key not in LONG}


def exact(text: str | bytes) -> Any:
    """JSON of the database, for psycopg: a number with places is a Decimal."""
    return json.loads(text, parse_float=Decimal)


def loads(text: str | bytes) -> dict[str, Any]:
    """A test as ``summary.of`` gave it, of its whole document or of a part."""
    return again(exact(text))


def again(found: dict[str, Any]) -> dict[str, Any]:
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
