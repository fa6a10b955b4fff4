"""Who may send: a code said once gives a station its key, and one command takes it away.

A code has eight digits, is good once and for an hour, and ten wrong ones from one network, or a thousand from all, are looked at
in an hour: a thousand guesses at ten open codes out of a hundred million hit one with a chance of 1 to 10,000. Ours. Of codes and
keys only the SHA-256 is kept. A key is 32 random bytes, so nothing slower is needed. A code's hash hides little from who can read
the database within that hour: a code is no secret from the office.
"""
from __future__ import annotations

import re
import secrets
import uuid
import zlib
from dataclasses import dataclass
from datetime import datetime, timedelta

from psycopg import Connection

from assistant.files import plain
from assistant.files.refusal import Refusal
from assistant.office.readers import hashed, network
from assistant.office.refused import Refused

LASTS = timedelta(hours=1)
WRONG_FROM_ONE, WRONG_IN_ALL = 10, 1000
"""Wrong codes that are looked at in an hour."""
LONGEST_NAME = 80
_ENROL = zlib.crc32(b"bowlside office enrol")
"""Enrolling goes one by one, over all instances: an advisory lock."""


ENROL = """
INSERT INTO office.stations AS s (name, practice, key_hash, program) VALUES (%s, %s, %s, %s)
ON CONFLICT (name) DO UPDATE SET key_hash = excluded.key_hash, enrolled_at = now(), revoked_at = NULL, program = excluded.program
WHERE s.practice = excluded.practice RETURNING id, name, practice
"""


@dataclass(frozen=True)
class Code:
    digits: str
    expires: datetime

    def __str__(self) -> str:
        """As it is said: two groups of four."""
        return f"{self.digits[:4]} {self.digits[4:]}"


@dataclass(frozen=True)
class Station:
    id: uuid.UUID
    name: str
    practice: bool


def code(db: Connection, name: str, practice: bool = False) -> Code:
    """A new code, by which one station enrols under this name; the name's old key ends when it does. Raises Refusal.

    practice  only practice and invented tests are taken from it
    """
    name = name.strip()
    if not name or not plain.is_line(name) or len(name) > LONGEST_NAME:
        raise Refusal(f"A station's name must be a text on one line, at most {LONGEST_NAME} characters.")
    there = db.execute("SELECT practice FROM office.stations WHERE name = %s", (name,)).fetchone()
    if there and there[0] != practice:
        kind, how = ("a practice station", "Add --practice") if there[0] else ("a real station", "Leave --practice out")
        raise Refusal(f"{name} is {kind}, and stays one: practice is never mixed with results. {how}, or choose another name.")
    db.execute("DELETE FROM office.codes WHERE expires_at < now()")
    expires = None
    while expires is None:      # where many are open at once two may be alike
        digits = f"{secrets.randbelow(10**8):08}"
        expires = db.execute("INSERT INTO office.codes (code_hash, name, practice, expires_at) VALUES (%s, %s, %s, now() + %s) "
                             "ON CONFLICT DO NOTHING RETURNING expires_at", (hashed(digits), name, practice, LASTS)).fetchone()
    return Code(digits, expires[0])


def redeem(db: Connection, given: str, address: str, program: str = "") -> tuple[Station, str]:
    """The station that this code enrols, and its key, which nobody but the station will ever know. Commits. Raises Refused."""
    digits = re.sub(r"[ .\-]", "", given)
    if not re.fullmatch(r"[0-9]{8}", digits):
        raise Refused(400, "An enrolment code has eight digits: ask the office for one.")
    with db.transaction():
        enrolled = _redeemed(db, digits, network(address), program)
    if enrolled is None:    # after the commit: the guess counts
        raise Refused(403, "That code is wrong, used or older than an hour: ask the office for a new one.")
    return enrolled


def _redeemed(db: Connection, digits: str, network: str, program: str) -> tuple[Station, str] | None:
    db.execute("SELECT pg_advisory_xact_lock(%s)", (_ENROL,))
    db.execute("DELETE FROM office.guesses WHERE at < now() - %s", (LASTS,))
    wrong = db.execute("SELECT count(*) FILTER (WHERE address = %s), count(*) FROM office.guesses", (network,)).fetchone()
    assert wrong is not None
    if wrong[0] >= WRONG_FROM_ONE or wrong[1] >= WRONG_IN_ALL:
        raise Refused(429, "Too many wrong codes came within the hour, so none is looked at now: try again in an hour.", 3600)
    known = db.execute("UPDATE office.codes SET used_at = now() WHERE code_hash = %s AND used_at IS NULL AND expires_at > now() "
                       "RETURNING name, practice", (hashed(digits),)).fetchone()
    if known is None:
        db.execute("INSERT INTO office.guesses (address) VALUES (%s)", (network,))
        return None
    key = secrets.token_urlsafe(32)
    its = db.execute(ENROL, (*known, hashed(key), program)).fetchone()
    if its is None:
        raise Refused(409, "That name was meanwhile given to a station of another kind: ask the office for a new code.")
    return Station(*its), key


def known(db: Connection, key: str, lock: bool = False) -> Station:
    """Whose key this is. Raises Refused.

    lock  until the transaction ends: a station's requests go one by one, and a key revoked before is refused
    """
    row = db.execute("SELECT id, name, practice, revoked_at IS NOT NULL FROM office.stations WHERE key_hash = %s"
                     + (" FOR NO KEY UPDATE" if lock else ""), (hashed(key),)).fetchone()
    if row is None:
        raise Refused(401, "This office does not know that key: enrol the station again with a code from the office.")
    if row[3]:
        raise Refused(403, f"The key of {row[1]} was revoked: enrol the station again with a code from the office.")
    return Station(*row[:3])


def holder(db: Connection, key: str) -> uuid.UUID | None:
    """The station that this key is or was of; None: nobody's, or followed by another."""
    row = db.execute("SELECT id FROM office.stations WHERE key_hash = %s", (hashed(key),)).fetchone()
    return row[0] if row else None


def revoke(db: Connection, name: str) -> None:
    """From now on nothing of it is taken; what it sent stays. Raises Refusal."""
    db.execute("DELETE FROM office.codes WHERE name = %s", (name,))     # first, as enrolling does: neither waits for the other
    if not db.execute("UPDATE office.stations SET revoked_at = coalesce(revoked_at, now()) WHERE name = %s", (name,)).rowcount:
        raise _nobody(name)


def move(db: Connection, record: uuid.UUID, name: str) -> None:
    """From now on this station sends that record. Raises Refusal."""
    to = db.execute("SELECT id, practice FROM office.stations WHERE name = %s", (name,)).fetchone()
    if to is None:
        raise _nobody(name)
    now = db.execute("SELECT s.practice FROM office.records r JOIN office.stations s ON s.id = r.station WHERE r.id = %s "
                     "FOR UPDATE OF r", (record,)).fetchone()
    if now is None:
        raise Refusal(f"No record {record} is here: look at the list of stations for those that are.")
    if now[0] != to[1]:
        raise Refusal(f"Record {record} can't go to {name}: practice is never mixed with results.")
    db.execute("UPDATE office.records SET station = %s WHERE id = %s", (to[0], record))


def _nobody(name: str) -> Refusal:
    return Refusal(f"No station {plain.tamed(name)!r} is enrolled: look at the list of stations.")
