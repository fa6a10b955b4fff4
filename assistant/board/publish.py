"""The station's side of the crew's board: writes what the board may know into a folder, and takes nothing from there.

A thread of its own does it, from the newest state alone: a folder that is full, gone or hangs is told once, and the test goes on.
"""
from __future__ import annotations

import argparse
import json
import os
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from assistant.board import bulletin, place
from assistant.core.language import sentence
from assistant.core.state import Phase, State
from assistant.station import station_settings
from assistant.station.live import Live
from hardware.clock import boot_now

EVERY_S = 0.1
"""No oftener is it written; what comes first goes at once. Ours."""
HEARTBEAT_S = 5.0
FOLDER, FILE = 0o750, 0o640
"""The group may read: the board's user is in it, and nobody else."""


def write(path: Path, content: Mapping[str, Any]) -> None:
    """The old file or the new one, never half of one, for owner and group. Raises OSError."""
    put(path, json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode())


def put(path: Path, content: bytes) -> None:
    with suppress(FileExistsError):
        path.parent.mkdir(FOLDER)
        path.parent.chmod(FOLDER)
    beside = path.with_name(f".{path.name}.part")
    with suppress(FileNotFoundError):
        beside.unlink()  # left by one that was killed
    with open(beside, "xb", opener=lambda name, flags: os.open(name, flags | os.O_NOFOLLOW, FILE)) as out:
        os.fchmod(out.fileno(), FILE)
        out.write(content)
    os.replace(beside, path)


class Publisher:
    """``show`` takes each new state and returns at once. A context manager: at its end the board is told that the station is off.

    folder    where to; made if only it is missing
    practice  nothing that this process does counts
    trouble   takes the one sentence about a folder that can't be written
    """

    def __init__(self, folder: Path, practice: bool = False, trouble: Callable[[str], None] = lambda words: None,
                 now: Callable[[], float] = boot_now) -> None:
        self.folder, self.practice = folder, practice
        self._trouble, self._clock = trouble, now
        self._run, self._seq = secrets.token_hex(8), 0
        self._state = State()
        self._last: State | None = None
        self._news, self._closed, self._told = threading.Event(), False, False
        self._beat = float("-inf")
        self._written: dict[str, Any] = {}
        self._thread = threading.Thread(target=self._go, name="board", daemon=True)

    def show(self, state: State) -> None:
        """From the loop: nothing is made or written here."""
        if state is not self._state:
            self._state = state
            self._news.set()

    def __enter__(self) -> Publisher:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closed = True
        self._news.set()
        self._thread.join(2.0)

    def _go(self) -> None:
        while not self._closed:
            self._news.wait(max(0.0, self._beat + HEARTBEAT_S - self._clock()))
            self._news.clear()
            self.turn()
            time.sleep(EVERY_S)
        self.turn(off=True)

    def turn(self, off: bool = False) -> None:
        """Writes the newest state where the board would see another than was written, or as a sign of life."""
        state, now = self._state, self._clock()
        made = bulletin.of(state, self._last, self.practice)
        if off:
            made |= bulletin.off(state)
        if state.phase is Phase.OVER and made["state"] != "round":
            self._last = state
        if made == self._written and now - self._beat < HEARTBEAT_S:
            return
        self._seq += made != self._written
        self._written, self._beat = made, now
        try:
            write(self.folder / place.NOW, {**bulletin.stamped(made, now), "run": self._run, "seq": self._seq, "day": 0})
        except OSError as error:
            if not self._told:
                self._told = True
                self._trouble(sentence("board.not_written", folder=self.folder, why=error.strerror or error))


def beside(args: argparse.Namespace) -> Callable[[Live], Publisher] | None:
    """What `run`, `round` and `practise` start beside the tests: nothing, unless it is wanted. Raises StationSettingsError."""
    if not (args.board or args.board_folder or station_settings.read()["board"]["publish"]):
        return None
    folder = place.folder(args.board_folder)

    def begin(live: Live) -> Publisher:
        publisher = Publisher(folder, live.practice is not None, live.trouble)
        live.board = publisher.show
        return publisher
    return begin
