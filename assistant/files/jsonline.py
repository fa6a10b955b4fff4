"""One JSON object on one line, a Decimal as a bare number with exactly its own digits (0.20 stays 0.20)."""

import json
from collections.abc import Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from assistant.files.plain import tamed


def dumps(obj: Any) -> str:
    """JSON text without a line break or anything else that can't be printed.

    ValueError on NaN or infinity, TypeError on what JSON can't hold.
    """
    if isinstance(obj, Decimal):
        if not obj.is_finite():
            raise ValueError(f"{obj} can't be written as JSON")
        return f"{obj:f}"
    if isinstance(obj, Mapping):
        return "{" + ", ".join(f"{tamed(json.dumps(str(key), ensure_ascii=False))}: {dumps(value)}"
                               for key, value in obj.items()) + "}"
    if isinstance(obj, list | tuple):
        return "[" + ", ".join(map(dumps, obj)) + "]"
    return tamed(json.dumps(obj, ensure_ascii=False, allow_nan=False))


def loads(text: str) -> Any:
    """Parse JSON with every number an exact Decimal.

    ValueError, one sentence, on what is no JSON (json.JSONDecodeError, with its place), NaN and infinity, a
    number beyond any use, a key given twice, or nesting without end.
    """
    try:
        return json.loads(text, parse_float=_number, parse_int=_number, parse_constant=_number,
                          object_pairs_hook=_once)
    except RecursionError:
        raise ValueError("it is nested too deep") from None


def _number(digits: str) -> Decimal:
    try:
        value = Decimal(digits)
    except InvalidOperation:  # an exponent of twenty digits
        value = Decimal("NaN")
    if not value.is_finite():
        raise ValueError(f"{digits[:40]} is no usable number: write it in plain digits")
    return value


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table: dict[str, Any] = {}
    for key, value in pairs:
        if key in table:
            raise ValueError(f"{json.dumps(key)[:40]} is given twice: give it once")
        table[key] = value
    return table
