"""A real PostgreSQL for the tests of the office: one for each worker, one database for each test.

Outside source: PostgreSQL, from Debian's package postgresql. Where it is not installed, what needs it is skipped.
"""
from __future__ import annotations

import itertools
import shutil
import tempfile
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import psycopg
import pytest

from assistant.files.refusal import Refusal
from assistant.office import database as tables
from assistant.office import postgres
from assistant.report import demo
from tests.office.at_door import Door

_NUMBERS = itertools.count(1)


@pytest.fixture(scope="session")
def cluster() -> Iterator[postgres.Cluster]:
    """A PostgreSQL of this worker's own, without a database of ours in it yet."""
    try:
        postgres.programs()
    except Refusal:
        pytest.skip("no PostgreSQL here: apt-get install postgresql")
    folder = Path(tempfile.mkdtemp(prefix="bowlside-"))     # not below pytest's own, which nobody but root may enter
    try:
        with postgres.Cluster(folder, safe=False) as cluster:
            yield cluster
    finally:
        shutil.rmtree(folder)


@pytest.fixture(scope="session")
def template(cluster: postgres.Cluster) -> str:
    """The name of a database with all tables and nothing in them: to be copied, so nobody may stay connected to it."""
    _do(cluster, "CREATE DATABASE template_office")
    tables.upgrade(cluster.url("template_office"))
    return "template_office"


@pytest.fixture
def empty(cluster: postgres.Cluster) -> Iterator[str]:
    """The address of a database without any table."""
    yield from _database(cluster, "template1")


@pytest.fixture
def database(cluster: postgres.Cluster, template: str) -> Iterator[str]:
    """The address of a database with all tables and nothing in them."""
    yield from _database(cluster, template)


@pytest.fixture
def db(database: str) -> Iterator[psycopg.Connection[Any]]:
    """A connection to it, each statement a transaction of its own."""
    with psycopg.connect(database, autocommit=True) as connection:
        yield connection


@pytest.fixture
def another(cluster: postgres.Cluster, template: str) -> Iterator[psycopg.Connection[Any]]:
    """The same to one more such database."""
    for url in _database(cluster, template):
        with psycopg.connect(url, autocommit=True) as connection:
            yield connection


@pytest.fixture(scope="session")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of the invented day."""
    folder = tmp_path_factory.mktemp("derived-day")
    demo.build(folder, day=date(2031, 5, 17))
    return folder


@pytest.fixture(scope="module")
def _door(cluster: postgres.Cluster, template: str) -> Iterator[Door]:
    for address in _database(cluster, template):
        with tables.pool(address) as pool, Door(pool) as door:
            yield door


@pytest.fixture
def at_door(_door: Door) -> Door:
    """The office's door, before a database with nothing in it: one for each file of tests, emptied for each test."""
    _door.empty()
    return _door


def _database(cluster: postgres.Cluster, template: str) -> Iterator[str]:
    name = f"office_{next(_NUMBERS)}"
    _do(cluster, f"CREATE DATABASE {name} TEMPLATE {template}")
    yield cluster.url(name)
    if not cluster.alive:       # the test killed it
        cluster.start()
    _do(cluster, f"DROP DATABASE {name} WITH (FORCE)", user="postgres")     # who is still connected may be another role


def _do(cluster: postgres.Cluster, statement: str, user: str = postgres.OWNER) -> None:
    with psycopg.connect(cluster.url("postgres", user), autocommit=True) as connection:
        connection.execute(statement)     # type: ignore[arg-type]
