"""`bowlside send` and the real office: its database, its door, over TLS. What arrives is held against the journal event by event.

PostgreSQL, uvicorn and OpenSSL are not ours. The sender is a process of its own, and is killed at any instant.
"""
from __future__ import annotations

import json
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import trustme
import uvicorn

from assistant.office import database as tables
from assistant.office import stations
from assistant.record.chain import Row
from assistant.record.identity import origin
from assistant.record.journal import Journal
from assistant.send import office_link, place
from assistant.send import sender as module
from assistant.send.place import Sent
from tests.command import ROOT, bowlside
from tests.office import made
from tests.office.at_door import Door
from tests.office.conftest import _database

KILLS = 12


class SecureDoor(Door):
    """The same over TLS, of an authority of the tests."""

    def __init__(self, pool: Any, folder: Path) -> None:
        super().__init__(pool)
        authority = trustme.CA()
        self.authority = folder / "authority.pem"
        authority.cert_pem.write_to_path(str(self.authority))
        authority.issue_cert("127.0.0.1").private_key_and_cert_chain_pem.write_to_path(str(folder / "office.pem"))
        self._server = uvicorn.Server(uvicorn.Config(self._server.config.app, log_level="warning", ssl_certfile=str(folder / "office.pem")))

    def __enter__(self) -> "SecureDoor":
        super().__enter__()
        self.url = self.url.replace("http:", "https:")
        return self

    def enrolled(self, journal: Path, name: str = "Bay 4 (invented)", practice: bool = False) -> Path:
        done = bowlside("send", "enrol", self.url, "--code", self.code(name, practice), "--authority", self.authority, "--journal", journal,
                        *(["--practice"] if practice else []))
        assert done.code == 0, done
        return journal

    def has_all_of(self, journal: Path) -> None:
        """Each event of the journal, once, in its order, and nothing else of that record."""
        with Journal(journal, write=False) as opened:
            record, rows = opened.identity, [(row.seq, row.wall, row.boot, row.body, row.hash) for row in opened.rows()]
        assert self.events(record) == rows
        assert self.ask("SELECT count(*), count(DISTINCT seq) FROM office.events WHERE record = %s", record) == [(len(rows), len(rows))]
        assert self.ask("SELECT count(*) FROM office.pieces WHERE record = %s AND gap", record) == [(0,)]


