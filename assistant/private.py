"""Files that nobody else on the machine may read, whatever the umask: the record and what lies beside it.

Modes are set when a file is made and never changed later: who shares his record with a group on purpose keeps it shared.
"""
from __future__ import annotations

import os
from pathlib import Path

FOLDER, FILE = 0o700, 0o600


def touched(path: Path) -> Path:
    """The path; where there was no file an empty one is there now, for its owner alone. SQLite gives its log the same mode."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE))
    return path


def opener(path: str, flags: int) -> int:
    """For ``open(..., opener=opener)``."""
    return os.open(path, flags, FILE)
