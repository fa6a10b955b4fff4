"""One JSON object on one line, a Decimal as a bare number with exactly its own digits (0.20 stays 0.20)."""

import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any


def dumps(obj: Any) -> str:
    """JSON text without a line break. ValueError on NaN or infinity, TypeError on what JSON can't hold."""
    if isinstance(obj, Decimal):
        if not obj.is_finite():
            raise ValueError(f"{obj} can't be written as JSON")
        return f"{obj:f}"
    if isinstance(obj, Mapping):
        return "{" + ", ".join(f"{json.dumps(str(key), ensure_ascii=False)}: {dumps(value)}"
                               for key, value in obj.items()) + "}"
    if isinstance(obj, list | tuple):
        return "[" + ", ".join(map(dumps, obj)) + "]"
    return json.dumps(obj, ensure_ascii=False, allow_nan=False)


def loads(text: str) -> Any:
    """Parse JSON with every number an exact Decimal. ValueError on what is no JSON, NaN and infinity included."""
    def refuse(name: str) -> Any:
        raise ValueError(f"{name} is no number")
    return json.loads(text, parse_float=Decimal, parse_int=Decimal, parse_constant=refuse)