@pytest.fixture(scope="module")
def _secure(cluster: Any, template: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[SecureDoor]:
    for address in _database(cluster, template):
        with tables.pool(address) as pool, SecureDoor(pool, tmp_path_factory.mktemp("tls")) as door:
            yield door


@pytest.fixture
def door(_secure: SecureDoor) -> SecureDoor:
    _secure.empty()
    return _secure


def once(journal: Path) -> None:
    done = bowlside("send", "--once", "--journal", journal)
    assert (done.code, done.out) == (0, "All sent.\n"), done


def test_a_days_tests_arrive_event_by_event(door: SecureDoor, tmp_path: Path) -> None:
    journal = door.enrolled(made.journal(tmp_path / "journal", 4))
    once(journal)
    door.has_all_of(journal)
    made.whole_round(journal, seed=4)
    once(journal)
    door.has_all_of(journal)
    assert door.refusals() == [] and door.ask("SELECT waiting, newest_seq > 0, abs(clock_off_s) < 60 FROM office.stations") == [(0, True, True)]


def test_what_is_under_way_stays_and_practice_too(door: SecureDoor, tmp_path: Path) -> None:
    journal = made.journal(tmp_path / "journal", 1)
    made.journal(journal, 1, practice=True)
    made.begun(made.journal(journal, 1, seed=2))
    once(door.enrolled(journal))
    assert door.ask("SELECT test, kind, bytes > 0 FROM office.pieces ORDER BY test") == [(1, "test", True), (2, "withheld", False), (3, "test", True)]
    assert door.ask("SELECT count(*) FROM office.events WHERE body LIKE '%%practice\": true%%' OR body LIKE '%%\"practice\":true%%'") == [(0,)]
    assert door.refusals() == []


def test_a_practice_station_sends_its_practice_and_nothing_else(door: SecureDoor, tmp_path: Path) -> None:
    journal = made.journal(tmp_path / "journal", 1, practice=True)
    made.journal(journal, 1)
    once(door.enrolled(journal, "Practice 1 (invented)", practice=True))
    assert door.ask("SELECT test, kind FROM office.pieces ORDER BY test") == [(1, "test"), (2, "withheld")] and door.refusals() == []


def test_a_backup_of_the_office_from_before(door: SecureDoor, tmp_path: Path) -> None:
    """What it lost it asks for: at the next start of the sender, and by its answer to the next sign of life."""
    journal = door.enrolled(made.journal(tmp_path / "journal", 3))
    once(journal)
    for which in ("first > 1", "last < 400"):
        door.do(f"DELETE FROM office.events e USING office.pieces p WHERE e.record = p.record AND e.piece = p.hash AND p.{which}")
        door.do(f"DELETE FROM office.pieces WHERE {which}")
        once(journal)
        door.has_all_of(journal)


def test_a_backup_of_the_station_that_went_on(door: SecureDoor, tmp_path: Path) -> None:
    journal = door.enrolled(made.journal(tmp_path / "journal", 2))
    backup = shutil.copytree(journal, tmp_path / "backup")
    made.journal(journal, 1)
    once(journal)
    shutil.rmtree(journal)
    shutil.copytree(backup, journal)
    made.journal(journal, 2, seed=7)
    once(journal)
    assert [row[0] for row in door.ask("SELECT test FROM office.pieces ORDER BY test")] == [1, 2, 3, 3, 4]
    assert door.ask("SELECT count(*) FROM office.pieces WHERE gap") == [(0,)]


def test_a_damaged_test_comes_whole_once_it_is_mended(door: SecureDoor, tmp_path: Path) -> None:
    journal = door.enrolled(made.journal(tmp_path / "journal", 3))
    sound = shutil.copytree(journal, tmp_path / "sound")
    with sqlite3.connect(journal / "journal.db") as db:
        db.execute("UPDATE events SET body = replace(body, '{', '{ ') WHERE seq = (SELECT MIN(seq) + 3 FROM events WHERE test = 2)")
    db.close()
    once(journal)
    assert door.ask("SELECT kind FROM office.pieces ORDER BY test") == [("test",), ("damaged",), ("test",)]
    shutil.rmtree(journal)
    shutil.copytree(sound, journal)
    once(journal)
    door.has_all_of(journal)


def change(journal: Path, *statements: str) -> None:
    with sqlite3.connect(journal / "journal.db", isolation_level=None) as db:
        for statement in statements:
            db.execute(statement)
    db.close()


def test_a_damaged_hash_costs_its_test_alone(door: SecureDoor, tmp_path: Path) -> None:
    """Of any test the last event's hash names the piece: at the office it must be one."""
    journal = door.enrolled(made.journal(tmp_path / "journal", 3))
    change(journal, "UPDATE events SET hash = CAST(x'80ff' || hash AS TEXT) WHERE seq = (SELECT MAX(seq) FROM events WHERE test = 2)")
    once(journal)
    assert door.ask("SELECT test, kind FROM office.pieces ORDER BY test") == [(1, "test"), (2, "damaged"), (3, "test")]
    assert door.refusals() == []


def test_a_record_that_was_recovered_under_a_new_name(door: SecureDoor, tmp_path: Path) -> None:
    journal = made.journal(tmp_path / "journal", 2)
    change(journal, "DROP TABLE record", "VACUUM")
    assert "has a new name" in bowlside("log", "recover", tmp_path / "saved", "--journal", journal).err
    once(door.enrolled(tmp_path / "saved"))
    door.has_all_of(tmp_path / "saved")
    assert door.refusals() == []


def test_two_senders_with_one_record(door: SecureDoor, tmp_path: Path) -> None:
    """A card that was copied into a second station, enrolled under the same name: the first one's key ends, and nothing is twice."""
    journal = door.enrolled(made.journal(tmp_path / "journal", 2))
    once(journal)
    shutil.copytree(journal, tmp_path / "other")
    once(door.enrolled(made.journal(tmp_path / "other", 1)))
    door.has_all_of(tmp_path / "other")
    done = bowlside("send", "--once", "--journal", made.journal(journal, 1, seed=8))
    assert done.code == 1 and "enrol the station again" in done.out
    once(door.enrolled(tmp_path / "fresh", "Bay 9 (invented)") and made.journal(tmp_path / "fresh", 1))
    shutil.copytree(journal, tmp_path / "third")
    shutil.copytree(Sent(tmp_path / "fresh").path, Sent(tmp_path / "third").path)
    done = bowlside("send", "--once", "--journal", tmp_path / "third")
    assert done.code == 1 and "office move" in done.out, "another station's record"


def test_codes_and_keys_that_are_none(door: SecureDoor, tmp_path: Path) -> None:
    """The office's own sentences, as the station tells them."""
    journal, code = made.journal(tmp_path / "journal", 1), door.code("Bay 4 (invented)")
    arguments = ("send", "enrol", door.url, "--authority", door.authority, "--journal", journal, "--code")
    assert bowlside(*arguments, code).code == 0
    bowlside(*arguments, code).is_one_sentence(1, "wrong, used or older", "new one")
    once(journal)
    made.journal(journal, 1)
    with door.pool.connection() as db:
        stations.revoke(db, "Bay 4 (invented)")
    done = bowlside("send", "--once", "--journal", journal)
    assert done.code == 1 and "was revoked: enrol the station again" in done.out and "1 test waits." in done.out
    assert "was revoked" in bowlside("send", "--status", "--journal", journal).out
    once(door.enrolled(journal))
    door.has_all_of(journal)


def test_what_the_office_does_not_know_yet_blocks_nothing(door: SecureDoor, tmp_path: Path) -> None:
    """An event of a newer station in the second of three tests."""
    with Journal(made.journal(tmp_path / "made", 1), write=False) as opened:
        rows = list(opened.rows())
    unknown = replace(rows[1], body='{"at":1.0,"kind":"Hologram"}')

    def chained(before: str) -> Iterator[Row]:
        for seq, (test, row) in enumerate([*((1, row) for row in rows), (2, rows[0]), (2, unknown), *((3, row) for row in rows)], 1):
            row = replace(row, seq=seq, test=test, before=before if row.before else None)
            row = replace(row, hash=row.expected_hash(before))
            before = row.hash
            yield row
    journal = tmp_path / "journal"
    with Journal(journal) as written:
        written.begin_with(chained(origin(written.identity)))
    door.enrolled(journal)
    done = bowlside("send", "--once", "--journal", journal)
    assert done.code == 0 and "did not take test 2" in done.out and "upgrade the office" in done.out, done
    assert door.ask("SELECT test FROM office.pieces ORDER BY test") == [(1,), (3,)] and len(door.refusals()) == 1
    again, status = bowlside("send", "--once", "--journal", journal), bowlside("send", "--status", "--journal", journal)
    assert again.out == "All sent but 1 that the office did not take: bowlside send --status tells why.\n" and "Not taken, test 2: " in status.out and len(door.refusals()) == 1


def test_what_the_office_lost_it_gets_by_the_next_sign_of_life(door: SecureDoor, tmp_path: Path) -> None:
    """The sender is not started anew: its clock alone goes on."""
    journal, now = door.enrolled(made.journal(tmp_path / "journal", 3)), [1000.0]
    sending = module.begun(Sent(journal), journal, lambda words: None)
    sending._clock = lambda: now[0]

    def go() -> None:
        while sending.turn() == 0.0:
            pass
    go()
    door.has_all_of(journal)
    door.do("DELETE FROM office.events")
    door.do("DELETE FROM office.pieces")
    go()
    assert door.ask("SELECT count(*) FROM office.pieces") == [(0,)], "nothing is asked between two signs of life"
    now[0] += module.BEAT_S
    go()
    door.has_all_of(journal)


def sender(journal: Path, **more: Any) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-P", "-m", "assistant", "send", "--journal", str(journal)], cwd=ROOT, text=True,
                            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, **more)


