"""The pieces of a journal: which there are, in which order, what stays; read beside a station that writes, and of damaged ones.

Each piece is held against ``piece.read``, which the office uses, and against the events of the journal.
"""
from __future__ import annotations

import hashlib
import json
import lzma
import os
import shutil
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from itertools import accumulate
from pathlib import Path

import pytest

from assistant.core.machine import step
from assistant.core.state import Phase, State
from assistant.office import intake
from assistant.record.chain import FIRST
from assistant.record.identity import origin
from assistant.record.journal import Journal, JournalError
from assistant.send import outbox as module
from assistant.send import piece
from assistant.send.outbox import Outbox, Unsettled
from assistant.send.piece import Piece
from tests.command import bowlside
from tests.fault import test_old_journals
from tests.office import made
from tests.office.at_door import asked


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made.journal(tmp_path_factory.mktemp("three") / "journal", 3)


@pytest.fixture
def journal(three: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(three, tmp_path / "journal"))


def looked(folder: Path, practice: bool = False) -> Outbox:
    found = Outbox(folder, practice)
    found.look()
    return found


def whole(folder: Path, practice: bool = False) -> list[Piece]:
    """All of it, each checked as the office does, and each following the one before."""
    found = looked(folder, practice)
    pieces = list(found.pieces(found.entries))
    assert found.record is not None
    for each, after in zip(pieces, pieces[1:]):
        assert after.before == each.hash and after.first > each.last
    return [piece.read(as_sent(each), found.record) for each in pieces]


def as_sent(each: Piece) -> dict:
    plain = each.plain()
    return {**plain, "rows": [list(row) for row in plain["rows"]]}


def change(folder: Path, sql: str, *values: object) -> None:
    with sqlite3.connect(folder / "journal.db") as db:
        db.execute(sql, values)
    db.close()


def spans(folder: Path) -> dict[int, tuple[int, int]]:
    with Journal(folder, write=False) as opened:
        return {span.test: (span.first, span.last) for span in opened.spans()}


def test_every_event_of_every_test_that_has_an_end(journal: Path) -> None:
    pieces = whole(journal)
    with Journal(journal, write=False) as opened:
        rows = [(row.seq, row.wall, row.boot, row.body, row.hash) for row in opened.rows()]
        assert looked(journal).newest == (rows[-1][0], rows[-1][4]) and looked(journal).record == opened.identity
    assert [row for each in pieces for row in each.rows] == rows
    assert [(each.kind, each.test) for each in pieces] == [("test", 1), ("test", 2), ("test", 3)]


def test_the_newest_leaves_when_the_station_has_finished_it_and_no_event_sooner(journal: Path, tmp_path: Path) -> None:
    """Event by event as it grows: what has left is never added to. Its end is a question of its last words, not of its outcome."""
    with Journal(journal, write=False) as opened:
        rows = list(opened.rows())
    copy = tmp_path / "copy" / "journal"
    growing = Outbox(copy)
    left: list[int] = []
    with Journal(copy, record=looked(journal).record) as written:
        for row in rows:
            written.begin_with([row]) if row.seq == 1 else written._insert(row)
            growing.look()
            left.append(len(growing.entries))
    ends = [last for _, last in spans(journal).values()]
    assert [left[seq - 1] for seq in ends] == [1, 2, 3]
    assert [left[seq - 2] for seq in ends] == [0, 1, 2], "it left before its last event"
    states = accumulate((row.event() for row in rows[:ends[0]]), lambda state, event: step(state, event)[0], initial=State())
    over = next(at for at, state in enumerate(states) if state.phase is Phase.OVER)
    assert over < ends[0], "nothing is recorded after a test is over, so this shows nothing"


def test_an_unfinished_test_stays_until_another_follows(journal: Path) -> None:
    made.begun(journal)
    assert [each.test for each in whole(journal)] == [1, 2, 3]
    with Journal(journal) as opened:
        first = next(opened.rows(1)).event()
        opened.append(opened.new_test(), first)
    assert [each.test for each in whole(journal)] == [1, 2, 3, 4]


def test_practice_stays_and_is_linked(tmp_path: Path) -> None:
    folder = made.journal(tmp_path / "journal", 1)
    made.journal(folder, 2, practice=True)
    made.journal(folder, 1)
    pieces = whole(folder)
    assert [(each.kind, len(each.rows) > 0) for each in pieces] == [("test", True), ("withheld", False), ("withheld", False), ("test", True)]
    assert not any("practice" in str(each.plain()).lower() for each in pieces if each.kind == "withheld")
    assert [each.kind for each in whole(folder, practice=True)] == ["withheld", "test", "test", "withheld"], "enrolled to practise"


def test_what_is_damaged_costs_its_test_alone(journal: Path) -> None:
    first, last = spans(journal)[2]
    change(journal, "UPDATE events SET body = replace(body, '{', '{ ') WHERE seq = ?", first + 3)
    pieces = whole(journal)
    assert [each.kind for each in pieces] == ["test", "damaged", "test"] and (pieces[1].first, pieces[1].last) == (first, last)


