"""A PostgreSQL of our own: made, started, killed, started again; nothing committed is lost."""
from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
import pytest

from assistant.files.refusal import Refusal
from assistant.office import database as tables
from assistant.office import postgres
from assistant.office.postgres import Cluster
from tests.command import ROOT


@pytest.fixture
def place(cluster: Cluster) -> Iterator[Path]:
    """A folder that PostgreSQL's user can reach."""
    folder = Path(tempfile.mkdtemp(prefix="bowlside-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def ask(url: str, question: str) -> object:
    with psycopg.connect(url) as connection:
        row = connection.execute(question).fetchone()      # type: ignore[arg-type]
    return row and row[0]


def test_it_is_made_as_the_office_wants_it(cluster: Cluster) -> None:
    url = cluster.url("postgres")
    assert ask(url, "SHOW server_encoding") == "UTF8" and ask(url, "SHOW lc_collate") == "C"
    assert ask(url, "SHOW data_checksums") == "on" and ask(url, "SHOW listen_addresses") == ""
    assert ask(url, "SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user") is False


def test_nobody_else_reaches_its_socket(cluster: Cluster) -> None:
    assert cluster.folder.stat().st_mode & 0o777 == (cluster.folder / "socket").stat().st_mode & 0o777 == 0o700


def test_what_is_committed_outlives_kill_9(cluster: Cluster, empty: str) -> None:
    with psycopg.connect(empty) as connection:
        connection.execute("CREATE TABLE kept (n int)")
    with psycopg.connect(empty) as open_still:
        open_still.execute("INSERT INTO kept VALUES (1)")
        open_still.commit()
        open_still.execute("INSERT INTO kept VALUES (2)")
        cluster.kill()
        with pytest.raises(psycopg.OperationalError):
            open_still.commit()
    cluster.start()
    assert ask(empty, "SELECT array_agg(n) FROM kept") == [1]


def test_a_pool_finds_the_database_again(cluster: Cluster, empty: str) -> None:
    with tables.pool(empty) as pool:
        for _ in range(3):
            with pool.connection() as connection:
                assert connection.execute("SELECT 1").fetchone() == (1,)
            cluster.kill()
            cluster.start()


def test_it_starts_again_in_its_folder_after_its_starter_was_killed(place: Path) -> None:
    """The starter by SIGKILL: the database ends by itself, and the next start goes on with what was committed."""
    code = ("import sys, psycopg; from pathlib import Path; from assistant.office.postgres import Cluster\n"
            "with Cluster(Path(sys.argv[1]), safe=False) as cluster:\n"
            "    with psycopg.connect(cluster.url('postgres', 'postgres')) as c: c.execute('CREATE TABLE office_kept (n int)')\n"
            "    print('ready', flush=True); sys.stdin.read()\n")
    with subprocess.Popen([sys.executable, "-c", code, place / "db"], cwd=ROOT, stdin=subprocess.PIPE,
                          stdout=subprocess.PIPE) as starter:
        assert starter.stdout and starter.stdout.readline() == b"ready\n"
        with pytest.raises(Refusal, match="Another process is using the database"), Cluster(place / "db", safe=False):
            pass
        starter.kill()
    with Cluster(place / "db", safe=False) as cluster:
        assert ask(cluster.url("postgres", "postgres"), "SELECT count(*) FROM office_kept") == 0
        pid = int((place / "db" / "data" / "postmaster.pid").read_text().split()[0])
    with pytest.raises(ProcessLookupError):
        os.kill(pid, signal.SIG_DFL)


def test_a_long_folder_has_its_socket_elsewhere(place: Path) -> None:
    with Cluster(place / ("long" * 25), safe=False) as cluster:
        assert ask(cluster.url("postgres"), "SELECT 1") == 1
        socket = Path(psycopg.conninfo.conninfo_to_dict(cluster.url())["host"])     # type: ignore[arg-type]
        assert socket.parent == Path("/tmp")
    assert not socket.exists()


def test_what_was_half_made_is_made_anew(place: Path) -> None:
    (place / "db" / "making" / "base").mkdir(parents=True)
    (place / "db" / "making" / "PG_VERSION").write_text("15\n")
    with Cluster(place / "db", safe=False) as cluster:
        assert ask(cluster.url("postgres"), "SELECT 1") == 1


def test_a_damaged_database_is_told_in_a_sentence(place: Path) -> None:
    (place / "db" / "data").mkdir(parents=True)
    (place / "db" / "data" / "PG_VERSION").write_text(postgres.programs().parent.name + "\n")
    with pytest.raises(Refusal, match=r"does not start \(.+\)\. Its whole story is in "), Cluster(place / "db"):
        pass


def test_no_postgresql_is_told_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(postgres, "HOME", tmp_path)
    with pytest.raises(Refusal, match="sudo apt install postgresql$"), Cluster(tmp_path / "db"):
        pass
    (tmp_path / "14" / "bin").mkdir(parents=True)
    (tmp_path / "14" / "bin" / "postgres").touch()
    with pytest.raises(Refusal, match="sudo apt install postgresql-13$"):
        postgres.programs("13")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root has to run it as another user")
def test_a_folder_that_postgresqls_user_cannot_reach(place: Path) -> None:
    place.chmod(0o700)
    with pytest.raises(Refusal, match="must be able to reach the folder"), Cluster(place / "db"):
        pass


# --- the tables ---------------------------------------------------------------------------------------------------------------

def test_upgrades_at_the_same_time_are_done_once(empty: str) -> None:
    assert tables.version(empty) is None
    with ThreadPoolExecutor(8) as many:
        assert set(many.map(tables.upgrade, [empty] * 8)) == {tables.newest()}
    assert (tables.version(empty) or "none") == tables.newest()


def test_the_tables_of_a_newer_program_are_left_alone(database: str) -> None:
    with psycopg.connect(database) as connection:
        connection.execute("DELETE FROM office.alembic_version")
        connection.execute("INSERT INTO office.alembic_version VALUES ('9999')")
    with pytest.raises(Refusal, match="of a newer program .*9999.*: upgrade this program too"):
        tables.upgrade(database)
    assert tables.version(database) == "9999"


def test_a_wrong_address_is_told_in_a_sentence(cluster: Cluster, tmp_path: Path) -> None:
    for url, words in (("nonsense", "can't be understood"), (cluster.url("not_there"), "does not exist"),
                       (f"host={tmp_path} dbname=bowlside", "does not answer")):
        with pytest.raises(Refusal, match=words):
            tables.upgrade(url)


def test_the_wheel_carries_the_steps() -> None:
    """Said by hatchling, which makes it."""
    from hatchling.builders.wheel import WheelBuilder
    packed = {file.distribution_path for file in WheelBuilder(str(ROOT)).recurse_included_files()}
    steps = {str(path.relative_to(ROOT)) for path in tables.MIGRATIONS.rglob("*.py")}
    assert "assistant/office/migrations/env.py" in steps and steps <= packed