def test_killed_at_any_instant_nothing_is_lost_and_nothing_is_twice(door: SecureDoor, tmp_path: Path) -> None:
    """In this process, between any two of its steps; the process itself below."""
    class Killed(BaseException):
        pass
    journal = door.enrolled(made.journal(tmp_path / "journal", 6))
    chance = random.Random(5)
    sent, left = Sent(journal), 0

    def cut(real: Any, after: bool) -> Any:
        def step(*args: Any, **more: Any) -> Any:
            nonlocal left
            left -= 1
            if left == 0 and not after:
                raise Killed
            found = real(*args, **more)
            if left == 0:
                raise Killed
            return found
        return step
    kills = 0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "BATCH", 30_000)
        for at, (where, name) in enumerate(((office_link.Link, "_post"), (place.os, "replace"), (place.os, "fsync"), (place.owner_only, "opener"))):
            patch.setattr(where, name, cut(getattr(where, name), after=at % 2 == 0))
        for _ in range(200):
            left = chance.randrange(1, 14)
            sending = module.begun(sent, journal, lambda words: None)
            try:
                while sending.turn() == 0.0:
                    pass
            except Killed:
                kills += 1
                continue
            finally:
                sending.link.close()
            break
    assert kills >= 5
    once(journal)
    door.has_all_of(journal)


