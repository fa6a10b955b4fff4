"""On which line of a TOML file a key stands. The standard library's parser does not say."""
from __future__ import annotations

import re
from functools import lru_cache

_PART = r"""(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+)"""
_KEY = rf"({_PART}(?:\s*\.\s*{_PART})*)"
_TABLE = re.compile(rf"\s*\[\[?\s*{_KEY}\s*\]")
_LINE = re.compile(rf"\s*{_KEY}\s*=")


def line_of(text: str, *key: str) -> int | None:
    """The line (1 is the first) of ``key``, such as ``line_of(text, "limits", "air_content")``.

    Where the key stands inside an inline table, or is missing, the line of what should hold it; None where even that is missing.
    """
    places = _places(text)
    return next((places[key[:n]] for n in range(len(key), 0, -1) if key[:n] in places), None)


@lru_cache(maxsize=1)
def _places(text: str) -> dict[tuple[str, ...], int]:
    """The first line of every key and table."""
    table: tuple[str, ...] = ()
    found: dict[tuple[str, ...], int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        if head := _TABLE.match(line):
            table = _parts(head[1])
            found.setdefault(table, number)
        elif head := _LINE.match(line):
            found.setdefault(table + _parts(head[1]), number)
    return found


def _parts(key: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_PART, key))
