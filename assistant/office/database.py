"""The office's tables: made and brought up to date step by step, and a pool of connections to them.

All is in the schema ``office``. A step is plain SQL in ``migrations/versions``; all steps of an upgrade are one transaction under
one lock, so instances that start together upgrade once, and one that fails leaves the tables as they were.
"""
from __future__ import annotations

import zlib
from pathlib import Path

import psycopg
import sqlalchemy
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from psycopg_pool import ConnectionPool

from assistant.files.refusal import Refusal

SCHEMA = "office"
MIGRATIONS = Path(__file__).with_name("migrations")
LOCK = zlib.crc32(b"bowlside office upgrade")
"""PostgreSQL's advisory locks are numbers; any that nobody else takes."""
CONNECT_S = 10


def upgrade(url: str) -> str:
    """Bring the tables of the database at ``url`` (as libpq takes it) to this program's version, and return that version.

    Raises Refusal where there is no such database, or where a newer program made its tables.
    """
    with _engine(url).begin() as connection:
        connection.execute(sqlalchemy.text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
        connection.execute(sqlalchemy.text(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}"))
        config = _config()
        now = _version(connection)
        if now is not None and now not in (step.revision for step in ScriptDirectory.from_config(config).walk_revisions()):
            raise Refusal(f"The database is of a newer program (its tables are of version {now}, this program knows {newest()}): "
                          "upgrade this program too.")
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
    return newest()


def version(url: str) -> str | None:
    """Of the tables there; None where there are none yet. Raises Refusal."""
    with _engine(url).connect() as connection:
        return _version(connection)


def _version(connection: sqlalchemy.Connection) -> str | None:
    return MigrationContext.configure(connection, opts={"version_table_schema": SCHEMA}).get_current_revision()


def _engine(url: str) -> sqlalchemy.Engine:
    return sqlalchemy.create_engine("postgresql+psycopg://", creator=lambda: connect(url), poolclass=sqlalchemy.NullPool)


def newest() -> str:
    """The version of the tables that this program makes."""
    return ScriptDirectory.from_config(_config()).get_current_head() or "none"


def connect(url: str) -> psycopg.Connection:
    """One connection. Raises Refusal, with libpq's own reason."""
    try:
        return psycopg.connect(url, connect_timeout=CONNECT_S, application_name="bowlside office")
    except psycopg.ProgrammingError as error:
        raise Refusal(f"The database's address can't be understood ({_line(error)}): "
                      "give it as postgresql://user@machine/name.") from None
    except psycopg.OperationalError as error:
        raise Refusal(f"The database does not answer: {_line(error)}. Is it started, and is its address right?") from None


def pool(url: str, most: int = 10) -> ConnectionPool:
    """Connections, made when needed, each tried before it is handed out, so that a database that comes back is found again.

    ``with pool.connection() as connection`` commits at its end, and raises psycopg.OperationalError (PoolTimeout) where no
    database answers.
    """
    return ConnectionPool(url, min_size=1, max_size=most, open=True, timeout=CONNECT_S, check=ConnectionPool.check_connection,
                          kwargs={"connect_timeout": CONNECT_S, "application_name": "bowlside office"})


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def _line(error: Exception) -> str:
    """The last of libpq's lines, without its full stop."""
    return str(error).strip().rpartition("\n")[2].strip().rstrip(".")
