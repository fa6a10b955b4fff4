"""Who may look: a four-digit code pairs a phone, whose session is kept by its number until it is revoked.

The code and the sessions are files in a folder of the board's own. Nothing of the station's is written, and what a request
writes is only its own new session. The code's file changes by the board's clock or by the operator: wrong guesses bring another
code, four digits by chance, a minute later or more.

Guesses: five wrong ones use a code up. Then every guess is refused, right or wrong, for a minute, and each time for twice as
long, up to an hour; after that the code is another. So ten hours of guessing try about 75 of 10,000 codes, and 10,000 guesses
in a row try five.
"""
from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import secrets
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from assistant.board import files
from assistant.files import owner_only
from assistant.files.plain import tamed
from hardware.clock import boot_now

CODE, SESSIONS = "board.json", "sessions.json"
FORM = re.compile(r"[0-9]{4}")
WRONG = 5
"""Wrong guesses that use a code up. Ours."""
FIRST_LOCK_S, MOST_LOCK_S = 60.0, 3600.0
MOST_SESSIONS = 100
"""Then the oldest goes."""
MOST = 200_000
"""Bytes of either file."""


SERVICE = Path("/var/lib/bowlside-board")


def own_folder() -> Path:
    """Where the board keeps its code and its sessions: the service's folder for whom that is open, else the user's."""
    return SERVICE if os.access(SERVICE, os.R_OK | os.X_OK) else (
        Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local/state") / "bowlside-board")


def _write(path: Path, data: Any, mode: int = 0o600) -> None:
    """The old file or the new one, never half of one."""
    half = path.with_name(f".{path.name}.{os.getpid()}")
    descriptor = os.open(half, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, mode)
    with open(descriptor, "w", encoding="utf-8") as file:
        os.fchmod(descriptor, mode)     # whatever the umask
        json.dump(data, file)
    owner_only.as_above(half)
    half.replace(path)


def _read(path: Path) -> Any:
    try:
        return json.loads(files.get(path, MOST))
    except (OSError, ValueError, RecursionError):
        return None


def _stamp(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_mtime_ns, found.st_ino


def code_of(folder: Path) -> dict[str, Any]:
    """The code and the addresses as the board last wrote them; empty where no board was started."""
    found = _read(folder / CODE)
    return found if isinstance(found, dict) else {}


def new_code(folder: Path, addresses: list[str] | None = None) -> str:
    """Write another code, which a running board takes up at once."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o750)
    code = f"{secrets.randbelow(10_000):04}"
    _tell(folder, code, code_of(folder).get("addresses", []) if addresses is None else addresses)
    return code


def _tell(folder: Path, code: str, addresses: list[str]) -> None:
    _write(folder / CODE, {"code": code, "addresses": addresses}, 0o640)


def forget_code(folder: Path) -> None:
    """No board runs any more."""
    (folder / CODE).unlink(missing_ok=True)


class Pairing:
    """The code that holds now, and what wrong guesses have done to it. ``addresses``: by which the board is reached now."""

    def __init__(self, folder: Path, addresses: Callable[[], list[str]], clock: Callable[[], float] = boot_now) -> None:
        self._path, self._clock = folder / CODE, clock
        self._wrong, self._locks, self._shut_until = 0, 0, 0.0
        self._addresses, self._told = addresses, addresses()
        self.code = new_code(folder, self._told)
        self._stamp = _stamp(self._path)

    @property
    def shut_s(self) -> float:
        """How long no guess is looked at."""
        return max(0.0, self._shut_until - self._clock())

    @property
    def left(self) -> int:
        """Wrong guesses until the code is used up."""
        return WRONG - self._wrong

    def guess(self, code: str) -> bool:
        """Whether it pairs."""
        self._take_up()
        if self.shut_s or self._wrong >= WRONG:
            return False
        if secrets.compare_digest(code.encode(), self.code.encode()):
            return True
        self._wrong += 1
        if self._wrong >= WRONG:
            self._shut_until = self._clock() + min(MOST_LOCK_S, FIRST_LOCK_S * 2 ** self._locks)
            self._locks += 1
        return False

    def look(self) -> None:
        """Once a second: a used-up code is followed by another when its time is over, and a network that came later is told."""
        self._take_up()
        if self._wrong >= WRONG and not self.shut_s:
            self.code, self._wrong = new_code(self._path.parent), 0
            self._stamp = _stamp(self._path)
        if (found := self._addresses()) != self._told:      # the service starts before the network has an address
            self._told = found
            _tell(self._path.parent, self.code, found)
            self._stamp = _stamp(self._path)

    def _take_up(self) -> None:
        """The operator's new code ends a lock."""
        if (stamp := _stamp(self._path)) != self._stamp:
            self._stamp = stamp
            given = str(code_of(self._path.parent).get("code", ""))
            if FORM.fullmatch(given) and given != self.code:
                self.code, self._wrong, self._locks, self._shut_until = given, 0, 0, 0.0


@dataclass(frozen=True)
class Session:
    number: int
    made: str
    """date and time of the wall clock"""
    phone: str
    """what the browser calls itself"""
    address: str
    secret: str
    """SHA-256 of the cookie, so that who reads the file can't use it"""


class Sessions:
    def __init__(self, folder: Path) -> None:
        self._folder, self._path = folder, folder / SESSIONS
        self._known: dict[str, Session] = {}
        self._stamp = (-1, -1)

    def add(self, phone: str, address: str) -> str:
        """A new session; its cookie."""
        cookie = secrets.token_urlsafe(24)
        with self._changing() as sessions:
            number = max((session.number for session in sessions), default=0) + 1
            sessions.append(Session(number, time.strftime("%Y-%m-%d %H:%M"), tamed(phone)[:120], address, _hash(cookie)))
            del sessions[:-MOST_SESSIONS]
        return cookie

    def known(self, cookie: str) -> bool:
        self.all()
        return _hash(cookie) in self._known

    def all(self) -> list[Session]:
        """As the file has them now."""
        if (stamp := _stamp(self._path)) != self._stamp:
            self._stamp = stamp
            self._known = {session.secret: session for session in self._load()}
        return list(self._known.values())

    def revoke(self, number: int | None) -> int:
        """One, or all; how many went."""
        with self._changing() as sessions:
            kept = [session for session in sessions if number is not None and session.number != number]
            gone = len(sessions) - len(kept)
            sessions[:] = kept
        return gone

    def _load(self) -> list[Session]:
        try:
            return [Session(**each) for each in _read(self._path) or []]
        except TypeError:
            return []

    @contextmanager
    def _changing(self) -> Iterator[list[Session]]:
        """The board and the operator's command may both change the file."""
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o750)
        with open(self._path.with_name("sessions.lock"), "a", opener=owner_only.opener) as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            sessions = self._load()
            yield sessions
            _write(self._path, [asdict(session) for session in sessions])


def _hash(cookie: str) -> str:
    return hashlib.sha256(cookie.encode()).hexdigest()
