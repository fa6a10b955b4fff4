"""The record under attack: bytes flipped, rows gone, files cut, disks full, two stations at once. Told, never hidden."""
from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from assistant.core.events import Event, Heard
from assistant.record import kept
from assistant.record.journal import FILE, SCHEMA, Journal, JournalError
from assistant.record.session import Station
from tests.command import READINGS, bowlside, process, script
from tests.scenario.dialogue import Dialogue

COLUMNS = ("seq", "test", "wall", "boot", "body", "hash")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal with one whole test."""
    folder = tmp_path_factory.mktemp("sound")
    assert bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).code == 0
    return folder


@pytest.fixture
def folder(sound: Path, tmp_path: Path) -> Path:
    """A copy of it, to be spoiled."""
    shutil.copytree(sound, tmp_path / "journal")
    return tmp_path / "journal"


def change(folder: Path, *statements: str) -> None:
    with sqlite3.connect(folder / FILE) as db:
        for one in statements:
            db.execute(one)
    db.close()


def first_bad(folder: Path) -> int:
    done = bowlside("log", "verify", "--json", "--journal", folder)
    found = json.loads(done.out)
    assert done.code == 1 and found["sound"] is False and found["why"], found
    bowlside("log", "verify", "--journal", folder).is_one_sentence(1, "Damaged", f"before event {found['first_bad']} is sound")
    return found["first_bad"]


# --- the chain -----------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("column", COLUMNS[1:])
def test_a_changed_value_in_any_row_is_found_there(folder: Path, column: str) -> None:
    with Journal(folder, write=False) as journal:
        last = journal.count()
    for seq in (1, 2, last // 2, last - 1, last):
        with sqlite3.connect(folder / FILE) as db:
            old, = db.execute(f"SELECT {column} FROM events WHERE seq = ?", (seq,)).fetchone()
            text = str(old) or " "
            new = text[:-1] + chr(ord(text[-1]) ^ 1)  # one bit of one byte
            db.execute(f"UPDATE events SET {column} = ? WHERE seq = ?", (new, seq))
            db.commit()
            assert first_bad(folder) == seq
            db.execute(f"UPDATE events SET {column} = ? WHERE seq = ?", (old, seq))
        db.close()
    assert bowlside("log", "verify", "--journal", folder).code == 0


def test_a_changed_number_is_found_there(folder: Path) -> None:
    change(folder, "UPDATE events SET seq = 1000000 WHERE seq = 50")
    assert first_bad(folder) == 50


@pytest.mark.parametrize("seq", [1, 2, 77])
def test_a_removed_row_is_found_there(folder: Path, seq: int) -> None:
    change(folder, f"DELETE FROM events WHERE seq = {seq}")
    assert first_bad(folder) == seq


def test_two_rows_exchanged_are_found(folder: Path) -> None:
    change(folder, "UPDATE events SET seq = -1 WHERE seq = 20", "UPDATE events SET seq = 20 WHERE seq = 21",
           "UPDATE events SET seq = 21 WHERE seq = -1")
    assert first_bad(folder) == 20


def test_a_reading_made_better_with_a_new_hash_of_its_own_is_found_behind_it(folder: Path) -> None:
    """Whoever also computes the hash of the row he changed has broken the one that follows."""
    with Journal(folder, write=False) as journal:
        row = list(journal.rows())[99]
        before = list(journal.rows())[98].hash
    forged = type(row)(row.seq, row.test, row.wall, row.boot, row.body + " ", "")
    change(folder, f"UPDATE events SET body = body || ' ', hash = '{forged.expected_hash(before)}' WHERE seq = 100")
    assert first_bad(folder) == 101


# --- the file ------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("offset", range(0, 60_000, 2999))
def test_any_byte_of_the_file(folder: Path, offset: int) -> None:
    """A damaged byte anywhere: every command says so in a sentence or finds every number as it was; none shows a wrong one."""
    data = bytearray((folder / FILE).read_bytes())
    data[offset % len(data)] ^= 0xFF
    (folder / FILE).write_bytes(data)
    verified = bowlside("log", "verify", "--json", "--journal", folder)
    shown = bowlside("log", "show", "1", "--json", "--journal", folder)
    for done in (verified, shown, bowlside("log", "list", "--journal", folder),
                 bowlside("log", "read", "1", "--journal", folder)):
        assert done.code in (0, 1) and len(done.err.strip().splitlines()) <= 1, done
    if shown.code == 0:
        assert {one["id"]: str(one["value"]) for one in shown.lines()[0]["readings"]} == READINGS
    assert verified.code == 1 or shown.code == 0, "called sound, and yet it can't be shown"
    written = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", folder, stdin=script({}))
    assert written.code in (0, 1) and len(written.err.strip().splitlines()) <= 1, written.err


def test_a_flipped_bit_in_the_index_never_hides_an_event(folder: Path) -> None:
    """One bit in the list by which a test's events are found would leave a reading out, with every event still sound."""
    with sqlite3.connect(folder / FILE) as db:
        page = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'by_test'").fetchone()[0]
        size = db.execute("PRAGMA page_size").fetchone()[0]
    db.close()
    data = (folder / FILE).read_bytes()
    start = (page - 1) * size
    cells = int.from_bytes(data[start + 3:start + 5], "big")
    assert data[start] == 10, "a leaf of an index, as SQLite's file format (section 1.6) has it"
    places = [start + int.from_bytes(data[start + 8 + 2 * at:start + 10 + 2 * at], "big")
              for at in (0, 20, cells // 2, cells - 1)]
    for place in places:
        for byte, bit in ((0, 0), (1, 1), (2, 0), (2, 3), (3, 0), (4, 0), (4, 6)):
            spoiled = bytearray(data)
            spoiled[place + byte] ^= 1 << bit
            (folder / FILE).write_bytes(spoiled)
            shown = bowlside("log", "show", "1", "--json", "--journal", folder)
            verified = bowlside("log", "verify", "--json", "--journal", folder)
            if shown.code == 0:
                assert {one["id"]: str(one["value"]) for one in shown.lines()[0]["readings"]} == READINGS
            else:
                assert verified.code == 1 and len(shown.err.strip().splitlines()) == 1, shown


def test_a_changed_reading_is_neither_shown_nor_gone_on_with(tmp_path: Path) -> None:
    """Two tests, one of them changed: the other is still listed, the changed one is refused by all that would use it."""
    for readings in (READINGS, dict(list(READINGS.items())[:4])):
        bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=script(readings))
    with Journal(tmp_path, write=False) as journal:
        row = next(row for row in journal.rows(2) if '"key":"4"' in row.body)
    change(tmp_path, f"UPDATE events SET body = replace(body, '\"4\"', '\"3\"') WHERE seq = {row.seq}")
    assert first_bad(tmp_path) == row.seq
    listed = bowlside("log", "list", "--json", "--journal", tmp_path)
    assert listed.code == 1 and [one["id"] for one in listed.lines()] == [1] and f"Event {row.seq} " in listed.err
    for args in (["log", "show", "2"], ["log", "read", "2"], ["rehearse", "-", "--answer-rest"]):
        bowlside(*args, "--journal", tmp_path, stdin=script()).is_one_sentence(1, f"Event {row.seq} ", "changed", "--journal")
    assert bowlside("log", "show", "1", "--journal", tmp_path).code == 0


@pytest.mark.parametrize("seq", ["first", "middle", "last"])
def test_a_test_that_lost_an_event_is_not_shown(tmp_path: Path, seq: str) -> None:
    for readings in (READINGS, dict(list(READINGS.items())[:4])):
        bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=script(readings))
    with Journal(tmp_path, write=False) as journal:
        rows = list(journal.rows(1))
    gone = {"first": rows[0], "middle": rows[60], "last": rows[-1]}[seq].seq
    change(tmp_path, f"DELETE FROM events WHERE seq = {gone}")
    assert first_bad(tmp_path) == gone
    bowlside("log", "show", "1", "--journal", tmp_path).is_one_sentence(1, "is missing", f"Event {gone} ")


