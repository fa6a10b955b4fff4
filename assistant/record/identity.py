"""Which record a journal is: a UUID that it has from birth, and keeps in every copy.

The first event of a record follows ``origin`` of its identity, so that no other record can have the same chain. A journal from
before (schemas 1 and 2) gets the UUID that its first event's hash gives: the same one in every copy, whenever it is opened.

It is kept as a text that is found in damaged bytes, in two pages of the file: as the table's row, and in what the table was made by.
"""
from __future__ import annotations

import hashlib
import re
from uuid import NAMESPACE_URL, UUID, uuid4, uuid5

MARK = "bowlside-record:"
_TEXT = re.compile(f"{MARK}([0-9a-f]{{8}}(?:-[0-9a-f]{{4}}){{3}}-[0-9a-f]{{12}})".encode())
UNKNOWN = "no longer says which record it is"
_OLDER = uuid5(NAMESPACE_URL, "bowlside:the first event of a record")


def new() -> UUID:
    return uuid4()


def of_older(first: str) -> UUID:
    """The identity of a record that was begun without one. ``first``: the hash of its first event."""
    return uuid5(_OLDER, first)


def origin(identity: UUID) -> str:
    """What stands for the hash before a record's first event: a SHA-256 in hexadecimal."""
    return hashlib.sha256(f"bowlside record {identity}".encode()).hexdigest()


def begins(identity: UUID, before: str | None, first: str) -> bool:
    """Whether a record of this identity begins with an event that follows ``before`` and has the hash ``first``."""
    return before == origin(identity) or identity == of_older(first)


def text(identity: UUID) -> str:
    """As it is kept."""
    return f"{MARK}{identity}"


def read(kept: object) -> UUID | None:
    """None: no such text."""
    match = _TEXT.fullmatch(kept.encode(errors="replace")) if isinstance(kept, str) else None
    return UUID(match[1].decode()) if match else None


def statements(identity: UUID) -> tuple[str, ...]:
    """SQL that keeps it."""
    return f"CREATE TABLE record (id TEXT DEFAULT '{text(identity)}')", "INSERT INTO record DEFAULT VALUES"


def all_in(data: bytes) -> list[UUID]:
    """Each identity that these bytes name, in their order."""
    return [UUID(match.decode()) for match in dict.fromkeys(_TEXT.findall(data))]
