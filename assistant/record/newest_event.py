"""The note beside the journal that says which event was the newest: number and hash, written after each commit.

The chain of hashes shows a changed or lost event in the middle. It can't show that the end is gone: SQLite drops what
follows a damaged byte of its write-ahead log without a word, and what is left is sound. The note shows that.

It is written after the event is on the disk and is not synced itself. So after a power cut it may be older than the
journal, never newer; and nobody waits for it. An older note, or none, accuses nobody.
"""
from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path

from assistant.files import owner_only

FILE = "journal.newest"
_LINE = re.compile(rb" *(\d{1,20}) ([0-9a-f]{64})\n")


def read(folder: Path) -> tuple[int, str] | None:
    """Number and hash of the newest event that was recorded; None if there is no note. Raises ValueError: it is damaged."""
    try:
        text = (folder / FILE).read_bytes()
    except OSError:
        return None
    if not text:
        return None  # made, and cut before it was written
    line = _LINE.fullmatch(text)
    if line is None:
        raise ValueError(f"the note {folder / FILE} of the newest event is damaged")
    return int(line[1]), line[2].decode()


class Note:
    """The note, open for writing. What goes wrong here is not told: the event itself is on the disk."""

    def __init__(self, folder: Path) -> None:
        self._file: int | None = None
        with suppress(OSError):
            self._file = owner_only.opener(str(folder / FILE), os.O_WRONLY | os.O_CREAT)

    def write(self, seq: int, digest: str) -> None:
        if self._file is not None:
            with suppress(OSError):
                os.pwrite(self._file, f"{seq:>20} {digest}\n".encode(), 0)  # always as long, so it is never cut short

    def close(self) -> None:
        if self._file is not None:
            os.close(self._file)
            self._file = None
