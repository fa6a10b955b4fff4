"""On which line of a TOML file a key stands. The standard library's parser does not say."""
from __future__ import annotations

import re

_PART = r"""(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+)"""
_KEY = rf"({_PART}(?:\s*\.\s*{_PART})*)"
_TABLE = re.compile(rf"\s*\[\[?\s*{_KEY}\s*\]")
_LINE = re.compile(rf"\s*{_KEY}\s*=")


def line_of(text: str, *key: str) -> int | None:
    """The line (1 is the first) of ``key``, such as ``line_of(text, "limits", "air_content")``.

    Where the key stands inside an inline table, or is missing, the line of what should hold it; None where even that is missing.
    """
    table: tuple[str, ...] = ()
    best, place = 0, None
    for number, line in enumerate(text.splitlines(), 1):
        if head := _TABLE.match(line):
            found = table = _parts(head[1])
        elif head := _LINE.match(line):
            found = table + _parts(head[1])
        else:
            continue
        if len(found) > best and found == key[:len(found)]:
            best, place = len(found), number
    return place


def _parts(key: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_PART, key))