SPOILED: dict[str, Callable[[bytes], bytes]] = {
    "cut in half": lambda data: data[:len(data) // 2], "cut in the header": lambda data: data[:60],
    "cut after a page": lambda data: data[:4096], "garbage": lambda data: os.urandom(len(data)),
    "zeros": lambda data: bytes(len(data)), "text": lambda data: b"not a journal\n" * 100,
    "its second half zeros": lambda data: data[:len(data) // 2] + bytes(len(data) - len(data) // 2)}


@pytest.mark.parametrize("how", SPOILED)
def test_a_spoiled_file(folder: Path, how: str) -> None:
    data = SPOILED[how]((folder / FILE).read_bytes())
    (folder / FILE).write_bytes(data)
    for args in (["list"], ["show", "1"], ["read", "1"]):
        bowlside("log", *args, "--journal", folder).is_one_sentence(1, str(folder))
    done = bowlside("log", "verify", "--journal", folder)
    assert done.code == 1 and len(done.err.strip().splitlines()) == 1 and not done.out, done
    written = bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script())
    assert written.code == 1 and len(written.err.strip().splitlines()) == 1 and "journal" in written.err
    assert (folder / FILE).read_bytes() == data, "a damaged record is kept as it is"


def test_an_empty_file_has_no_record_to_show(tmp_path: Path) -> None:
    (tmp_path / FILE).touch()
    for args in (["list"], ["show", "1"], ["verify"]):
        bowlside("log", *args, "--journal", tmp_path).is_one_sentence(1, str(tmp_path))


def test_somebody_elses_database_is_not_touched(tmp_path: Path) -> None:
    change(tmp_path, "CREATE TABLE events (day TEXT)", "INSERT INTO events VALUES ('x')")
    data = (tmp_path / FILE).read_bytes()
    bowlside("log", "verify", "--journal", tmp_path).is_one_sentence(1, str(tmp_path))
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=script()).is_one_sentence(1, str(tmp_path))
    assert (tmp_path / FILE).read_bytes() == data


def test_a_newer_schema_is_left_alone(folder: Path) -> None:
    change(folder, f"PRAGMA user_version = {SCHEMA + 1}")
    for args in (["log", "list"], ["log", "verify"], ["rehearse", "-", "--answer-rest"]):
        bowlside(*args, "--journal", folder, stdin=script()).is_one_sentence(1, "newer", f"schema {SCHEMA + 1}")
    bowlside("log", "recover", folder / "new", "--journal", folder).is_one_sentence(1, "newer", f"schema {SCHEMA + 1}")
    assert not (folder / "new").exists(), "what the newer program keeps there would be gone"


def test_a_schema_that_no_program_has_is_damage(folder: Path, tmp_path: Path) -> None:
    change(folder, "PRAGMA user_version = 16777218")
    bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).is_one_sentence(1, "header is damaged")
    assert bowlside("log", "recover", tmp_path / "new", "--journal", folder).code == 0


