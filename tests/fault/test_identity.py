"""Which record a journal is: known from birth, the same in every copy, and not to be lost or exchanged without a word."""
from __future__ import annotations

import shutil
import sqlite3
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from uuid import UUID

import apsw
import pytest

from assistant.core.events import Spoken
from assistant.record import recover
from assistant.record.identity import MARK, all_in, begins, new, of_older, origin, read, text
from assistant.record.journal import FILE, Journal, JournalError
from tests.command import READINGS, bowlside, script
from tests.fault.disk import under_the_journal


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, UUID]:
    """Two whole tests."""
    folder = tmp_path_factory.mktemp("sound")
    for _ in range(2):
        assert bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).code == 0
    with Journal(folder, write=False) as journal:
        return folder, journal.identity


@pytest.fixture
def folder(sound: tuple[Path, UUID], tmp_path: Path) -> Path:
    """A copy, to be spoiled."""
    shutil.copytree(sound[0], tmp_path / "journal")
    return tmp_path / "journal"


def change(folder: Path, *statements: str) -> None:
    with sqlite3.connect(folder / FILE) as db:
        for each in statements:
            db.execute(each)
    db.close()


def replaced(folder: Path, old: bytes, by: bytes, count: int = -1) -> None:
    data = (folder / FILE).read_bytes()
    assert old in data and len(old) == len(by)
    (folder / FILE).write_bytes(data.replace(old, by, count))


def recovered(folder: Path) -> UUID:
    """The identity of what is saved of it, which is sound."""
    new_ = folder.with_name("new")
    found = recover.look(folder)
    recover.save(found, folder, new_)
    with Journal(new_) as journal:
        assert not journal.damage and journal.first_bad() is None and journal.identity == found.record
        return journal.identity


# --- at birth --------------------------------------------------------------------------------------------------------------

def test_two_records_made_separately_share_no_identity_and_no_hash(tmp_path: Path) -> None:
    known, hashes = set[UUID](), set[str]()
    for name in ("one", "two"):
        with Journal(tmp_path / name) as journal:
            journal.wall = lambda: datetime(2031, 5, 17)  # the same event at the same time
            journal.append(1, Spoken(0.0, 1))
            row, = journal.rows()
            assert row.before == origin(journal.identity) and row.follows(row.before)
            known.add(journal.identity)
            hashes.add(row.hash)
    assert len(known) == len(hashes) == 2


def test_it_is_the_same_in_every_copy_and_for_ever(folder: Path, sound: tuple[Path, UUID]) -> None:
    assert bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).code == 0
    with Journal(folder) as journal:
        assert journal.identity == sound[1] and journal.first_bad() is None and journal.tests() == [1, 2, 3]
        assert next(journal.rows()).before == origin(sound[1])


def test_it_is_on_the_disk_with_the_journal_or_not_at_all(tmp_path: Path) -> None:
    """Every request to the disk refused from there on, from the first opening to the first event."""
    def begun(place: Path) -> UUID:
        with Journal(place) as journal:
            journal.append(1, Spoken(0.0, 1))
            return journal.identity

    with under_the_journal(20) as disk:
        begun(tmp_path / "whole")
        count, kept = disk.count, 0
        assert count > 8
        for number in range(1, count + 1):
            place, first = tmp_path / f"refused-{number}", None
            disk.count = 0
            disk.trouble = lambda at, what, path, number=number: apsw.IOError if at >= number else None
            with suppress(JournalError):
                first = begun(place)
            disk.trouble = lambda at, what, path: None
            with Journal(place) as journal:
                kept += bool(journal.last_event)
                assert not journal.damage and journal.first_bad() is None and first in (None, journal.identity), number
                journal.append(1, Spoken(1.0, 1))
                assert next(journal.rows()).before == origin(journal.identity)
        assert kept, "cut behind the first event too"


def test_verify_tells_it(folder: Path, sound: tuple[Path, UUID]) -> None:
    assert f", of record {sound[1]}." in bowlside("log", "verify", "--journal", folder).out
    assert bowlside("log", "verify", "--json", "--journal", folder).lines()[0]["record"] == str(sound[1])


# --- its text --------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("kept", [None, b"x", 7, "", MARK, "12e9fd7c-8d60-53ea-8ac5-a5c8f2374aba", f"{MARK}12e9fd7c", "\udc80",
                                  f"{MARK}12e9fd7c-8d60-53ea-8ac5-a5c8f2374abag", f"{MARK}12E9FD7C-8D60-53EA-8AC5-A5C8F2374ABA"])
def test_what_is_no_identity(kept: object) -> None:
    assert read(kept) is None


def test_it_is_found_among_other_bytes() -> None:
    known, other = new(), new()
    assert read(text(known)) == known
    assert all_in(b"\0\xff" + text(known).encode() + b"g" + text(other).encode()[:-1] + b"\0" + text(known).encode()) == [known]


def test_an_origin_is_of_one_record_and_an_older_record_is_named_by_its_first_event() -> None:
    """The two names that a chain can have; the first as the shared design has it: sha256 of the words and the identity."""
    known = UUID("12e9fd7c-8d60-53ea-8ac5-a5c8f2374aba")
    assert origin(known) == "6ab462ee5d07e8f22ed2b0ebc70012384c8bd0a615529d00f0f03e0d0164b5fd", "as sha256sum has it"
    assert begins(known, origin(known), "a" * 64) and begins(of_older("a" * 64), "0" * 64, "a" * 64)
    assert not begins(known, "0" * 64, "a" * 64) and not begins(of_older("b" * 64), "0" * 64, "a" * 64)


# --- damaged or exchanged --------------------------------------------------------------------------------------------------

