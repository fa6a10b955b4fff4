"""Files that a person writes, read up to a size that no such file has.

A wrong name (/dev/zero, a film) must not fill the memory.
"""
from __future__ import annotations

import errno
from pathlib import Path
from typing import BinaryIO

MOST = 4_000_000
"""Bytes. A script of a whole round has about 50,000. Ours."""


def read(path: Path, most: int = MOST) -> bytes:
    """Raises OSError, for a file that is larger too."""
    with open(path, "rb") as file:
        return read_from(file, str(path), most)


def read_from(file: BinaryIO, name: str, most: int = MOST) -> bytes:
    """What is open already, as standard input is."""
    data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"it is over {most // 1_000_000} MB, more than any such file needs", name)
    return data


def text(path: Path, most: int = MOST) -> str:
    """UTF-8, with or without a byte order mark. Raises OSError, UnicodeDecodeError."""
    return read(path, most).decode("utf-8-sig")