@pytest.mark.parametrize("body", [
    '{"kind":"Heard","at":"soon","text":"next"}', '{"kind":"Heard","at":1,"text":7}', '{"kind":"GaugeSteady","at":1,"value":"x"}',
    '{"kind":"GaugeSteady","at":1,"value":"NaN"}', '{"kind":"GaugeSteady","at":1}', '{"kind":"Spoken","at":1,"number":"x"}',
    '{"kind":"KeyPressed","at":1,"key":["#"]}', '{"kind":"TimerDue","at":1,"name":7}', '{"at":1}', '[]', '7', 'null', '',
    'garbage',
    '[' * 100_000, '{"kind":"Nothing","at":1}', '{"kind":"Heard","at":1,"text":"next","more":1}', '{"kind":["Heard"],"at":1}',
    '{"kind":"TestStarted","at":0,"test":"x","procedure":7,"settings":[]}',
    '{"kind":"TestStarted","at":0,"test":"x","procedure":{},"settings":{}}',
    '{"kind":"TestStarted","at":0,"test":"x","procedure":{},"settings":{},"header":7}'])
@pytest.mark.parametrize("seq", [1, 60])
def test_a_body_that_is_no_event(folder: Path, seq: int, body: str) -> None:
    with sqlite3.connect(folder / FILE) as db:
        db.execute("UPDATE events SET body = ? WHERE seq = ?", (body, seq))
    db.close()
    assert first_bad(folder) == seq
    for args in (["log", "list"], ["log", "show", "1"], ["log", "read", "1"], ["rehearse", "-", "--answer-rest"]):
        done = bowlside(*args, "--journal", folder, stdin=script({}))
        assert done.code in (0, 1) and len(done.err.strip().splitlines()) <= 1, done


