"""Who may look at the office: readers, people and tools, each with a key, a role and the jobs that were granted.

What a reader then sees is not decided here but in the database (migrations/versions/0003_readers.py): the pages connect as a role
that owns nothing, and sees the rows of the one reader that ``acting`` names, none without. A key is the program's own, 125 bits by
chance, shown once; of it, and of the cookie of a session, only SHA-256 is kept, which nobody can turn round.
"""
from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import IPv6Address, ip_address, ip_network

from psycopg import Connection, errors, sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from assistant.files import plain
from assistant.files.refusal import Refusal

OFFICE = "office"
ROLES = (OFFICE, "agency", "contractor", "lab")
"""Who runs the office sees all; the others see what was granted, as assistant/docs/office.md says."""
LASTS = timedelta(days=7)
"""A session, then the key is asked for again. Ours."""
LETTERS, LENGTH = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ", 25
"""Of a key: none that looks like another; 25 of 32 are 125 bits."""
WEB, SQL = "bowlside_web", "bowlside_sql"
"""The database's role for the pages, and the one that every reader with SQL is a member of."""
SQL_CONNECTIONS, SQL_SECONDS = 5, 300
"""Of one reader's tool: connections, and how long a question may take. Ours."""


@dataclass(frozen=True)
class Reader:
    id: int
    name: str
    role: str


@dataclass(frozen=True)
class Listed:
    reader: Reader
    revoked: datetime | None
    jobs: Sequence[str]
    sql_role: str | None


class Shut(Exception):
    """Too many wrong keys came from there: for so many seconds none is looked at."""

    def __init__(self, seconds: int) -> None:
        super().__init__(seconds)
        self.seconds = seconds


# --- the pages ----------------------------------------------------------------------------------------------------------------

def web_url(url: str) -> str:
    """The database at ``url``, as the role of the pages. Its password, where one is needed, follows from the owner's, so that
    every instance knows it."""
    password = conninfo_to_dict(url).get("password")
    return make_conninfo(url, user=WEB, **({"password": _web_password(str(password))} if password else {}))


def make_roles(connection: Connection) -> None:
    """Both roles, where this PostgreSQL has them not: they are no part of a database, nor of its backup. Raises Refusal."""
    for role in (WEB, SQL):
        if connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone() is None:
            with suppress(errors.DuplicateObject, errors.UniqueViolation), _roles_may_change(), connection.transaction():
                connection.execute(sql.SQL("CREATE ROLE {}").format(sql.Identifier(role)))


def let_web_in(connection: Connection, url: str) -> None:
    """The owner, who connects by ``url``, lets the pages' role sign in. Once after every upgrade."""
    password = conninfo_to_dict(url).get("password")
    words = sql.SQL("PASSWORD {}").format(_sealed(connection, _web_password(str(password)), WEB)) if password else sql.SQL("")
    with _roles_may_change():
        connection.execute(sql.SQL("ALTER ROLE {} LOGIN {}").format(sql.Identifier(WEB), words))


@contextmanager
def acting(connection: Connection, reader: Reader) -> Iterator[Connection]:
    """A transaction that sees what this reader may see. ``connection``: of the pages' role."""
    with connection.transaction():
        connection.execute("SELECT set_config('office.reader', %s, true)", (str(reader.id),))
        yield connection


def sign_in(connection: Connection, key: str, address: str) -> str | None:
    """The cookie of a new session; None: no reader has this key. Raises Shut."""
    cookie = secrets.token_urlsafe(32)
    return None if _knock(connection, key, address, hashed(cookie)) is None else cookie


def by_key(connection: Connection, key: str, address: str) -> Reader | None:
    """For a tool, which gives its key each time. Raises Shut."""
    return _knock(connection, key, address, None)


def _knock(connection: Connection, key: str, address: str, cookie: bytes | None) -> Reader | None:
    with connection.transaction():
        row = connection.execute("SELECT id, name, role, shut_s FROM office.sign_in(%s, %s, %s, %s)",
                                 (hashed(_tidy(key)), cookie, network(address), LASTS)).fetchone()
    assert row is not None
    if row[3] is not None:
        raise Shut(row[3])
    return None if row[0] is None else Reader(*row[:3])


