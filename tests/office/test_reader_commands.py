"""``bowlside office reader``, ``job`` and ``verify`` as they are typed, on a real PostgreSQL."""
from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg import Connection
from psycopg.conninfo import make_conninfo

from assistant.office import export, readers, retention
from tests.command import ROOT, Done, bowlside
from tests.office.started import until
from tests.office.test_export import MADE
from tests.office.test_readers import fill


@pytest.fixture
def owner(database: str) -> Iterator[Connection]:
    with psycopg.connect(database, autocommit=True) as connection:
        readers.let_web_in(connection, database)
        fill(connection, "Job A")
        yield connection


def key_in(done: Done) -> str:
    found = re.search(r"^The key of .*: ([2-9A-Z-]{29})$", done.out, re.MULTILINE)
    assert done.code == 0 and found and "It is shown this once." in done.out, done
    return found[1]


def test_a_reader_is_added_listed_and_revoked(database: str, owner: Connection) -> None:
    def reader(*given: str) -> Done:
        return bowlside("office", "reader", *given, "--database", database)
    assert "There is no reader yet" in reader("list").out
    done = reader("add", "Anna \u00e9", "--role", "agency", "--job", "Job A", "--job", "Job X")
    assert "No test of job Job X has arrived yet" in done.out and "Job A has" not in done.out
    with psycopg.connect(readers.web_url(database)) as web:
        its = readers.by_key(web, key_in(done), "127.0.0.1")
        assert its and its.name == "Anna \u00e9"
    assert re.search("^Anna \u00e9 +agency +Job A, Job X$", reader("list").out, re.MULTILINE)
    assert reader("withdraw", "Anna \u00e9", "--job", "Job X").code == reader("grant", "Anna \u00e9", "--job", "Job C").code == 0
    assert re.search("agency +Job A, Job C$", reader("list").out, re.MULTILINE)
    assert key_in(reader("key", "Anna \u00e9")) != key_in(done)
    assert reader("revoke", "Anna \u00e9").code == 0
    assert re.search("^Anna \u00e9 +agency +revoked$", reader("list").out, re.MULTILINE)


def test_a_tools_role_and_password_work(database: str, owner: Connection) -> None:
    done = bowlside("office", "reader", "add", "tool", "--role", "contractor", "--job", "Job A", "--sql", "--database", database)
    key_in(done)
    found = re.search("user (\\S+), password (\\S+), schema read", done.out)
    assert found
    with psycopg.connect(make_conninfo(database, user=found[1], password=found[2])) as tool:
        assert tool.execute("SELECT count(*) FROM tests").fetchone() == (2,)
    owner.execute(f"DROP ROLE {found[1]}")      # type: ignore[arg-type]


@pytest.mark.parametrize(("given", "why"), [
    (["add", "Anna"], "add needs --role"), (["add", "--role", "lab"], "name the reader"), (["revoke", "Anna", "--role", "lab"], "add needs --role"),
    (["grant", "Anna"], "grant and withdraw need it"), (["revoke", "Anna"], "there is no reader Anna"), (["list", "--sql"], "--sql goes with add"),
    (["key", "Anna", "--job", "Job A"], "--job goes with add")])
def test_what_is_typed_wrong_is_a_sentence(given: list[str], why: str, database: str, owner: Connection) -> None:
    bowlside("office", "reader", *given, "--database", database).is_one_sentence(2, why)


def test_a_jobs_rules_are_set_and_told(database: str, owner: Connection, tmp_path: Path) -> None:
    def job(*given: object) -> Done:
        return bowlside("office", "job", "Job A", *given, "--database", database)
    assert job().out == "Job A: people may not be compared; their names are kept always.\n"
    assert "people may be compared; their names are kept for 30 days" in job("--compare-people", "yes", "--keep-days", 30).out
    owner.execute("UPDATE office.pieces SET received_at = now() - interval '31 days'")
    assert "Names were taken out of 2 tests now" in job().out
    assert "The events of 2 tests are deleted. Their hashes stay." in job("--forget").out
    assert "kept always" in job("--keep-days", "always", "--compare-people", "no").out
    for wrong in "0", "-1", "x", "36501":
        job(f"--keep-days={wrong}").is_one_sentence(2, "give a number of days from 1 to 36500, or always")
    (tmp_path / "other.toml").write_text('job = "Job B"\n')
    job("--file", tmp_path / "other.toml").is_one_sentence(2, "is of job Job B, not of Job A")
    (tmp_path / "job.toml").write_text('job = "Job A"\n')
    assert "is kept" in job("--file", tmp_path / "job.toml").out
    assert owner.execute("SELECT name FROM office.jobs WHERE file IS NOT NULL").fetchall() == [("Job A",)]


def test_an_export_is_verified(database: str, owner: Connection, tmp_path: Path) -> None:
    owner.execute("DELETE FROM office.pieces; DELETE FROM office.events")
    readers.add(owner, "all", "office")
    (tmp_path / "it.zip").write_bytes(b"".join(export.stream(readers.web_url(database), readers.listed(owner)[0].reader, MADE)))
    done = bowlside("office", "verify", tmp_path / "it.zip")
    assert done.code == 0 and done.out.endswith("All of it is what was recorded, as far as its events are in it.\n")
    bowlside("office", "verify", tmp_path / "no.zip").is_one_sentence(2, "can't be read")


def test_whoever_derives_lets_go_of_people_whose_days_are_over(database: str, owner: Connection) -> None:
    retention.rule(owner, "Job A", None, 0)
    owner.execute("UPDATE office.pieces SET derived = 'made'")      # there is nothing else to do
    process = subprocess.Popen([sys.executable, "-m", "assistant", "office", "derive", "--database", database], cwd=ROOT,
                               stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    try:
        until(lambda: owner.execute("SELECT 1 FROM office.tests WHERE technician = ''").fetchone(),
              "nobody let go")
    finally:
        process.kill()
        process.wait()
