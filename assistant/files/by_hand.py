"""Files that a person writes, read up to a size that no such file has: a wrong name (/dev/zero, a film) must not fill the memory."""
from __future__ import annotations

import errno
import tomllib
from pathlib import Path
from typing import Any, BinaryIO

MOST = 4_000_000
"""Bytes. A script of a whole round has about 50,000. Ours."""
_WHY = {errno.ENOENT: "there is no such file", errno.EISDIR: "it is a folder", errno.EACCES: "this user may not read it",
        errno.ENAMETOOLONG: "no file has so long a name"}


class Unreadable(ValueError):
    """str() is why, as the end of a sentence, with the line where one is to blame."""


class Missing(Unreadable):
    """There is no such file."""


def text(path: Path) -> str:
    """UTF-8, with or without a byte order mark. Raises Unreadable."""
    try:
        with open(path, "rb") as file:
            return text_of(file)
    except OSError as error:
        kind = Missing if isinstance(error, FileNotFoundError) else Unreadable
        raise kind(_WHY.get(error.errno or 0) or str(error.strerror).lower()) from None


def text_of(file: BinaryIO) -> str:
    """The same of what is open already, as standard input is."""
    data = file.read(MOST + 1)
    if len(data) > MOST:
        raise Unreadable(f"it is over {MOST // 1_000_000} MB, more than any such file needs")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise Unreadable(f"a letter in line {line} is not in UTF-8, as the editor should save it") from None


def toml(source: str, parse_float: Any = float) -> dict[str, Any]:
    """Parsed. Raises Unreadable."""
    try:
        return tomllib.loads(source, parse_float=parse_float)
    except RecursionError:
        raise Unreadable("it is nested too deep") from None
    except ValueError as error:  # no TOML, or a whole number of thousands of digits
        raise Unreadable(f"it is no valid TOML: {error}") from None