def signed_in(connection: Connection, cookie: str) -> Reader | None:
    """Whose session that is, as long as it lasts and the reader is not revoked."""
    row = connection.execute("SELECT id, name, role FROM office.signed_in(%s)", (hashed(cookie),)).fetchone() if cookie else None
    return Reader(*row) if row else None


def sign_out(connection: Connection, cookie: str) -> None:
    connection.execute("SELECT office.sign_out(%s)", (hashed(cookie),))


def token(cookie: str) -> str:
    """What a form of this session carries, so that no other page can send one in its name."""
    return hashlib.sha256(f"bowlside form {cookie}".encode()).hexdigest()


def is_token(given: str, cookie: str) -> bool:
    return hmac.compare_digest(given.encode(), token(cookie).encode())


def network(address: str) -> str:
    """Where guesses are counted: an address, or of version 6 the 64 bits that one household has."""
    try:
        ip = ip_address(address.partition("%")[0])
    except ValueError:
        return address[:100]
    if isinstance(ip, IPv6Address):
        return str(ip.ipv4_mapped or ip_network((ip, 64), strict=False))
    return str(ip)


# --- who runs the office ------------------------------------------------------------------------------------------------------

def add(connection: Connection, name: str, role: str, jobs: Sequence[str] = ()) -> str:
    """A new reader; returns the key. Raises Refusal."""
    if role not in ROLES:
        raise Refusal(f"office: {role} is no role: choose {', '.join(ROLES)}.")
    if not name.strip() or not plain.is_line(name) or len(name) > 100:
        raise Refusal("office: a reader's name must be a text on one line, at most 100 characters.")
    if role == OFFICE and jobs:
        raise Refusal("office: the role office sees every job: leave --job out.")
    key = _new_key()
    try:
        with connection.transaction():
            row = connection.execute("INSERT INTO office.readers (name, role, key_hash) VALUES (%s, %s, %s) RETURNING id",
                                     (name, role, hashed(_tidy(key)))).fetchone()
            assert row is not None
            _grant(connection, row[0], jobs)
    except errors.UniqueViolation:
        raise Refusal(f"office: there is a reader {name} already, or there was one: take another name.") from None
    return key


def first(connection: Connection, name: str = "office") -> str | None:
    """The key of a first reader, who sees all; None where there is one already, revoked or not. Instances that start together
    make one."""
    with connection.transaction():
        connection.execute("LOCK TABLE office.readers IN EXCLUSIVE MODE")
        if connection.execute("SELECT 1 FROM office.readers WHERE role = %s", (OFFICE,)).fetchone():
            return None
        return add(connection, name, OFFICE)


def grant(connection: Connection, name: str, jobs: Sequence[str], take_away: bool = False) -> None:
    """Let a reader see these jobs, or no longer. Raises Refusal."""
    reader = _of(connection, name)
    if reader.role == OFFICE:
        raise Refusal(f"office: {name} sees every job, by the role office.")
    with connection.transaction():
        if take_away:
            connection.execute("DELETE FROM office.grants WHERE reader = %s AND job = ANY (%s)", (reader.id, list(jobs)))
        else:
            _grant(connection, reader.id, jobs)


def new_key(connection: Connection, name: str) -> str:
    """In place of one that was lost: it ends the sessions too. Raises Refusal."""
    reader, key = _of(connection, name), _new_key()
    with connection.transaction():
        connection.execute("UPDATE office.readers SET key_hash = %s WHERE id = %s", (hashed(_tidy(key)), reader.id))
        connection.execute("DELETE FROM office.sessions WHERE reader = %s", (reader.id,))
    return key