# --- the folder ------------------------------------------------------------------------------------------------------------

def test_two_stations_on_one_journal(folder: Path) -> None:
    with Journal(folder):
        process("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script().encode()).is_one_sentence(
            1, "Another station", str(folder), "--journal")
        assert process("log", "verify", "--journal", folder).code == 0, "reading is allowed meanwhile"
    assert process("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script().encode()).code == 0


def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for args in (["rehearse", "-"], ["log", "list"]):
        for place in (tmp_path / "file", tmp_path / "file" / "below"):
            bowlside(*args, "--journal", place, stdin=script()).is_one_sentence(1, str(place), "--journal")


COMMANDS = (["log", "list"], ["log", "verify"], ["log", "show", "1"], ["rehearse", "-", "--answer-rest"])


@pytest.mark.parametrize("name, kind", [*((FILE, kind) for kind in ("pipe", "socket", "device", "folder")),
                                        *((name, "pipe") for name in (f"{FILE}-wal", "journal.lock", "journal.newest"))])
def test_what_is_no_file_is_not_waited_for(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str,
                                           kind: str) -> None:
    """Whoever opens a pipe that nobody writes into waits for ever; the commands are run apart, with a limit."""
    place = folder / name
    place.unlink(missing_ok=True)
    server = socket.socket(socket.AF_UNIX)
    monkeypatch.chdir(folder)  # the name of a socket may not be long
    {"pipe": lambda: os.mkfifo(place), "socket": lambda: server.bind(name), "device": lambda: place.symlink_to("/dev/zero"),
     "folder": place.mkdir}[kind]()
    with ThreadPoolExecutor() as pool:
        done = pool.map(lambda args: process(*args, "--journal", folder, stdin=script().encode()),
                        [*COMMANDS, ["log", "recover", tmp_path / "new"]])
    for one in done:
        one.is_one_sentence(1, str(folder), name, "must be a file")
    server.close()


def test_a_pipe_as_meter_register_or_kept_results_is_not_waited_for(folder: Path) -> None:
    os.mkfifo(folder / "meters.db")
    os.mkfifo(folder / kept.FILE)
    process("meter", "list", "--journal", folder).is_one_sentence(2, "meters.db", "must be a file")
    assert process("log", "list", "--journal", folder).code == 0


@pytest.mark.parametrize("name", ["", " "])
@pytest.mark.parametrize("args", ["log list", "rehearse -", "meter list", "job due x --volume 1", "run"])
def test_an_empty_name_is_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, args: str, name: str) -> None:
    """It was the folder in which one stood."""
    monkeypatch.chdir(tmp_path)
    bowlside(*args.split(), "--journal", name, stdin=script()).is_one_sentence(2, "--journal", "empty name")
    assert not list(tmp_path.iterdir())


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Nothing is forbidden to root, so not as root."""
    if os.geteuid() != 0:
        yield
        return
    os.setegid(65534)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)


def test_a_folder_that_may_not_be_written(folder: Path) -> None:
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        closed = Path(place) / "journal"
        shutil.copytree(folder, closed)
        for each in closed.iterdir():
            each.chmod(0o444)
        closed.chmod(0o555)
        with as_nobody():
            for where in (closed, closed / "new"):
                bowlside("rehearse", "-", "--answer-rest", "--journal", where, stdin=script()).is_one_sentence(
                    1, str(where), "may write", "--journal")
            shown = bowlside("log", "list", "--json", "--journal", closed)
        closed.chmod(0o755)
        assert shown.code == 0 and shown.lines()[0]["verdict"] == "pass", f"a record on a read-only disk can be read: {shown}"


# --- the disk is full --------------------------------------------------------------------------------------------------------

def fill(journal: Journal, full: bool) -> None:
    """A real SQLITE_FULL: the file may not grow by a single page, so the next event that needs one fails."""
    used = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {used if full else 1_000_000}")


def test_a_full_disk_in_the_middle_of_a_test(tmp_path: Path) -> None:
    t = Dialogue(tmp_path).leak_hold().fill_and_close().to_equilibrium(1, 1, "14.50")
    before, held = t.state.taken(), t.journal.count()
    fill(t.journal, True)
    with pytest.raises(JournalError) as found:
        for _ in range(500):  # until the page in use is full
            state = t.state
            t.hear("seven point two five").hear("no")
            held = t.journal.count()
    assert "full" in str(found.value) and "Make room" in str(found.value) and "safe" in str(found.value)
    assert t.journal.count() >= held and t.state.taken() == before
    while t.state.prompt != state.prompt:
        fill(t.journal, False)
        t.hear("no")
    fill(t.journal, True)
    with pytest.raises(JournalError):
        for _ in range(500):
            t.hear("where are we")
    kept, state = t.journal.count(), t.state
    for answer in ("seven point two five", "yes", "next", "scrap the test"):
        with pytest.raises(JournalError):
            for _ in range(50):  # a short event may still find room in the page
                t.station.handle(Heard(t.now, answer * 30))
        assert "equilibrium.1.1" not in t.state.taken()
    assert t.journal.first_bad() is None
    assert Station(t.journal, t.station.test).state == t.state, "what is believed is what is recorded"
    fill(t.journal, False)  # somebody made room: it goes on where it was
    t._talk()
    t.reading("equilibrium.1.1", "7.25")
    assert t.journal.count() > kept and state.prompt == "equilibrium.1.1"
    t.one_step(1, 2, "30.00", "18.63").replayed()
    assert {**before, **t.state.taken()} == t.state.taken(), "nothing earlier lost"
    t.kill()
    assert bowlside("log", "verify", "--journal", tmp_path).code == 0


class Stubborn(Journal):
    """Every event is refused once by SQLite itself before it is let through."""
    refused = 0

    def append(self, test: int, event: Event, boot: str = "") -> None:
        self._db.execute("PRAGMA query_only = ON")
        with pytest.raises(JournalError, match="Not recorded"):
            super().append(test, event, boot)
        self._db.execute("PRAGMA query_only = OFF")
        type(self).refused += 1
        super().append(test, event, boot)


def test_every_write_of_a_whole_test_fails_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An event that was refused leaves nothing behind: tried again, the test comes to the same chain and the same result."""
    monkeypatch.setattr("tests.scenario.dialogue.Journal", Stubborn)
    t = Dialogue(tmp_path).leak_hold().fill_and_close().one_run(1, ("7.25", "18.63", "31.81")).between()
    t.one_run(2, ("7.32", "18.77", "32.01")).hear("next").finish().replayed()
    assert Stubborn.refused == t.journal.count() > 150 and t.journal.first_bad() is None
    shown, = bowlside("log", "show", "1", "--json", "--journal", tmp_path).lines()
    assert {one["name"]: str(one["rounded"]) for one in shown["results"]}["system_air_metric"] == "0.20"


