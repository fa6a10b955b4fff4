"""The station's side of the crew's board: writes what the board may know into a folder, and takes nothing from there.

A thread of its own does it, from the newest state alone: a folder that is full, gone or hangs is told once, and the test goes on.
"""
from __future__ import annotations

import argparse
import secrets
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

from assistant.board import bulletin, day, files, how_to_pair, place
from assistant.core.language import sentence
from assistant.core.round_clock import BETWEEN
from assistant.core.state import Phase, State
from assistant.record import log
from assistant.send import status_line
from assistant.station import station_settings
from assistant.station.live import Live
from hardware.clock import boot_now

EVERY_S = 0.1
"""No oftener is it written; what comes first goes at once. Ours."""
HEARTBEAT_S = 5.0
DAY_S = 10.0
"""So long the end of the program waits for the report of a test that is over. Ours."""
HANGS_S = 2.0
"""And so long for a folder that hangs."""


class DayMaker:
    """Has the day's tests, their pages and reports made in a process of its own (``assistant.board.day``): between two tests, and
    never while one runs: then it is ended, and begun anew afterwards.

    journal, its_job   the record, and the file of the job, if one is used
    """

    def __init__(self, folder: Path, journal: Path, its_job: Path | None = None) -> None:
        self.folder, self.journal, self.its_job = folder, journal, its_job
        self._process: subprocess.Popen[bytes] | None = None
        self._due, self._tests = True, False
        self._stamp = (0, 0)
        self.count = 0
        """Grows with every change of ``day.json``."""
        self.trouble = ""
        """Why it could not be made."""

    def begin(self) -> None:
        """What another record left is taken away. Raises OSError."""
        if day.read(self.folder).get("record") != day.record(self.journal):
            files.clear(self.folder)
            with suppress(FileNotFoundError):
                (self.folder / place.DAY).unlink()

    def turn(self, state: State) -> None:
        """Raises OSError."""
        tests = state.procedure is not None and state.procedure.test != BETWEEN and state.phase is not Phase.OVER
        if tests and not self._tests:
            self.end()
            self._withhold({**(state.header or {}), "test": state.procedure.test if state.procedure else ""})
        self._due |= self._tests and not tests
        self._tests = tests
        self._look()
        if self._due and not tests and self._process is None:
            self._due = False
            more = ["--job", str(self.its_job)] if self.its_job else []
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", day.__name__, str(self.folder), "--journal", str(self.journal), *more],
                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)

    @property
    def busy(self) -> bool:
        return self._process is not None

    def end(self) -> None:
        """It is not waited for: what it has not made, it makes the next time."""
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process, self._due = None, True

    def _look(self) -> None:
        if self._process is not None and self._process.poll() is not None:
            said = self._process.communicate()[1].decode(errors="replace").strip().splitlines()
            self.trouble = (said or ["?"])[-1] if self._process.returncode else self.trouble
            self._process = None
        with suppress(FileNotFoundError):
            found = (self.folder / place.DAY).stat()
            if (stamp := (found.st_mtime_ns, found.st_ino)) != self._stamp:
                self._stamp, self.count = stamp, self.count + 1

    def _withhold(self, running: Mapping[str, Any]) -> None:
        before = day.read(self.folder)
        if before and (after := day.withheld(before, running)) != before:
            files.write(self.folder / place.DAY, after)
            files.clear(self.folder, {one[kind] for one in after["tests"] for kind in ("page", "pdf")})


