"""Files between the station and the board: whole at any time, for owner and group."""
from __future__ import annotations

import json
import os
import stat
from collections.abc import Collection, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

FOLDER, FILE = 0o750, 0o640
"""The group may read: the board's user is in it, and nobody else."""


def write(path: Path, content: Mapping[str, Any]) -> None:
    """As JSON. Raises OSError."""
    put(path, json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode())


def put(path: Path, content: bytes) -> None:
    """The old file or the new one, never half of one; the folder is made where only it is missing. Raises OSError."""
    with suppress(FileExistsError):
        path.parent.mkdir(FOLDER)
        path.parent.chmod(FOLDER)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    with suppress(FileNotFoundError):
        beside.unlink()
    with open(beside, "xb", opener=lambda name, flags: os.open(name, flags | os.O_NOFOLLOW, FILE)) as out:
        os.fchmod(out.fileno(), FILE)
        out.write(content)
    os.replace(beside, path)


def get(path: Path, most: int) -> bytes:
    """A plain file of at most ``most`` bytes and nothing else: no link that leads elsewhere, no pipe that is waited for. What one
    process writes and another reads is read so. Raises OSError and ValueError."""
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with open(descriptor, "rb") as file:
        about = os.fstat(descriptor)
        if not stat.S_ISREG(about.st_mode) or about.st_size > most:
            raise ValueError(path.name)
        return file.read(most)


def clear(folder: Path, keep: Collection[str] = ()) -> None:
    """Takes pages and reports away, but for those to keep, and what a process that was ended left of one."""
    for pattern in ("test-*.json", "test-*.pdf", ".test-*", ".day.*"):
        for path in folder.glob(pattern):
            if path.name not in keep:
                with suppress(FileNotFoundError):
                    path.unlink()
