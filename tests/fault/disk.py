"""A disk that can be cut off, filled up or broken under the real journal: what was asked of it, and what is left of that.

``SqliteDisk`` is a file layer for SQLite itself (an apsw VFS): the real ``Journal`` runs on it, with SQLite's own
write-ahead log and checkpoints, and every write and sync is kept in order. ``disk_after`` makes the files as a power cut
may leave them: what was synced is there, of the rest any mixture, torn at a sector.
A file that was removed may come back unless its folder was synced after. Simplified: a file's name is on the disk once
the file is (the journal's folder itself is synced; see test_power_cut).
"""
from __future__ import annotations

import os
import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import apsw
import pytest

SECTOR = 512


@dataclass(frozen=True)
class Asked:
    """One request to the system: ``write``, ``truncate``, ``sync`` or ``remove`` a file, or a line that was ``said``."""
    what: str
    path: str
    data: bytes = b""
    at: int = 0


def disk_after(asked: list[Asked], chance: random.Random, unsynced: tuple[float, ...] = (0.0, 0.5, 1.0)) -> dict[str, bytes]:
    """The files as a cut after the last of these requests may leave them. ``unsynced``: shares of it that may survive."""
    files: dict[str, bytes] = {}
    folder_sync = max((place for place, each in enumerate(asked)
                       if each.what == "sync" and each.path.endswith("/journal")), default=-1)
    for path in sorted({each.path for each in asked if Path(each.path).name.startswith("journal.")}):
        mine = [(place, each) for place, each in enumerate(asked) if each.path == path]
        removed = [at for at, (place, each) in enumerate(mine)
                   if each.what == "remove" and (place < folder_sync or chance.random() < 0.5)]
        mine = mine[removed[-1] + 1:] if removed else mine
        synced = max((place for place, each in mine if each.what == "sync"), default=-1)
        kept, how_much = bytearray(), chance.choice(unsynced)
        for place, each in mine:
            if place < synced or chance.random() < how_much:
                torn = place > synced and each.what == "write" and chance.random() < 0.3
                _apply(kept, each, chance.randrange(0, len(each.data) + 1) // SECTOR * SECTOR if torn else None)
        if mine:
            files[path] = bytes(kept)
    return files


def _apply(file: bytearray, each: Asked, only: int | None) -> None:
    if each.what == "truncate":
        del file[each.at:]
        file.extend(bytes(each.at - len(file)))
    elif each.what == "write":
        data = each.data if only is None else each.data[:only]
        file.extend(bytes(max(0, each.at + len(data) - len(file))))
        file[each.at:each.at + len(data)] = data


Trouble = Callable[[int, str, str], type[Exception] | None]
"""Number of the request (from 1), what it is, the file's path -> the error that the disk answers with, or None."""


class SqliteDisk(apsw.VFS):
    """Real files, on which everything that is asked is kept in ``asked``, and any request may be refused by ``trouble``."""

    NAME = "bowlside-test-disk"

    def __init__(self) -> None:
        super().__init__(self.NAME, "unix")
        self.asked: list[Asked] = []
        self.trouble: Trouble = lambda number, what, path: None
        self.count = 0

    def ask(self, what: str, path: str, data: bytes = b"", at: int = 0) -> None:
        """Raises what ``trouble`` says; else notes the request."""
        self.count += 1
        error = self.trouble(self.count, what, path)
        if error is not None:
            raise error("made by the test")
        self.asked.append(Asked(what, path, data, at))

    def xOpen(self, name: Any, flags: list[int]) -> "_File":
        return _File(self, name, flags)

    def xDelete(self, name: str, sync_folder: bool) -> None:
        self.ask("remove", name)
        super().xDelete(name, sync_folder)
        if sync_folder:
            self.ask("sync", str(Path(name).parent))


class _File(apsw.VFSFile):
    def __init__(self, disk: SqliteDisk, name: Any, flags: list[int]) -> None:
        path = str(getattr(name, "filename", lambda: name or "")())
        self._new_log = path.endswith(("-wal", "-journal")) and not os.path.exists(path)
        super().__init__("unix", name, flags)
        self._disk, self._path = disk, path

    def xWrite(self, data: bytes, offset: int) -> None:
        self._disk.ask("write", self._path, bytes(data), offset)
        super().xWrite(data, offset)

    def xTruncate(self, size: int) -> None:
        self._disk.ask("truncate", self._path, at=size)
        super().xTruncate(size)

    def xSync(self, flags: int) -> None:
        """Not passed on: what is on this machine's own disk does not matter here."""
        self._disk.ask("sync", self._path)
        if self._new_log:  # SQLite's own layer then syncs the folder too, as the traced cuts see
            self._new_log = False
            self._disk.ask("sync", str(Path(self._path).parent))


class _Rows(list):
    def fetchall(self) -> list[Any]:
        return self

    def fetchone(self) -> Any:
        return self[0] if self else None


class Connection:
    """apsw's connection as the journal uses sqlite3's: the same SQLite, its errors under the names that sqlite3 gives them."""

    def __init__(self, address: str, checkpoint_every: int) -> None:
        try:
            self._db = apsw.Connection(f"{address}&vfs={SqliteDisk.NAME}",
                                       flags=apsw.SQLITE_OPEN_URI | apsw.SQLITE_OPEN_READWRITE | apsw.SQLITE_OPEN_CREATE)
            self._db.set_busy_timeout(0)
            self._every = checkpoint_every
            self._db.set_wal_hook(self._checkpoint)
        except apsw.Error as error:
            raise sqlite3.OperationalError(str(error)) from None

    def _checkpoint(self, db: apsw.Connection, name: str, pages: int) -> int:
        """As SQLite's own hook does: a checkpoint that fails is tried again at the next commit, and is no error of this one."""
        if pages >= self._every:
            with suppress(apsw.Error):
                db.wal_checkpoint(name, apsw.SQLITE_CHECKPOINT_PASSIVE)
        return 0

    def execute(self, sql: str, values: tuple[Any, ...] = ()) -> _Rows:
        try:
            return _Rows(self._db.execute(sql, values))
        except apsw.Error as error:
            raise sqlite3.OperationalError(str(error)) from None

    def close(self) -> None:
        """A checkpoint that fails while closing is no error to SQLite; only apsw passes on what a file layer in Python raised."""
        with suppress(apsw.Error):
            self._db.close(True)


@contextmanager
def under_the_journal(checkpoint_every: int = 1000) -> Iterator[SqliteDisk]:
    """Inside, every journal that is opened lies on such a disk, the note of the newest event too.

    ``checkpoint_every``: pages of the log after which SQLite copies it into the database; 1000 is SQLite's own.
    """
    disk, pwrite = SqliteDisk(), os.pwrite

    def noted(file: int, data: bytes, at: int) -> int:
        disk.asked.append(Asked("write", os.readlink(f"/proc/self/fd/{file}"), data, at))
        return pwrite(file, data, at)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sqlite3, "connect", lambda address, **_: Connection(address, checkpoint_every))
        patch.setattr(os, "pwrite", noted)
        try:
            yield disk
        finally:
            disk.unregister()