class Publisher:
    """``show`` takes each new state and returns at once. A context manager: at its end the board is told that the station is off.

    folder    where to; made if only it is missing
    practice  nothing that this process does counts
    trouble   takes the one sentence about a folder that can't be written
    days      has the day's tests made; None: not wanted
    office    one line about what leaves for the office; empty: nothing to tell
    """

    def __init__(self, folder: Path, practice: bool = False, trouble: Callable[[str], None] = lambda words: None,
                 days: DayMaker | None = None, now: Callable[[], float] = boot_now, office: Callable[[], str] = str) -> None:
        self.folder, self.practice, self.days, self._office = folder, practice, days, office
        self._office_line, self._office_at = "", float("-inf")
        self._trouble, self._clock = trouble, now
        self._run, self._seq = secrets.token_hex(8), 0
        self._state = State()
        self._last: State | None = None
        self._news, self._closed, self._told = threading.Event(), False, False
        self._beat = float("-inf")
        self._written: dict[str, Any] = {}
        self._pair = ""
        self._thread = threading.Thread(target=self._go, name="board", daemon=True)

    def show(self, state: State) -> None:
        """From the loop: nothing is made or written here."""
        if state is not self._state:
            if state.phase is Phase.OVER and state.procedure is not None and state.procedure.test != BETWEEN:
                self._last = state
            self._state = state
            self._news.set()

    def __enter__(self) -> Publisher:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closed = True
        self._news.set()
        self._thread.join(HANGS_S + (DAY_S if self.days is not None else 0.0))

    def _go(self) -> None:
        try:
            self._until_closed()
        except Exception as error:  # a mistake of ours must not leave the crew with an old board and nobody told
            self._tell(sentence("board.not_written", folder=self.folder, why=repr(error)))

    def _until_closed(self) -> None:
        if self.days is not None:
            with suppress(OSError):
                self.days.begin()
        while not self._closed:
            self._pairing()
            busy = self.days is not None and self.days.busy
            self._news.wait(EVERY_S if busy else max(0.0, self._beat + HEARTBEAT_S - self._clock()))
            self._news.clear()
            self.turn()
            time.sleep(EVERY_S)
        self.turn(off=True)
        if self.days is not None:
            until = self._clock() + DAY_S
            while self.days.busy and self._clock() < until:
                time.sleep(EVERY_S)
                self.turn(off=True)
            self.days.end()

    def turn(self, off: bool = False) -> None:
        """Writes the newest state where the board would see another than was written, or as a sign of life."""
        try:
            self._turn(off)
        except OSError as error:
            self._tell(sentence("board.not_written", folder=self.folder, why=error.strerror or error))
        if self.days is not None and self.days.trouble:
            self._tell(sentence("board.no_day", why=self.days.trouble.rstrip(".")))

    def _pairing(self) -> None:
        """The board's address and code, when they are others than were shown."""
        if (words := how_to_pair.shown()) != self._pair:
            self._pair = words
            if words:
                self._trouble(words)

    def _tell(self, words: str) -> None:
        if not self._told:
            self._told = True
            self._trouble(words)

    def _turn(self, off: bool) -> None:
        state, now = self._state, self._clock()
        if self.days is not None:
            self.days.turn(state)
        made = {**bulletin.of(state, self._last, self.practice), "day": self.days.count if self.days is not None else 0,
                "office": self._of_office(now)}
        if off:
            made |= bulletin.off(state)
        if made == self._written and now - self._beat < HEARTBEAT_S:
            return
        self._seq += made != self._written
        self._written, self._beat = made, now
        files.write(self.folder / place.NOW, {**bulletin.stamped(made, now), "run": self._run, "seq": self._seq})

    def _of_office(self, now: float) -> str:
        """Looked for with the signs of life: no state of a test has a part in it, and it has none in any."""
        if now - self._office_at >= HEARTBEAT_S:
            self._office_line, self._office_at = self._office(), now
        return self._office_line


def beside(args: argparse.Namespace) -> Callable[[Live], Publisher] | None:
    """What `run`, `round` and `practise` start beside the tests: nothing, unless it is wanted. Raises StationSettingsError."""
    if not (args.board or args.board_folder or station_settings.read()["board"]["publish"]):
        return None
    folder = place.folder(args.board_folder)

    def begin(live: Live) -> Publisher:
        practice = live.practice is not None
        journal = args.journal or log.default_folder(practice)
        publisher = Publisher(folder, practice, live.trouble, DayMaker(folder, journal, getattr(args, "job", None)),
                              office=partial(status_line.board_line, journal))
        live.board, live.pairing = publisher.show, how_to_pair.said
        return publisher
    return begin
