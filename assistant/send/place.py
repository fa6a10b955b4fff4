"""What the sender keeps: its office, its key, how far it got, and what it tells of itself. A folder beside the record, never in it.

What is kept of how far it got is never trusted over the office: it spares time, and sending twice changes nothing.
"""
from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import IO, Any

from assistant.files import owner_only
from assistant.files.owner_only import write
from assistant.files.plain import is_line
from assistant.files.refusal import Refusal
from assistant.record.journal import make

OFFICE, KEY, AUTHORITY, PLACE, STATUS, LOCK = "office.json", "key", "authority.pem", "place.json", "status.json", "send.lock"
MOST = 4_000_000
"""Bytes of a file of ours; one that is longer is none. Ours."""
TAKES_OVER_S = 2.0
"""So long a sender waits for another to end: it may only have been looked whether one runs. Ours."""


def folder(journal: Path) -> Path:
    """Beside the folder of the record."""
    whole = Path(os.path.abspath(journal))
    return whole.with_name(f"{whole.name}.sent")


def read(path: Path) -> dict[str, Any]:
    """Empty where there is none, or it is none: all that is kept can be done without."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with open(descriptor, "rb") as file:
            found = json.loads(file.read(MOST))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def as_json(content: Mapping[str, Any]) -> bytes:
    return json.dumps(content, ensure_ascii=False, indent=1).encode() + b"\n"


@dataclass(frozen=True)
class Office:
    """Where a station is enrolled, and as what."""
    address: str
    """https:// and on, without a path."""
    station: str
    """Its number at the office, a UUID."""
    name: str
    office: str
    """What the office calls itself."""
    practice: bool = False
    """Enrolled to practise: its practice leaves, and the office marks it."""
    authority: bool = False
    """An authority of its own for the office's certificate is kept here."""


@dataclass(frozen=True)
class Place:
    """How far it got."""
    record: str = ""
    seq: int = 0
    """The last event of the last piece up to which the office has all."""
    hash: str = ""
    count: int = 0
    """Pieces that the office has."""
    refused: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    """By its hash: what the office did not take (``test``), why, and when it said so."""


class Sent:
    """The folder of one record's sender."""

    def __init__(self, journal: Path) -> None:
        self.path = folder(journal)
        self._lock: IO[str] | None = None

    # --- the office ---------------------------------------------------------------------------------------------------------

    def office(self) -> Office | None:
        """None: not enrolled."""
        found = read(self.path / OFFICE)
        texts = [found.get(name) for name in ("address", "station", "name", "office")]
        if not all(isinstance(text, str) and text and is_line(text) for text in texts):
            return None
        address, station, name, office = map(str, texts)
        return Office(address, station, name, office, found.get("practice") is True, found.get("authority") is True)

    def enrolled_at(self) -> int:
        """Changes when it is enrolled anew."""
        try:
            return (self.path / OFFICE).stat().st_mtime_ns
        except OSError:
            return 0

    def key(self) -> str:
        """Empty: there is none."""
        with suppress(OSError, ValueError):
            return (self.path / KEY).read_text(encoding="ascii").strip()
        return ""

    def authority(self) -> Path | None:
        return self.path / AUTHORITY if (known := self.office()) and known.authority else None

    def room(self) -> None:
        """Makes the folder, and tries whether there is room for what enrolling brings: a code counts once. Raises OSError."""
        make(self.path)
        write(self.path / ".room", bytes(16_384))
        (self.path / ".room").unlink()

    def enrol(self, office: Office, key: str, authority: bytes | None) -> None:
        """The office's file comes last: with it the station is enrolled. Raises OSError."""
        if (before := self.office()) and before.address != office.address:
            (self.path / OFFICE).unlink()       # killed from here on it is not enrolled, and no key goes to another's address
        write(self.path / KEY, key.encode("ascii") + b"\n")
        if authority is not None:
            write(self.path / AUTHORITY, authority)
        write(self.path / OFFICE, as_json(asdict(replace(office, authority=authority is not None))))

    # --- how far it got -----------------------------------------------------------------------------------------------------

    def place(self) -> Place:
        """A file that is none counts as nothing sent: then the office says what it has."""
        found = read(self.path / PLACE)
        try:
            place = Place(str(found["record"]), int(found["seq"]), str(found["hash"]), int(found["count"]),
                          {str(digest): {"test": int(each["test"]), "why": str(each["why"]), "at": float(each["at"])}
                           for digest, each in found["refused"].items()})
        except (KeyError, TypeError, ValueError, AttributeError):
            return Place()
        return place if place.seq >= 0 and place.count >= 0 else Place()

    def keep(self, place: Place) -> None:
        """Raises OSError."""
        write(self.path / PLACE, as_json(asdict(replace(place, refused={digest: dict(why) for digest, why in place.refused.items()}))))

    # --- what it tells ------------------------------------------------------------------------------------------------------

    def tell(self, status: Mapping[str, Any]) -> None:
        """Raises OSError."""
        write(self.path / STATUS, as_json(status))

    def told(self) -> dict[str, Any]:
        return read(self.path / STATUS)

    # --- one at a time ------------------------------------------------------------------------------------------------------

    def take(self) -> None:
        """For this process alone. Raises Refusal: another one sends; OSError."""
        make(self.path)
        lock = open(self.path / LOCK, "w", opener=owner_only.opener)
        until = time.monotonic() + TAKES_OVER_S
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    lock.close()
                    raise Refusal("send: another bowlside send is sending this record already; bowlside send --status tells how far "
                                  "it is.") from None
                time.sleep(0.05)
        self._lock = lock

    def close(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def taken(self) -> bool:
        """Whether a sender runs."""
        try:
            with open(self.path / LOCK, encoding="ascii") as lock:
                fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except BlockingIOError:
            return True
        except OSError:
            return False
        return False