def revoke(connection: Connection, name: str) -> None:
    """From the next question on this reader sees nothing. Raises Refusal."""
    reader = _of(connection, name)
    with connection.transaction():
        connection.execute("UPDATE office.readers SET revoked_at = now() WHERE id = %s", (reader.id,))
        connection.execute("DELETE FROM office.sessions WHERE reader = %s", (reader.id,))
        row = connection.execute("SELECT sql_role FROM office.readers JOIN pg_roles ON rolname = sql_role WHERE id = %s",
                                 (reader.id,)).fetchone()
        if row:
            with _roles_may_change():
                connection.execute(sql.SQL("ALTER ROLE {} NOLOGIN PASSWORD NULL").format(sql.Identifier(row[0])))


def give_sql(connection: Connection, name: str) -> tuple[str, str]:
    """A role of the database for a reader's own tool, which sees the views of the schema ``read`` and in them what this reader may
    see; returns its name and its password. A second time: another password. Raises Refusal."""
    reader = _of(connection, name)
    row = connection.execute("SELECT sql_role FROM office.readers WHERE id = %s", (reader.id,)).fetchone()
    role = row[0] if row and row[0] else f"bowlside_{secrets.token_hex(4)}"
    password, its = _new_key(), sql.Identifier(role)
    with connection.transaction(), _roles_may_change():
        if not connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone():
            connection.execute(sql.SQL("CREATE ROLE {} IN ROLE {}").format(its, sql.Identifier(SQL)))
        connection.execute(sql.SQL("ALTER ROLE {} LOGIN INHERIT CONNECTION LIMIT {} PASSWORD {}").format(
            its, SQL_CONNECTIONS, _sealed(connection, password, role)))
        for setting, value in (("search_path", "read"), ("default_transaction_read_only", "on"),
                               ("statement_timeout", f"{SQL_SECONDS}s")):
            connection.execute(sql.SQL("ALTER ROLE {} SET {} = {}").format(its, sql.Identifier(setting), value))
        connection.execute("UPDATE office.readers SET sql_role = %s WHERE id = %s", (role, reader.id))
    return role, password


def listed(connection: Connection) -> list[Listed]:
    rows = connection.execute(
        "SELECT id, name, role, revoked_at, array(SELECT job FROM office.grants WHERE reader = id ORDER BY job), sql_role "
        "FROM office.readers ORDER BY name").fetchall()
    return [Listed(Reader(*row[:3]), *row[3:]) for row in rows]


def _of(connection: Connection, name: str) -> Reader:
    row = connection.execute("SELECT id, name, role FROM office.readers WHERE name = %s AND revoked_at IS NULL", (name,)).fetchone()
    if row is None:
        raise Refusal(f"office: there is no reader {name}: bowlside office reader list shows them.")
    return Reader(*row)


def _grant(connection: Connection, reader: int, jobs: Sequence[str]) -> None:
    for job in jobs:
        if not job or not plain.is_line(job):
            raise Refusal(f"office: a job's name must be {plain.RULE}.")
        connection.execute("INSERT INTO office.grants VALUES (%s, %s) ON CONFLICT DO NOTHING", (reader, job))


@contextmanager
def _roles_may_change() -> Iterator[None]:
    try:
        yield
    except errors.InsufficientPrivilege:
        raise Refusal("office: the database's owner may not make roles. As its superuser: ALTER ROLE bowlside CREATEROLE; "
                      "in place of bowlside the owner's name.") from None


def _sealed(connection: Connection, password: str, role: str) -> str:
    """As the database keeps it, so that the password itself stands in no log."""
    return connection.pgconn.encrypt_password(password.encode(), role.encode(), b"scram-sha-256").decode()


def _web_password(owners: str) -> str:
    return hmac.digest(owners.encode(), WEB.encode(), "sha256").hex()


def _new_key() -> str:
    letters = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
    return "-".join(letters[at:at + 5] for at in range(0, LENGTH, 5))


def _tidy(key: str) -> str:
    """As it may be typed."""
    return "".join(letter for letter in key.upper() if letter in LETTERS)


def hashed(text: str) -> bytes:
    """Of a key, a cookie or a code: all of it that is kept."""
    return hashlib.sha256(text.encode()).digest()
