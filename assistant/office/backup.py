"""The whole database as one file, and back again: by PostgreSQL's own pg_dump and pg_restore, in their custom format."""
from __future__ import annotations

import os
import subprocess
from pathlib import Path
from typing import Any

import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from assistant.files import owner_only
from assistant.files.refusal import Refusal
from assistant.office import database, postgres, readers

BEGINS = b"PGDMP"
SCHEMAS = ("read", database.SCHEMA)
"""Ours, the later one first."""


def backup(url: str, file: Path) -> int:
    """Write the database at ``url`` into a new ``file``, as it is at one instant; the office may go on. Raises Refusal.

    :returns: bytes
    """
    if database.version(url) is None:
        raise Refusal("There is no office in that database yet, so there is nothing to back up: is its address right?")
    half = file.with_name(file.name + ".new")
    try:
        if file.exists():
            raise Refusal(f"{file} is there already: name a new file, or move the old one away.")
        half.unlink(missing_ok=True)
        owner_only.touched(half)        # everything is in it
    except OSError as error:
        raise Refusal(f"{file} can't be written ({error.strerror}): name a file in a folder where you may write.") from None
    try:
        _run("pg_dump", url, "--format=custom", "--no-owner", f"--file={half}")
        half.replace(file)
    finally:
        half.unlink(missing_ok=True)
    return file.stat().st_size


def restore(url: str, file: Path) -> str:
    """Bring a backup into a database in which nothing is, all of it or none, and up to this program's version, which is returned.

    Stations send again by themselves what came after the backup: they are told what the office lacks. Raises Refusal.
    """
    try:
        with file.open("rb") as opened:
            begins = opened.read(len(BEGINS))
    except OSError as error:
        raise Refusal(f"{file} can't be read ({error.strerror}).") from None
    if begins != BEGINS:
        raise Refusal(f"{file} is no backup of the office: name one that bowlside office backup wrote.")
    with database.connect(url) as connection:
        if held := _held(connection):
            raise Refusal(f"That database holds {held}, and a restore would mix with it: make an empty one, restore into that, "
                          "and start the office on it.")
        for schema in SCHEMAS:
            connection.execute(f"DROP SCHEMA IF EXISTS {schema} CASCADE")
        readers.make_roles(connection)      # they are no part of a database
    _run("pg_restore", url, "--single-transaction", "--exit-on-error", "--no-owner", str(file))
    return database.upgrade(url)


def _held(connection: psycopg.Connection) -> str:
    """What is in a database that is not empty; the office's own tables may be there, without any station or piece."""
    others = connection.execute(
        "SELECT n.nspname || '.' || c.relname FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace "
        "WHERE n.nspname NOT IN ('pg_catalog', 'information_schema') AND n.nspname NOT LIKE 'pg\\_%%' AND n.nspname <> ALL (%s) "
        "AND c.relkind IN ('r', 'p', 'v', 'm') LIMIT 1", (list(SCHEMAS),)).fetchone()
    if others:
        return f"something else ({others[0]})"
    for what in ("stations", "pieces"):
        if connection.execute("SELECT to_regclass(%s)", (f"{database.SCHEMA}.{what}",)).fetchone() == (None,):
            continue
        row = connection.execute(f"SELECT count(*) FROM {database.SCHEMA}.{what}").fetchone()
        if row and row[0]:
            return f"{row[0]} {what}"
    return ""


def _run(program: str, url: str, *arguments: str) -> None:
    """A password goes by the environment: a command line is for everybody to see. Raises Refusal with the program's reason."""
    parts: dict[str, Any] = conninfo_to_dict(url)
    secret = {"PGPASSWORD": parts.pop("password")} if "password" in parts else {}
    done = subprocess.run(
        [postgres.programs(wanted=program) / program, "--no-password", f"--dbname={make_conninfo(**parts)}", *arguments],
        env={**os.environ, **secret, "LC_ALL": "C"}, stdin=subprocess.DEVNULL, capture_output=True, text=True, errors="replace")
    if done.returncode:
        lines = done.stderr.strip().splitlines() or ["no word why"]
        why = next((line.partition("error: ")[2] for line in lines if "error: " in line), lines[0])
        raise Refusal(f"{program} failed ({why.rstrip('.')}): no station and no test was touched.")
