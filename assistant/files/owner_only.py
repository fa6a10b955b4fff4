"""Files that nobody else on the machine may read, whatever the umask: the record and what lies beside it.

Modes are set when a file is made and never changed later: who shares his record with a group on purpose keeps it shared.
"""
from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path

FOLDER, FILE = 0o700, 0o600


def plain(*paths: Path) -> None:
    """Raises OSError where something stands that is no file: whoever opens a pipe waits without end."""
    for path in paths:
        if path.exists() and not path.is_file():
            raise OSError(errno.EINVAL, f"{path.name} is a folder, pipe or device and must be a file")


def touched(path: Path) -> Path:
    """The path; where there was no file an empty one is there now, for its owner alone. SQLite gives its log the same mode."""
    os.close(opener(str(path), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC))
    return path


def opener(path: str, flags: int) -> int:
    """For ``open(..., opener=opener)``."""
    descriptor = os.open(path, flags, FILE)
    as_above(Path(path))
    return descriptor


def write(path: Path, content: bytes) -> None:
    """The old file or the new one, on the disk when this returns. Raises OSError."""
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)
    with open(beside, "xb", opener=opener) as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    beside.replace(path)
    on_disk(path.parent)


def on_disk(folder: Path) -> None:
    """The names in it, as far as its file system can: some have no such thing."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def as_above(path: Path) -> None:
    """What root makes in a folder of another's is that other's: after ``sudo bowlside meter add`` the service can open it."""
    if os.geteuid() == 0 and path.lstat().st_uid == 0:
        owner = path.parent.stat()
        if owner.st_uid:
            with suppress(OSError):  # some file systems have no owners
                os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)