OTHER = UUID("12e9fd7c-8d60-53ea-8ac5-a5c8f2374aba")
TABLE = {"another record's": f"UPDATE record SET id = '{text(OTHER)}'", "a letter": "UPDATE record SET id = replace(id, '-', '_')",
         "bytes": "UPDATE record SET id = x'00ff'", "none": "UPDATE record SET id = NULL", "no row": "DELETE FROM record",
         "two rows": "INSERT INTO record DEFAULT VALUES", "no table": "DROP TABLE record", "no text": "UPDATE record SET id = CAST(x'ff' AS TEXT)"}


@pytest.mark.parametrize("what", TABLE)
def test_a_table_that_does_not_tell_it_is_told_the_station_goes_on_and_recover_finds_it(
        what: str, folder: Path, sound: tuple[Path, UUID]) -> None:
    change(folder, TABLE[what])
    words = "it says that it is record 12e9fd7c" if what == "another record's" else "no longer says which record it is"
    bowlside("log", "verify", "--journal", folder).is_one_sentence(1, "Damaged", words, "log recover")
    found = bowlside("log", "verify", "--json", "--journal", folder).lines()[0]
    assert found["record"] == (str(OTHER) if what == "another record's" else None) and words in found["why"]
    assert bowlside("log", "show", "1", "--journal", folder).code == 0, "no test is the worse for it"
    done = bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script())
    assert done.code == 0 and words in done.err and "goes on" in done.err
    exported = folder.with_name("x.json")
    assert bowlside("log", "export", "--json", exported, "--journal", folder).code == 0
    assert what == "another record's" or '"record"' not in exported.read_text()
    if what == "no table":  # and with it the text
        return
    assert recovered(folder) == sound[1]
    with Journal(folder.with_name("new")) as journal:
        assert journal.tests() == [1, 2, 3]


@pytest.mark.parametrize("place", [0, 1])
def test_it_stands_in_two_pages_so_that_the_loss_of_one_loses_nothing(
        place: int, folder: Path, sound: tuple[Path, UUID]) -> None:
    data = (folder / FILE).read_bytes()
    pages = sorted({at // 4096 for at in range(len(data)) if data.startswith(text(sound[1]).encode(), at)})
    assert len(pages) == 2
    start = pages[place] * 4096
    (folder / FILE).write_bytes(data[:start] + bytes(4096) + data[start + 4096:])
    found = bowlside("log", "recover", folder.with_name("new"), "--json", "--journal", folder)
    assert found.code == 0 and found.lines()[0]["record"] == str(sound[1]) and not found.err
    verified = bowlside("log", "verify", "--json", "--journal", folder).lines()[0]
    assert not verified["sound"] and verified["record"] == (str(sound[1]) if place == 0 else None), "without SQLite too"


def test_where_nothing_tells_it_recover_says_so_and_gives_a_name_that_the_events_give(folder: Path, sound: tuple[Path, UUID]) -> None:
    replaced(folder, MARK.encode(), b"x" * len(MARK))
    done = bowlside("log", "recover", folder.with_name("new"), "--json", "--journal", folder)
    said = done.lines()[0]
    assert done.code == 0 and said["whole"] and said["renamed"] and said["record"] != str(sound[1])
    with Journal(folder.with_name("new")) as journal:
        assert not journal.damage and str(journal.identity) == said["record"] and journal.tests() == [1, 2]
    again = bowlside("log", "recover", folder.with_name("again"), "--journal", folder)
    assert again.code == 0 and f"has a new name, {said['record']}" in again.err, "the same each time"


def test_a_damaged_first_test_costs_no_identity(folder: Path, sound: tuple[Path, UUID]) -> None:
    change(folder, "UPDATE events SET body = replace(body, '.', '1.') WHERE seq = 6")
    assert recovered(folder) == sound[1]
    with Journal(folder.with_name("new"), write=False) as journal:
        assert journal.tests() == [2] and next(journal.rows()).before == origin(sound[1])


@pytest.mark.parametrize("first", ["body = 'x'", "before = 'x'", "hash = 'x'", "seq = 1000000", ""])
def test_of_two_names_the_one_that_the_first_event_follows_is_taken(first: str, folder: Path, sound: tuple[Path, UUID]) -> None:
    """A damaged byte of the name is another name: the first event, even a damaged one, decides."""
    last = str(sound[1])[-1:]
    replaced(folder, text(sound[1]).encode(), text(sound[1]).encode()[:-1] + (b"0" if last != "0" else b"1"), 1)
    if first:
        change(folder, f"UPDATE events SET {first} WHERE seq = 1")
    found = recover.look(folder)
    assert found.record == sound[1] or first == "before = 'x'", "only with its hash gone too nothing can decide"


def test_a_record_made_anew_under_another_name_is_found_out(folder: Path, sound: tuple[Path, UUID]) -> None:
    """Whoever computes every hash again, from where another record begins."""
    with Journal(folder, write=False) as journal:
        rows = list(journal.rows())
    with sqlite3.connect(folder / FILE) as db:
        last = origin(OTHER)
        for row in rows:
            begin, last = last, row.expected_hash(last)
            db.execute("UPDATE events SET hash = ?, before = ? WHERE seq = ?", (last, begin if row.before else None, row.seq))
    db.close()
    (folder / "journal.newest").unlink()
    bowlside("log", "verify", "--journal", folder).is_one_sentence(1, f"it says that it is record {sound[1]}", "first event is another's")


def test_a_journal_without_an_event_or_a_name_is_not_written_into(tmp_path: Path) -> None:
    Journal(tmp_path / "j").close()
    change(tmp_path / "j", "UPDATE record SET id = 'x'")
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path / "j", stdin=script(READINGS)).is_one_sentence(
        1, "no longer says which record it is", "log recover")
