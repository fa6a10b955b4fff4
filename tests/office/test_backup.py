"""Backup and restore. Outside source: PostgreSQL's pg_dump and pg_restore; what they carry is compared row by row."""
from __future__ import annotations

import stat
import subprocess
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict

from assistant.files.refusal import Refusal
from assistant.office import backup, postgres
from assistant.office import database as tables
from tests.command import bowlside


def rows(url: str) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table of ours."""
    with psycopg.connect(url) as db:
        names = [name for (name,) in db.execute("SELECT format('%I.%I', schemaname, tablename) FROM pg_tables "
                                                "WHERE schemaname IN ('office', 'read') ORDER BY 1")]
        return {name: db.execute(f"SELECT t::text FROM {name} t ORDER BY 1").fetchall() for name in names}


@pytest.fixture
def filled(database: str) -> str:
    """A database with two stations, as rows, whatever the intake would make of them."""
    with psycopg.connect(database) as db:
        for number in (1, 2):
            station = db.execute("INSERT INTO office.stations (name, key_hash) VALUES (%s, %s) RETURNING id",
                                 (f"Stätion {number}", bytes([number]) * 32)).fetchone()
            assert station
            db.execute("INSERT INTO office.records (id, station) VALUES (gen_random_uuid(), %s)", station)
    return database


def test_a_restore_loses_nothing(filled: str, empty: str, tmp_path: Path) -> None:
    before, file = rows(filled), tmp_path / "office.backup"
    done = bowlside("office", "backup", file, "--database", filled)
    assert done.code == 0 and "bytes" in done.out, done
    assert stat.S_IMODE(file.stat().st_mode) == 0o600 and [path.name for path in tmp_path.iterdir()] == ["office.backup"]
    done = bowlside("office", "restore", file, "--database", empty)
    assert done.code == 0 and f"of version {tables.newest()}" in done.out, done
    assert rows(empty) == before and len(before["office.records"]) == 2


def test_a_restore_into_a_new_office_that_nobody_used(filled: str, cluster: postgres.Cluster, empty: str, tmp_path: Path) -> None:
    """As after starting a trial in a new folder: its tables are there, and nothing is in them."""
    tables.upgrade(empty)
    backup.backup(filled, tmp_path / "b")
    backup.restore(empty, tmp_path / "b")
    assert rows(empty) == rows(filled)


def test_a_database_that_holds_something_is_left_as_it_is(filled: str, empty: str, tmp_path: Path) -> None:
    backup.backup(filled, tmp_path / "b")
    before = rows(filled)
    with pytest.raises(Refusal, match="holds 2 stations, .* make an empty one"):
        backup.restore(filled, tmp_path / "b")
    assert rows(filled) == before
    with psycopg.connect(empty) as db:
        db.execute("CREATE TABLE somebodys (n int)")
    with pytest.raises(Refusal, match=r"holds something else \(public.somebodys\)"):
        backup.restore(empty, tmp_path / "b")


def test_a_torn_backup_restores_nothing_and_an_older_one_can_follow(filled: str, empty: str, tmp_path: Path) -> None:
    backup.backup(filled, tmp_path / "b")
    whole = (tmp_path / "b").read_bytes()
    for part in (10, len(whole) // 2, len(whole) - 10):
        (tmp_path / "torn").write_bytes(whole[:part])
        with pytest.raises(Refusal, match="pg_restore failed"):
            backup.restore(empty, tmp_path / "torn")
        assert rows(empty) == {}
    backup.restore(empty, tmp_path / "b")
    assert rows(empty) == rows(filled)


def test_a_backup_of_a_newer_program_is_told(filled: str, empty: str, tmp_path: Path) -> None:
    with psycopg.connect(filled) as db:
        db.execute("UPDATE office.alembic_version SET version_num = '9999'")
    backup.backup(filled, tmp_path / "b")
    with pytest.raises(Refusal, match="of a newer program"):
        backup.restore(empty, tmp_path / "b")


def test_a_password_is_on_no_command_line(database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []
    real = subprocess.run
    monkeypatch.setattr(subprocess, "run", lambda command, **more: (seen.extend(map(str, command)), real(command, **more))[1])
    backup.backup(f"{database} password=secretword", tmp_path / "b")
    assert seen and "secretword" not in " ".join(seen)


def test_wrong_use_is_told_in_a_sentence(database: str, empty: str, tmp_path: Path) -> None:
    (tmp_path / "there").write_text("mine")
    bowlside("office", "backup", tmp_path / "there", "--database", database).is_one_sentence(2, "is there already")
    assert (tmp_path / "there").read_text() == "mine"
    bowlside("office", "backup", tmp_path / "no" / "b", "--database", database).is_one_sentence(2, "can't be written")
    bowlside("office", "backup", tmp_path / "b", "--database", empty).is_one_sentence(2, "no office in that database")
    bowlside("office", "restore", tmp_path / "there", "--database", empty).is_one_sentence(2, "is no backup of the office")
    bowlside("office", "restore", tmp_path / "none", "--database", empty).is_one_sentence(2, "can't be read")
    gone = conninfo_to_dict(database)["host"]
    bowlside("office", "backup", tmp_path / "b", "--database", f"host={gone} user=bowlside dbname=gone").is_one_sentence(
        2, "does not answer", "does not exist")