@pytest.mark.alone
def test_a_verdict_is_at_the_office_within_five_seconds(door: SecureDoor, tmp_path: Path) -> None:
    """Of the real process, which waits for its enrolment first; and what it costs while nothing happens."""
    journal = made.journal(tmp_path / "journal", 3)
    process = sender(journal)
    try:
        assert process.stdout is not None and "not enrolled" in process.stdout.readline()
        door.enrolled(journal)
        _until(lambda: door.ask("SELECT count(*) FROM office.pieces") == [(3,)], 20)
        took = []
        for number in range(5):
            made.journal(journal, 1, seed=number)
            began = time.monotonic()
            _until(lambda: door.ask("SELECT count(*) FROM office.pieces") == [(4 + number,)], 20)
            took.append(time.monotonic() - began)
        assert sorted(took)[2] <= 5.0, took
        before = _cpu_s(process.pid)
        time.sleep(10)
        assert _cpu_s(process.pid) - before <= 0.1, "ten looks"
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0
    finally:
        process.kill()
        process.communicate()
    door.has_all_of(journal)


@pytest.mark.alone
def test_the_process_is_killed_while_the_station_tests_on(door: SecureDoor, tmp_path: Path) -> None:
    journal = door.enrolled(made.journal(tmp_path / "journal", 2))
    chance = random.Random(11)
    for number in range(KILLS):
        process = sender(journal)
        try:
            if number % 3 == 0:
                made.journal(journal, 1, seed=number)
            assert process.stdout is not None and process.stdout.readline().startswith("Sends ")
            time.sleep(chance.uniform(0.0, 0.3))
        finally:
            process.kill()      # SIGKILL
            process.communicate()
    once(journal)
    door.has_all_of(journal)
    assert json.loads(bowlside("send", "--status", "--json", "--journal", journal).out)["waiting"] == 0


def _until(true: Any, within_s: float) -> None:
    ends = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends
        time.sleep(0.05)


def _cpu_s(pid: int) -> float:
    """proc(5): utime and stime, in ticks of 10 ms."""
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / 100
