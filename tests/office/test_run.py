"""The office for real: somebody's own PostgreSQL and certificate; several instances; and the commands beside it."""
from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from uuid import uuid4

import psycopg
import pytest
import trustme

from assistant.files.jsonline import loads
from tests.command import ROOT, bowlside
from tests.office import made
from tests.office.started import Office


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with certificate, key and authority, as a user has them from somewhere."""
    folder, authority = tmp_path_factory.mktemp("tls"), trustme.CA()
    served = authority.issue_cert("127.0.0.1")
    served.private_key_pem.write_to_path(folder / "key.pem")
    served.cert_chain_pems[0].write_to_path(folder / "certificate.pem")
    authority.cert_pem.write_to_path(folder / "authority.pem")
    return folder


@pytest.fixture
def own(monkeypatch: pytest.MonkeyPatch, database: str) -> Iterator[str]:
    monkeypatch.setenv("BOWLSIDE_DATABASE", database)
    yield database


def office(url: str, files: Path) -> Office:
    return Office("run", "--database", url, "--certificate", files / "certificate.pem", "--key", files / "key.pem",
                  authority=files / "authority.pem")


def code(name: str) -> str:
    return bowlside("office", "enrol", name).out.partition("Code ")[2][:9]


def test_instances_that_start_together_share_all(empty: str, files: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a database without tables: they are made once, and what one enrols the other knows."""
    monkeypatch.setenv("BOWLSIDE_DATABASE", empty)
    with ExitStack() as stack:
        offices = [office(empty, files) for _ in range(2)]      # both are starting
        for each in offices:
            stack.enter_context(each)
        key = offices[0].enrol(code("North"))
        assert offices[1].pieces(key, uuid4()).status_code == 200
        assert [each.ended(how) for each, how in zip(offices, (signal.SIGINT, signal.SIGTERM), strict=True)] == [0, 0]


def test_the_commands_beside_it(own: str, files: Path, tmp_path: Path) -> None:
    folder = made.journal(tmp_path, 2)
    record, (first, second) = made.record(folder), made.pieces(folder)
    with office(own, files) as at:
        assert bowlside("office", "stations").out.startswith("No station is enrolled")
        north, south = at.enrol(code("North")), at.enrol(code("South"))
        assert at.pieces(north, record, [first]).json()["committed"] == [first.hash]
        assert at.pieces(south, record, [second]).status_code == 403, "the record is North's"
        assert bowlside("office", "move", record, "South").code == 0
        assert at.pieces(south, record, [second]).json()["committed"] == [second.hash]
        assert at.pieces(north, record).status_code == 403
        listed = [loads(line) for line in bowlside("office", "stations", "--json").out.splitlines()]
        assert [(each["name"], each["records"], each["revoked"]) for each in listed] == [
            ("North", [], None), ("South", [str(record)], None)]
        assert bowlside("office", "revoke", "South").code == 0
        refused = at.pieces(south, record)
        assert refused.status_code == 403 and "revoked" in refused.text
        assert "revoked" in bowlside("office", "stations").out
        again = at.enrol(code("South"))
        assert at.pieces(again, record).status_code == 200 and at.pieces(south, record).status_code == 401
    assert "Traceback" not in at.said


def test_wrong_use_is_a_sentence(own: str, empty: str, files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def run(database: str = "postgresql:///x", certificate: Path = files / "certificate.pem", key: Path = files / "key.pem"):
        return bowlside("office", "run", "--database", database, "--certificate", certificate, "--key", key, "--port", "0")
    run(certificate=tmp_path / "none.pem").is_one_sentence(2, "none.pem can't be read")
    run(key=files / "authority.pem").is_one_sentence(2, "can't be used")
    run(database=f"host={tmp_path} dbname=x").is_one_sentence(2, "does not answer", "Is it started")
    run(database="postgres//x").is_one_sentence(2, "can't be understood", "postgresql://user@machine/name")
    bowlside("office", "enrol", "North", "--practice").is_one_sentence(2, "for a trial only")
    bowlside("office", "revoke", "Nobody").is_one_sentence(2, "No station 'Nobody'")
    bowlside("office", "move", "7", "North").is_one_sentence(2, "whole number")
    bowlside("office", "move", uuid4(), "North").is_one_sentence(2, "North")
    bowlside("office", "enrol", "two\nlines").is_one_sentence(2, "one line")
    with psycopg.connect(own) as db:
        db.execute("UPDATE office.alembic_version SET version_num = '9999'")
    run(database=own).is_one_sentence(2, "newer program")
    for option, given in (("--workers", "0"), ("--port", "99999"), ("--on", "here")):
        bowlside("office", "trial", option, given).is_one_sentence(2, "give a")
    for what in (["enrol", "North"], ["revoke", "North"], ["stations"], ["move", uuid4(), "North"], ["reader", "list"]):
        bowlside("office", *what).is_one_sentence(2, "of version 9999", "upgrade what is older")
        bowlside("office", *what, "--database", empty).is_one_sentence(2, "no office in that database yet")
    monkeypatch.delenv("BOWLSIDE_DATABASE")
    bowlside("office", "run", "--certificate", "c", "--key", "k").is_one_sentence(2, "--database", "bowlside office trial")


def test_a_station_without_the_offices_packages() -> None:
    """Has the same command line, and a sentence for the office's commands."""
    code = ("import sys\n"
            "for name in ('psycopg', 'psycopg_pool', 'alembic', 'sqlalchemy', 'trustme', 'cryptography'): sys.modules[name] = None\n"
            "from assistant import cli\nsys.exit(cli.main(sys.argv[1:]))")
    done = [subprocess.run([sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, timeout=60)
            for words in (["send", "--help"], ["office", "--help"], ["office", "trial"], ["office", "stations"])]
    assert [each.returncode for each in done] == [0, 0, 2, 2], done
    for each in done[2:]:
        assert each.stderr.startswith("bowlside: The package psycopg is missing") and "python3 assistant office" in each.stderr