def test_an_event_that_is_refused_changes_nothing(tmp_path: Path) -> None:
    t = Dialogue(tmp_path).hear("next")
    state, rows = t.state, list(t.journal.rows())
    t.journal._db.execute("PRAGMA query_only = ON")
    with pytest.raises(JournalError):
        t.hear("yes")
    assert t.state is state and list(t.journal.rows()) == rows


def test_a_full_disk_under_the_journal(tmp_path: Path) -> None:
    """A file system of 160 kB that fills up: a whole rehearsal stops with a sentence, and goes on when there is room."""
    if os.geteuid() != 0 or not shutil.which("mount"):
        pytest.skip("needs root to mount a small file system: run the tests as root")
    disk = tmp_path / "disk"
    disk.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=160k", "tmpfs", str(disk)], capture_output=True).returncode:
        pytest.skip("no file system may be mounted here: run the tests as root outside a container")
    try:
        done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", disk, stdin=script())
        assert done.code == 1 and len(done.err.strip().splitlines()) == 1 and "Not recorded" in done.err, done
        taken = {line["id"]: str(line["value"]) for line in done.lines("taken")}
        subprocess.run(["mount", "-o", "remount,size=4m", str(disk)], check=True)
        shown = bowlside("log", "show", "1", "--json", "--journal", disk)
        assert {one["id"]: str(one["value"]) for one in shown.lines()[0]["readings"]} == taken
        again = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", disk, stdin=script())
        assert again.code == 0 and bowlside("log", "verify", "--journal", disk).code == 0
        assert {line["name"]: str(line["rounded"]) for line in again.lines("result")}["air_content"] == "5.7"
    finally:
        subprocess.run(["umount", str(disk)], check=True)
