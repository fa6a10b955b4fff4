"""Rendered phrases kept on disk, so that a fixed sentence begins at once, after a restart too.

A file holds one phrase; its name is a hash of everything that the sound depends on, so that another voice, rate or text
never finds it. Whatever is wrong with a file or the folder costs one rendering, never a test.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
import zlib
from pathlib import Path

LARGEST_BYTES = 32 << 20   # of all phrases together; a whole test's prompts take about a quarter
MAGIC = b"BWPH1"
HEAD = len(MAGIC) + 4      # and a checksum of the samples


def default_folder() -> Path:
    """``$XDG_CACHE_HOME/bowlside/speech``, or in ``~/.cache``."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "bowlside" / "speech"


class PhraseStore:
    """`get` and `put` 16-bit PCM by the parts of its name. Never raises; safe from any thread and process."""

    def __init__(self, folder: Path | None = None, largest_bytes: int = LARGEST_BYTES) -> None:
        self.folder, self._largest = folder or default_folder(), largest_bytes
        self._size: int | None = None

    def get(self, *parts: object) -> bytes | None:
        """None: not there, or not as it was written."""
        path = self._path(parts)
        try:
            body = path.read_bytes()
            os.utime(path)                 # the longest unused go first
        except OSError:
            return None
        pcm = body[HEAD:]
        whole = body[:HEAD] == MAGIC + zlib.crc32(pcm).to_bytes(4, "big") and len(pcm) % 2 == 0 and pcm
        return pcm if whole else None

    def put(self, pcm: bytes, *parts: object) -> None:
        path = self._path(parts)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.folder, suffix=".new")
            try:
                with open(handle, "wb") as out:
                    out.write(MAGIC + zlib.crc32(pcm).to_bytes(4, "big") + pcm)
                os.replace(name, path)     # whole or not at all
            except OSError:
                with contextlib.suppress(OSError):
                    os.unlink(name)
                return
            if self._size is not None:
                self._size += HEAD + len(pcm)
            if self._size is None or self._size > self._largest:
                self._tidy()
        except OSError:
            return

    def _path(self, parts: tuple[object, ...]) -> Path:
        name = hashlib.sha256("\0".join(map(str, parts)).encode()).hexdigest()[:40]
        return self.folder / f"{name}.pcm"

    def _tidy(self) -> None:
        """Down to three quarters, so that it is not done at every phrase."""
        files = []
        for path in self.folder.iterdir():
            with contextlib.suppress(OSError):
                found = path.stat()
                files.append((found.st_mtime, found.st_size, path))
        self._size = sum(size for _, size, _ in files)
        if self._size <= self._largest:
            return
        for _, size, path in sorted(files):
            if self._size <= self._largest * 3 // 4:
                break
            with contextlib.suppress(OSError):
                path.unlink()
                self._size -= size
