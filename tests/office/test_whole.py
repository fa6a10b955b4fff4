"""From the station's journal to the office's page and back from a backup, each by the command that its user types.

Outside sources: SQLite holds the journal, PostgreSQL the office's tables; they are compared event by event.
"""
from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Any

import psycopg
import requests

from assistant.files.jsonline import loads
from tests.command import Done, bowlside
from tests.office import made
from tests.office.started import Office, place, trial, until

__all__ = ["place"]     # a fixture


def events_of(journal: Path) -> list[tuple[Any, ...]]:
    with sqlite3.connect(f"file:{journal / 'journal.db'}?mode=ro", uri=True) as db:
        return db.execute("SELECT seq, wall, boot, body, hash FROM events ORDER BY seq").fetchall()


def events_at(url: str) -> list[tuple[Any, ...]]:
    with psycopg.connect(url) as db:
        return db.execute("SELECT DISTINCT seq, wall, boot, body, encode(hash, 'hex') FROM office.events ORDER BY seq").fetchall()


def derived_at(url: str) -> int:
    with psycopg.connect(url) as db:
        row = db.execute("SELECT count(*) FROM office.tests").fetchone()
    return row[0] if row else 0


def enrolled(office: Office, journal: Path, *where: object, practice: bool = False) -> Done:
    """As the operator of both types it, with the line that the first command prints."""
    told = bowlside("office", "enrol", "Bay 1", *where, *["--practice"] * practice)
    line = next(line for line in told.out.splitlines() if "bowlside send enrol" in line).split()[1:]
    if "--authority" not in line:
        line += ["--authority", str(office.authority)]
    line[2] = office.url
    return bowlside(*line, "--journal", journal)


def test_practice_reaches_the_page_of_a_trial(place: Path, tmp_path: Path) -> None:
    journal = made.journal(tmp_path / "practice", 2, practice=True)
    with trial(place) as office:
        assert enrolled(office, journal, "--folder", place, practice=True).code == 0
        sent = bowlside("send", "--once", "--practice", "--journal", journal)
        assert sent.code == 0, sent
        url = f"host={place / 'database' / 'socket'} user=bowlside dbname=bowlside"
        assert events_at(url) == events_of(journal) != []
        until(lambda: derived_at(url) == 2, "nothing was derived")
        key = (place / "pages.key").read_text()
        page = requests.get(f"{office.url}/", headers={"authorization": f"Bearer {key}"}, verify=office.authority, timeout=60)
        assert page.status_code == 200 and "Bay 1" in page.text
        nobody = requests.get(f"{office.url}/", verify=office.authority, timeout=60)
        assert "Bay 1" not in nobody.text
        assert f"They ask for a key: {key}\n" in office.said
    assert "Traceback" not in office.said


def test_a_restore_loses_nothing_that_a_station_still_has(place: Path, tmp_path: Path) -> None:
    """A backup, then more tests, then the loss of everything at the office: the restored one has all of it in the end."""
    journal, backup, elsewhere = made.journal(tmp_path / "journal", 2), tmp_path / "b", place.with_name("elsewhere")
    url = f"host={place / 'database' / 'socket'} user=bowlside dbname=bowlside"
    with trial(place) as office:
        assert enrolled(office, journal, "--folder", place).code == 0
        assert bowlside("send", "--once", "--journal", journal).code == 0
        assert bowlside("office", "backup", backup, "--folder", place).code == 0
        made.journal(journal, 2, seed=1)
        assert bowlside("send", "--once", "--journal", journal).code == 0
        assert events_at(url) == events_of(journal)
        port, key = office.url.rpartition(":")[2], (place / "pages.key").read_text()
    authority = [(place / name).read_bytes() for name in ("authority.pem", "authority.key")]
    shutil.rmtree(place)
    elsewhere.mkdir()
    for name, content in zip(("authority.pem", "authority.key"), authority, strict=True):
        (elsewhere / name).write_bytes(content)
    url = f"host={elsewhere / 'database' / 'socket'} user=bowlside dbname=bowlside"
    with trial(elsewhere, port) as office:
        restored = bowlside("office", "restore", backup, "--folder", elsewhere)
        assert restored.code == 0, restored
        assert events_at(url) == [event for event in events_of(journal) if event in events_at(url)] != events_of(journal)
        assert bowlside("send", "--once", "--journal", journal).code == 0
        assert events_at(url) == events_of(journal)
        until(lambda: derived_at(url) == 4, "what came after the backup was not derived")
        page = requests.get(f"{office.url}/", headers={"authorization": f"Bearer {key}"}, verify=office.authority, timeout=60)
        assert page.status_code == 200 and "Bay 1" in page.text, "its reader has the key of before"
        listed = loads(bowlside("office", "stations", "--json", "--folder", elsewhere).out)
        assert listed["waiting"] == 0 and listed["records"] == [str(made.record(journal))]


def test_what_is_exported_by_the_page_is_what_the_station_recorded(place: Path, tmp_path: Path) -> None:
    journal = made.journal(tmp_path / "practice", 2, practice=True)
    with trial(place) as office:
        assert enrolled(office, journal, "--folder", place, practice=True).code == 0
        assert bowlside("send", "--once", "--practice", "--journal", journal).code == 0
        until(lambda: derived_at(f"host={place / 'database' / 'socket'} user=bowlside dbname=bowlside") == 2, "nothing was derived")
        key = (place / "pages.key").read_text()
        taken = requests.get(f"{office.url}/export.zip", headers={"authorization": f"Bearer {key}"}, verify=office.authority, timeout=60)
    (tmp_path / "it.zip").write_bytes(taken.content)
    done = bowlside("office", "verify", tmp_path / "it.zip")
    assert done.code == 0 and done.out.startswith(f"2 tests. 2 pieces of their records, {len(events_of(journal))} events"), done
