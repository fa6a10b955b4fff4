"""`bowlside send` as it is typed, against a small office over real TLS."""
from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from assistant.record import chain
from assistant.record.chain import JournalError
from assistant.send.place import Sent
from tests.command import ROOT, bowlside, process
from tests.office import made
from tests.office.office_of_tests import CODE, KEY_OF_STATION, SmallOffice, office


@pytest.fixture
def small(tmp_path: Path) -> Iterator[SmallOffice]:
    with office(tmp_path) as found:
        yield found


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made.journal(tmp_path_factory.mktemp("two") / "journal", 2)


@pytest.fixture
def journal(two: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(two, tmp_path / "journal"))


def enrol(small: SmallOffice, journal: Path, *more: object):
    return bowlside("send", "enrol", small.address, "--code", CODE, "--authority", small.authority, "--journal", journal, *more)


def test_enrolled_sent_and_told(small: SmallOffice, journal: Path) -> None:
    done = enrol(small, journal)
    assert done.code == 0 and "Enrolled as Bay 4 (invented) at Office of the tests" in done.out and "stay here" in done.out, done
    waits = bowlside("send", "--status", "--journal", journal)
    assert waits.code == 1 and "2 tests wait, the oldest is test 1." in waits.out and "Nothing is being sent now" in waits.out
    sent = bowlside("send", "--once", "--journal", journal)
    assert sent.code == 0 and sent.out == "All sent.\n" and len(small.taken) == 2, sent
    told = bowlside("send", "--status", "--json", "--journal", journal)
    status = json.loads(told.out)
    assert told.code == 0 and (status["waiting"], status["sent"], status["trouble"], status["running"]) == (0, 2, "", False)
    assert bowlside("send", "--once", "--journal", journal).out == "All sent.\n" and len(small.taken) == 2


def test_nobody_else_reads_the_key_and_nothing_tells_it(small: SmallOffice, journal: Path) -> None:
    before = os.umask(0)
    try:
        outputs = [enrol(small, journal), *(bowlside("send", each, "--journal", journal) for each in ("--once", "--status"))]
    finally:
        os.umask(before)
    folder = Sent(journal).path
    assert folder == journal.with_name("journal.sent") and stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}
    assert not any(KEY_OF_STATION in done.out + done.err for done in outputs)
    assert [path.name for path in folder.iterdir() if KEY_OF_STATION in path.read_text()] == ["key"]


def test_the_office_says_no(small: SmallOffice, journal: Path) -> None:
    small.answers = lambda path, body: (403, {"error": "That code has run out: make another."})
    enrol(small, journal).is_one_sentence(1, "That code has run out: make another.")
    assert Sent(journal).office() is None and Sent(journal).key() == ""


@pytest.mark.parametrize(("args", "words"), [
    (["office.example", "--code", "123"], "eight digits"), (["http://office.example", "--code", CODE], "https"),
    (["office.example", "--code", CODE, "--authority", "/none.pem"], "/none.pem"),
    (["office.example", "--code", CODE, "--authority", "/dev/null"], "/dev/null")])
def test_what_can_not_be_is_refused_before_anything_is_asked(tmp_path: Path, args: list[str], words: str) -> None:
    bowlside("send", "enrol", *args, "--journal", tmp_path / "journal").is_one_sentence(2, words)
    assert list(tmp_path.iterdir()) == []


def test_no_room_costs_no_code(small: SmallOffice, tmp_path: Path) -> None:
    (tmp_path / "journal.sent").write_text("a file in its place")
    enrol(small, tmp_path / "journal").is_one_sentence(2, "can't be written", "The code was not used")
    assert small.asked == []


def test_without_an_enrolment(tmp_path: Path) -> None:
    for how in ("--once", "--status"):
        bowlside("send", how, "--journal", tmp_path / "journal").is_one_sentence(2, "not enrolled", "bowlside send enrol")
    bowlside("send", "--json", "--journal", tmp_path / "journal").is_one_sentence(2, "--status")


def test_no_signal_and_a_key_that_is_none(small: SmallOffice, journal: Path) -> None:
    enrol(small, journal)
    small.key = "another-key-0123456789"
    done = bowlside("send", "--once", "--journal", journal)
    assert done.code == 1 and "enrol the station again" in done.out and "2 tests wait." in done.out
    status = bowlside("send", "--status", "--journal", journal)
    assert "enrol the station again" in status.out and status.code == 1
    small.address = "https://127.0.0.1:9"
    assert bowlside("send", "enrol", small.address, "--code", CODE, "--journal", journal).code == 1
    assert "Bay 4" in bowlside("send", "--status", "--journal", journal).out, "the old enrolment was lost"


