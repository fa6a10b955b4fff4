"""`bowlside office trial`: an office of one's own by one command, with a database and an authority that nobody has to set up.

All it keeps is in one folder: the database, and the authority that its stations trust. It goes on with them at its next start.
"""
from __future__ import annotations

import os
import sys
from contextlib import ExitStack
from functools import partial
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import psycopg

from assistant.board.address import own_addresses
from assistant.files import owner_only
from assistant.files.refusal import Refusal
from assistant.office import database, readers, server, tls
from assistant.office.postgres import OWNER, Cluster, running
from assistant.send import place

TOLD, KEY = "office.json", "pages.key"
"""Where this office is reached, for the commands beside it; and the key of who reads its pages."""
OF_ROOT = Path("/var/lib/bowlside-office-trial")
"""PostgreSQL does not run as root, and its user does not get into root's home."""


def folder() -> Path:
    """Where a trial lives unless told otherwise."""
    if os.geteuid() == 0:
        return OF_ROOT
    return Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local/share") / "bowlside-office-trial"


def run(where: Path, name: str, address: str, port: int, workers: int) -> None:
    """Make what is missing, start it, and serve until SIGTERM or Ctrl-C. Raises Refusal."""
    with ExitStack() as stack:
        sock = stack.enter_context(server.listening(address, port))
        try:
            where.mkdir(parents=True, exist_ok=True)
            certificate, key, authority = tls.made(where)
        except OSError as error:
            raise Refusal(f"The folder {where} can't be used ({error.strerror}): choose another with --folder.") from None
        print("Starting the database. The first start takes some seconds more.", flush=True)
        cluster = stack.enter_context(Cluster(where / "database"))
        _created(cluster)
        server.prepare(cluster.url())
        urls = _urls(address, sock.getsockname()[1])
        owner_only.write(where / TOLD, place.as_json({"urls": urls, "authority": str(authority)}))
        stack.callback((where / TOLD).unlink, missing_ok=True)
        server.serve(cluster.url(), name, sock, certificate, key, workers,
                     ready=partial(_welcome, where, urls, _key(where, cluster.url())), looks=[partial(_again, cluster)])


def its_database(where: Path) -> str:
    """Of the trial that runs in that folder. Raises Refusal."""
    try:
        return running(where / "database")
    except Refusal as why:
        raise Refusal(f"{why} Start it with bowlside office trial, or name the office's database with --database.") from None


def told(where: Path) -> dict[str, Any]:
    """Its addresses and its authority; empty where none runs there."""
    return place.read(where / TOLD)


def _created(cluster: Cluster) -> None:
    with psycopg.connect(cluster.url("postgres"), autocommit=True) as connection:
        if connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", (OWNER,)).fetchone() is None:
            connection.execute(f"CREATE DATABASE {OWNER}")


def _again(cluster: Cluster) -> None:
    if not cluster.alive:
        print("The database ended by itself: it is started again.", file=sys.stderr, flush=True)
        cluster.start()


def _urls(address: str, port: int) -> list[str]:
    """Where stations reach it: the network's addresses first."""
    numbers = [*own_addresses(), "localhost"] if ip_address(address).is_unspecified else [address]
    return [f"https://{f'[{number}]' if ':' in number else number}:{port}" for number in numbers]


def _key(where: Path, url: str) -> str:
    """Of a reader who sees all, kept in the folder; empty where the database came from elsewhere, with readers of its own."""
    kept = where / KEY
    try:
        key = kept.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        key = ""
    with database.connect(readers.web_url(url)) as web:
        if key and readers.by_key(web, key, "127.0.0.1"):
            return key
    with database.connect(url) as owner:
        key = readers.first(owner) or ""
        owner_only.write(kept, key.encode())
    return key


def _welcome(where: Path, urls: list[str], key: str) -> None:
    print("\n".join(["The office is open. Its pages:", *(f"    {url}/" for url in urls),
                     f"They ask for a key: {key}" if key else "They ask for a key, which its readers have.",
                     "Their certificate is of an authority of this office alone, so a browser asks about it once.",
                     'To enrol a station, type here:  bowlside office enrol "Station 1"',
                     'or, to try it by practice:      bowlside office enrol "Practice 1" --practice',
                     f"Ctrl-C ends it. All it keeps is in {where}, for its next start."]), flush=True)