@pytest.mark.parametrize(("sql", "at"), [
    ("UPDATE events SET hash = replace(hash, substr(hash, 1, 1), 'x') WHERE seq = ?", "last"),
    ("UPDATE events SET hash = x'00ff' WHERE seq = ?", "last"), ("UPDATE events SET before = 'gone' WHERE seq = ?", "first"),
    ("DELETE FROM events WHERE seq = ?", "last"), ("DELETE FROM events WHERE seq = ?", "first"),
    ("UPDATE events SET test = 3 WHERE seq = ?", "middle"), ("UPDATE events SET test = 'x' WHERE seq = ?", "middle"),
    ("UPDATE events SET test = 2 WHERE seq = ?", "of the next"), ("UPDATE events SET body = x'80ff' WHERE seq = ?", "middle")])
def test_so_does_a_broken_link_a_missing_event_a_wrong_number(journal: Path, sql: str, at: str) -> None:
    first, last = spans(journal)[2]
    change(journal, sql, {"first": first, "last": last, "middle": first + 5, "of the next": last + 4}[at])
    kinds = {each.test: each.kind for each in whole(journal)}
    assert kinds[1] == "test" and list(kinds.values()).count("damaged") in (1, 2), kinds
    assert (kinds.get(3) == "test") != (at == "of the next"), kinds


@pytest.mark.parametrize("sql", ["UPDATE events SET hash = replace(hash, substr(hash, 1, 1), 'x') WHERE seq = ?",
                                 "UPDATE events SET hash = CAST(x'80ff' || hash AS TEXT) WHERE seq = ?"])
def test_what_stands_in_place_of_a_hash_is_one(journal: Path, sql: str) -> None:
    """Else the office refuses whatever names it, and no later test ever leaves."""
    change(journal, sql, spans(journal)[2][1])
    assert [each.kind for each in whole(journal)] == ["test", "damaged", "test"]
    found = looked(journal)
    intake.offer(json.dumps({"record": str(found.record), "pieces": found.entries}).encode())
    for entry in found.entries:
        intake.read(json.dumps(asked(found.record, newest=found.newest, sent=entry.hash)).encode())


def test_the_first_event_gone(journal: Path) -> None:
    change(journal, "DELETE FROM events WHERE seq = 1")
    assert [each.kind for each in whole(journal)] == ["damaged", "test", "test"]


def test_a_recovered_record_sends_what_stands_for_lost_events(journal: Path, tmp_path: Path) -> None:
    first, _ = spans(journal)[2]
    change(journal, "UPDATE events SET body = replace(body, '{', '{ ') WHERE seq = ?", first + 3)
    assert bowlside("log", "recover", tmp_path / "saved", "--journal", journal).code in (0, 1)
    pieces = whole(tmp_path / "saved")
    assert [(each.kind, len(each.rows) > 0) for each in pieces] == [("test", True), ("lost", True), ("test", True)]
    assert looked(tmp_path / "saved").record == looked(journal).record


def test_a_recovered_record_that_got_a_new_name_begins_as_before(journal: Path, tmp_path: Path) -> None:
    change(journal, "DROP TABLE record")
    change(journal, "VACUUM")
    assert "has a new name" in bowlside("log", "recover", tmp_path / "saved", "--journal", journal).err
    assert [each.kind for each in whole(tmp_path / "saved")] == ["test"] * 3


@pytest.mark.parametrize("kept", sorted(test_old_journals.KEPT.iterdir()), ids=lambda path: path.name)
def test_old_journals_leave_too(kept: Path, tmp_path: Path) -> None:
    """Opened for reading only they stay of their schema; their first event follows none, or the record's origin. That a half test
    stays is another's concern."""
    (tmp_path / "journal").mkdir()
    database = tmp_path / "journal" / "journal.db"
    database.write_bytes(before := lzma.decompress(kept.read_bytes()))
    pieces = whole(tmp_path / "journal")
    assert {each.kind for each in pieces} <= {"test", "lost", "withheld"} and ("half" in kept.name or pieces)
    assert not pieces or pieces[0].before in (FIRST, origin(looked(tmp_path / "journal").record))
    assert database.read_bytes() == before


# --- what a look costs, and whom it disturbs ------------------------------------------------------------------------------------