def test_enrolled_again_it_goes_on_where_it_was(small: SmallOffice, journal: Path) -> None:
    enrol(small, journal)
    bowlside("send", "--once", "--journal", journal)
    small.key = "another-key-0123456789"
    assert enrol(small, journal).code == 0
    made.journal(journal, 1)
    assert bowlside("send", "--once", "--journal", journal).code == 0 and len(small.taken) == 3 and small.twice == 0


def test_practice_goes_only_where_a_practice_station_was_enrolled(small: SmallOffice, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOWLSIDE_JOURNAL", str(tmp_path / "journal"))
    made.journal(tmp_path / "journal" / "practice", 2, practice=True)
    arguments = ("send", "enrol", small.address, "--code", CODE, "--authority", small.authority)
    small.practice = True
    bowlside(*arguments).is_one_sentence(2, "practice station", "--practice", "new code")
    small.practice = False
    bowlside(*arguments, "--practice").is_one_sentence(2, "whose tests count", "leave --practice out")
    small.practice = True
    done = bowlside(*arguments, "--practice")
    assert done.code == 0 and "the office marks them" in done.out, done
    assert bowlside("send", "--once").code == 0, "no other record is enrolled, so it is this one"
    assert {piece.kind for piece in small.taken.values()} == {"test"} and len(small.taken) == 2


def test_one_sender_at_a_time(small: SmallOffice, journal: Path) -> None:
    enrol(small, journal)
    first = Sent(journal)
    first.take()
    try:
        done = process("send", "--once", "--journal", journal)
        assert done.code == 2 and "another bowlside send" in done.err and "--status" in done.err
        assert json.loads(bowlside("send", "--status", "--json", "--journal", journal).out)["running"]
    finally:
        first.close()
    assert process("send", "--once", "--journal", journal).code == 0


FULL = ('mount -t tmpfs -o size=64k tmpfs "$1" && cp "$1.kept"/* "$1" && : > "$1/send.lock" && echo mounted && '
        '{ dd if=/dev/zero of="$1/fill" bs=4k 2>/dev/null; exec "$2" -m assistant send --once --journal "$0"; }')


def test_a_full_disk_loses_nothing_and_goes_on_sending(small: SmallOffice, journal: Path) -> None:
    """The kernel's own: the sender's folder is a file system of its own without a free block."""
    enrol(small, journal)
    sent = Sent(journal).path
    shutil.copytree(sent, f"{sent}.kept")
    done = subprocess.run(["unshare", "--mount", "sh", "-c", FULL, str(journal), str(sent), sys.executable], cwd=ROOT, capture_output=True,
                          text=True, timeout=60)
    if not done.stdout.startswith("mounted"):
        pytest.skip("no file system of one's own may be made here")
    assert done.returncode == 1 and "No space left on device" in done.stdout and "Nothing is lost" in done.stdout, done
    assert len(small.taken) == 2 and "Traceback" not in done.stderr
    assert bowlside("send", "--once", "--journal", journal).code == 0 and small.twice == 0


@pytest.mark.skipif(os.geteuid() != 0, reason="only root makes files in another's folder")
def test_what_root_enrols_for_the_service_is_the_services(small: SmallOffice, tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    os.chown(data, 65534, 65534)
    assert enrol(small, data / "journal").code == 0
    owners = {path.name: path.lstat().st_uid for path in data.rglob("*")}
    assert {"journal.sent", "office.json", "key", "authority.pem"} <= set(owners) and set(owners.values()) == {65534}, owners


def test_a_test_that_can_not_be_read_is_told_and_what_follows_it_leaves(small: SmallOffice, journal: Path,
                                                                       monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fails each time in one place."""
    enrol(small, journal)
    real = chain.checked

    def fails(opened, span):
        if span.test == 1:
            raise JournalError("The journal can't be read any further: disk I/O error.")
        return real(opened, span)
    monkeypatch.setattr(chain, "checked", fails)
    done = bowlside("send", "--once", "--journal", journal)
    assert done.code == 0 and "disk I/O error" in done.out and done.out.endswith("The record can be read again.\nAll sent.\n"), done
    assert [(piece.test, piece.kind) for piece in small.taken.values()] == [(1, "damaged"), (2, "test")]


def test_a_journal_that_can_not_be_read(small: SmallOffice, journal: Path) -> None:
    enrol(small, journal)
    (journal / "journal.db").write_bytes(b"SQLite format 3\0" + bytes(4000))
    assert bowlside("send", "--once", "--journal", journal).code == 1
    assert bowlside("send", "--status", "--journal", journal).code == 1