def test_a_look_at_what_has_not_changed_opens_nothing(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = looked(journal)
    found.look()    # the first opening leaves SQLite's own empty log behind
    opened: list[Path] = []
    monkeypatch.setattr(module, "Journal", lambda folder, write: opened.append(folder))
    assert not any(found.look() for _ in range(100)) and opened == []


def test_what_grew_is_read_and_nothing_else(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = looked(journal)
    made.begun(journal)
    asked: list[str] = []
    real = Journal.ask
    monkeypatch.setattr(Journal, "ask", lambda self, sql, *values: asked.append((sql, *values)) or real(self, sql, *values))
    assert found.look()
    end = found.entries[-1].last
    assert [each for each in asked if "GROUP BY test" in each[0]] == [
        ("SELECT test, MIN(seq), MAX(seq) FROM events NOT INDEXED WHERE seq > ? AND test >= 0 GROUP BY test", end)]


def test_nothing_is_changed_and_a_station_starts_stops_and_writes_beside_it(journal: Path) -> None:
    found = Outbox(journal)

    def bytes_of(names: Sequence[str] = ("journal.db", "journal.newest")) -> list[bytes]:
        return [(journal / name).read_bytes() for name in names]
    before = bytes_of()
    found.look()
    list(found.pieces(found.entries))
    assert bytes_of() == before
    for _ in range(3):
        made.journal(journal, 1)        # begins, writes, ends
        assert found.look()
    assert len(found.entries) == 6
    with Journal(journal) as station:
        first = next(station.rows(1)).event()
        found.look()
        pieces = found.pieces(found.entries)
        next(pieces)        # a reader in the middle
        station.append(station.new_test(), first)
        assert len(list(pieces)) == 5
    assert not (journal / "journal.db-wal").exists() or (journal / "journal.db-wal").stat().st_size == 0


@pytest.fixture
def closed(journal: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """As the service sees it: it may not write there. Root may everywhere, so the question is answered for it."""
    real = os.access
    monkeypatch.setattr(os, "access", lambda path, mode, **more: False if mode == os.W_OK and Path(path) == journal else real(path, mode, **more))
    os.chmod(journal, stat.S_IRUSR | stat.S_IXUSR)
    yield journal
    os.chmod(journal, 0o700)


def test_a_folder_in_which_it_may_not_write(closed: Path) -> None:
    for name in ("journal.db-wal", "journal.db-shm"):
        (closed / name).unlink(missing_ok=True)
    names = sorted(path.name for path in closed.iterdir())
    assert len(whole(closed)) == 3 and sorted(path.name for path in closed.iterdir()) == names


def test_damage_that_may_be_the_stations_beginning_is_looked_at_again(closed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Read as it lies there, without a log, while the station began to write one."""
    for name in ("journal.db-wal", "journal.db-shm"):
        (closed / name).unlink(missing_ok=True)
    found = looked(closed)
    change(closed, "UPDATE events SET body = replace(body, '{', '{ ') WHERE seq = 4")
    (closed / "journal.db-wal").unlink(missing_ok=True)
    real = module.chain.checked

    def meanwhile(*args):
        (closed / "journal.db-wal").touch()
        return real(*args)
    monkeypatch.setattr(module.chain, "checked", meanwhile)
    with pytest.raises(Unsettled):
        list(found.pieces(found.entries))
    monkeypatch.undo()
    assert [each.kind for each in found.pieces(found.entries)] == ["damaged", "test", "test"]


def test_a_disk_that_fails_for_once_damages_nothing(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = looked(journal)

    def fails(*_):
        raise JournalError("The journal can't be read any further: disk I/O error.")
    monkeypatch.setattr(module.chain, "checked", fails)
    for _ in range(module.TRIES - 1):
        with pytest.raises(JournalError):
            list(found.pieces(found.entries[:1]))
    assert [each.kind for each in found.pieces(found.entries[:1])] == ["damaged"], "one that fails each time"
    monkeypatch.undo()
    assert [each.kind for each in found.pieces(found.entries)] == ["test"] * 3


def test_no_journal_an_empty_one_and_one_that_comes_back(tmp_path: Path, three: Path) -> None:
    found = Outbox(tmp_path / "journal")
    assert found.look() and found.record is None and found.entries == [] and not found.look()
    Journal(tmp_path / "journal").close()
    assert found.look() and found.record is not None and found.entries == [] and found.newest == (0, "")
    shutil.rmtree(tmp_path / "journal")
    assert found.look() and found.record is None
    shutil.copytree(three, tmp_path / "journal")
    assert found.look() and len(found.entries) == 3


def test_a_restored_backup_is_read_anew(journal: Path, tmp_path: Path) -> None:
    backup = shutil.copytree(journal, tmp_path / "backup")
    made.journal(journal, 1)
    found = looked(journal)
    assert len(found.entries) == 4
    shutil.rmtree(journal)
    shutil.copytree(backup, journal)
    assert found.look() and len(found.entries) == 3
    made.journal(journal, 2, seed=9)
    assert found.look() and len(found.entries) == 5


def test_a_stub_names_what_the_next_follows_even_where_nobody_knows(journal: Path) -> None:
    """Two tests beside each other whose link is damaged on both sides: both pieces are told the same."""
    first, last = spans(journal)[2]
    change(journal, "UPDATE events SET hash = 'gone' WHERE seq = ?", last)
    change(journal, "UPDATE events SET before = NULL WHERE seq = ?", last + 1)
    pieces = whole(journal)
    assert [each.kind for each in pieces] == ["test", "damaged", "damaged"]
    assert pieces[1].hash == pieces[2].before == hashlib.sha256(b"gone").hexdigest()
    assert first
