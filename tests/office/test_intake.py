"""What a station sends comes into real tables, whole and once; what is wrong is refused by a sentence, nothing else is touched.

Outside source: PostgreSQL holds what was sent; it is compared with what SQLite holds in the journal, row by row.
"""
from __future__ import annotations

import json
import lzma
import re
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import psycopg
import pytest

from assistant.files.refusal import Refusal
from assistant.office import intake, stations
from assistant.record.journal import Journal
from assistant.send.piece import DAMAGED, LOST, TEST, WITHHELD, Piece, of_rows
from tests.office import made
from tests.office.at_door import Door, asked, rows_of


@pytest.fixture
def door(at_door: Door) -> Door:
    return at_door


@pytest.fixture(scope="module")
def four(tmp_path_factory: pytest.TempPathFactory) -> tuple[UUID, list[Piece]]:
    folder = made.journal(tmp_path_factory.mktemp("four"), 4)
    return made.record(folder), made.pieces(folder)


Four = tuple[UUID, list[Piece]]


def test_a_record_arrives_event_by_event(door: Door, four: Four) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    answer = door.sent(key, record, pieces, packed=True)
    assert answer == {"committed": [piece.hash for piece in pieces], "refused": [], "lacks": []}
    assert door.events(record) == rows_of(pieces) and len(rows_of(pieces)) > 500
    assert door.ask("SELECT test, kind, first, last, gap, derived FROM office.pieces ORDER BY first") == [
        (piece.test, "test", piece.first, piece.last, False, None) for piece in pieces]


def test_what_is_answered_is_on_the_disk_however_the_database_is_set(door: Door, four: Four, monkeypatch: pytest.MonkeyPatch) -> None:
    key, (record, pieces), real, told = door.enrol("Bay 1"), four, intake._lacks, list[Any]()

    def lacks(db: psycopg.Connection, *given: Any) -> tuple[str, ...]:
        told.append(db.execute("SHOW synchronous_commit").fetchone())
        return real(db, *given)
    monkeypatch.setattr(intake, "_lacks", lacks)
    with door.pool.connection() as db:
        db.execute("SET synchronous_commit = off")
        db.commit()
        assert len(intake.take(db, key, intake.read(json.dumps(asked(record, pieces)).encode())).committed) == 4
        db.execute("RESET synchronous_commit")
    assert told == [("on",)]


def test_sent_twice_it_is_once(door: Door, four: Four) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    before = None
    for _ in range(3):
        assert door.sent(key, record, [*pieces, *pieces])["committed"] == [piece.hash for piece in [*pieces, *pieces]]
        now = door.ask("SELECT hash, received_at, xmin::text FROM office.pieces ORDER BY first")
        assert before in (None, now)
        before = now
    assert door.events(record) == rows_of(pieces) and door.ask("SELECT count(*) FROM office.events") == [(len(rows_of(pieces)),)]


def test_what_is_not_there_is_asked_for_until_it_comes(door: Door, four: Four) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    assert door.sent(key, record, [pieces[3]])["lacks"] == [pieces[2].hash]
    assert door.sent(key, record)["lacks"] == [pieces[2].hash]
    assert door.sent(key, record, [pieces[1], pieces[0]])["lacks"] == [pieces[2].hash]
    assert door.offer(key, record, pieces).json() == {"wanted": [pieces[2].hash]}
    assert door.sent(key, record, [pieces[2]])["lacks"] == []
    assert door.ask("SELECT count(*) FROM office.pieces WHERE gap") == [(0,)] and door.events(record) == rows_of(pieces)


def test_what_a_station_has_sent_to_an_office_that_lost_it_is_asked_for(door: Door, four: Four) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    assert door.sent(key, record, sent=pieces[3].hash)["lacks"] == [pieces[3].hash]
    assert door.offer(key, record, pieces).json()["wanted"] == [piece.hash for piece in pieces]
    door.sent(key, record, pieces)
    assert door.sent(key, record, sent=pieces[3].hash)["lacks"] == []


def test_two_histories_are_both_kept(door: Door, tmp_path: Path) -> None:
    """A backup was restored in the middle of a test, and both went on: they share their first events."""
    import shutil
    folder = made.begun(made.journal(tmp_path / "a", 1))
    shutil.copytree(folder, tmp_path / "b")
    record = made.record(folder)
    ends = []
    for name, seed in (("a", 0), ("b", 7)):
        made.go_on(tmp_path / name, seed)
        ends.append(made.pieces(tmp_path / name))
    (first, one), (_, other) = ends
    assert one.before == other.before == first.hash and one.hash != other.hash and one.rows[:10] == other.rows[:10]
    key = door.enrol("Bay 1")
    assert door.sent(key, record, [first, one, other])["lacks"] == []
    for piece in (one, other):
        assert door.ask("SELECT seq, wall, boot, body, encode(hash, 'hex') FROM office.events WHERE piece = %s ORDER BY seq",
                        bytes.fromhex(piece.hash)) == list(piece.rows)


# --- stubs -------------------------------------------------------------------------------------------------------------------


def stub(piece: Piece, kind: str) -> Piece:
    return replace(piece, kind=kind, rows=())


@pytest.mark.parametrize("kind", [DAMAGED, WITHHELD])
def test_a_stub_gives_way_to_the_test_and_never_takes_its_place(door: Door, four: Four, kind: str) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    mixed = [pieces[0], stub(pieces[1], kind), *pieces[2:]]
    assert door.sent(key, record, mixed)["lacks"] == []
    assert door.events(record) == rows_of(mixed)
    assert door.offer(key, record, pieces).json()["wanted"] == ([pieces[1].hash] if kind == DAMAGED else [])
    door.do("UPDATE office.pieces SET derived = 'so'")
    for sent in (pieces[1], stub(pieces[1], kind), pieces[1]):
        assert door.sent(key, record, [sent])["committed"] == [sent.hash]
        assert door.events(record) == rows_of(pieces)
        assert door.ask("SELECT test, kind FROM office.pieces WHERE derived IS NULL") == [(pieces[1].test, "test")]


def test_what_stands_for_lost_events_gives_way_to_them(door: Door, four: Four) -> None:
    """A recovered journal lost tests 2 and 3; then a copy turns up that has them."""
    from assistant.record import chain
    key, (record, pieces) = door.enrol("Bay 1"), four
    row = chain.lost(pieces[1].first, pieces[2].last, pieces[1].test, pieces[0].hash, pieces[3].before)
    lost = of_rows(LOST, [row], pieces[0].hash)
    assert door.sent(key, record, [pieces[0], lost, pieces[3]])["lacks"] == []
    assert door.events(record) == rows_of([pieces[0], lost, pieces[3]])
    assert door.sent(key, record, [pieces[2]])["lacks"] == [pieces[1].hash]
    assert door.sent(key, record, [pieces[1]])["lacks"] == []
    door.sent(key, record, [lost])
    assert door.events(record) == rows_of(pieces)


# --- what is refused ---------------------------------------------------------------------------------------------------------


def changed(piece: Piece, at: int, **values: Any) -> dict[str, Any]:
    """One event of it changed, its hash left as it was."""
    plain = piece.plain()
    rows = [list(row) for row in piece.rows]
    for name, value in values.items():
        rows[at][("seq", "wall", "boot", "body", "hash").index(name)] = value
    return {**plain, "rows": rows}


FORGED = {
    "an event's body": lambda p: changed(p, 3, body='{"at":3,"kind":"Heard","prompt":"","text":"four"}'),
    "an event's wall clock": lambda p: changed(p, 3, wall="2031-05-17T09:00:00.000-05:00"),
    "an event's number": lambda p: changed(p, 3, seq=p.rows[3][0] + 1),
    "an event's hash": lambda p: changed(p, 3, hash="0" * 64),
    "its test's number": lambda p: {**p.plain(), "test": p.test + 1},
    "what it follows": lambda p: {**p.plain(), "before": "1" * 64},
    "its own hash": lambda p: {**p.plain(), "hash": "1" * 64},
    "torn at its end": lambda p: {**p.plain(), "rows": p.rows[:-1]},
    "torn at its beginning": lambda p: {**p.plain(), "rows": p.rows[1:]},
    "beginning in the middle": lambda p: {**p.plain(), "rows": p.rows[5:], "first": p.rows[5][0], "before": p.rows[4][4]},
    "reordered": lambda p: {**p.plain(), "rows": [p.rows[1], p.rows[0], *p.rows[2:]]},
    "without events": lambda p: {**p.plain(), "rows": []},
    "a stub with events": lambda p: {**p.plain(), "kind": "withheld"},
    "of a kind from the future": lambda p: {**p.plain(), "kind": "photograph"},
    "with a part from the future": lambda p: {**p.plain(), "photograph": ""},
    "without a part": lambda p: {key: value for key, value in p.plain().items() if key != "before"},
    "a number too large": lambda p: {**p.plain(), "last": 2**60},
    "no number": lambda p: {**p.plain(), "test": True},
    "a text with what PostgreSQL can't hold": lambda p: changed(p, 3, body="\0"),
    "half a letter": lambda p: changed(p, 3, body="\ud800"),
    "no object": lambda p: [1],
    "following itself": lambda p: {**p.plain(), "kind": "withheld", "rows": [], "before": p.hash},
}


@pytest.mark.parametrize("how", FORGED)
def test_what_was_changed_is_refused_alone_and_told_once(door: Door, four: Four, how: str) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    forged = FORGED[how](pieces[1])
    for times in (1, 2):
        answer = door.sent(key, record, [pieces[0], forged, pieces[2]])
        assert answer["committed"] == [pieces[0].hash, pieces[2].hash] and len(answer["refused"]) == 1
        why = answer["refused"][0]["why"]
        assert why.endswith(".") and ":" in why or "Look at" in why or "Send it" in why, why
        assert door.refusals() == [(why, times)]
        assert door.events(record) == rows_of([pieces[0], pieces[2]])
    door.sent(key, record, pieces)      # what is right is taken, whatever was refused under its hash
    assert door.events(record) == rows_of(pieces)


@pytest.mark.parametrize("body", [
    '{"at":3,"kind":"\\u0000"}', '{"at":3,"kind":"Heard","\\u0000":1}', '{"at":3,"kind":"Heard","\\ud800":1}',
    '{"at":3,"kind":"Heard","\\u001b[31m":1}', '{"at":3,"kind":"%s"}' % ("x" * 2**19), "[" * 2**19, "1", "", "{}", '{"kind":[]}'])
def test_events_that_are_none_though_their_hashes_fit_stop_no_other_piece(door: Door, four: Four, body: str) -> None:
    """Whoever has the station's key can compute hashes, and chooses the words that the refusal is made of."""
    key, (record, pieces) = door.enrol("Bay 1"), four
    last = pieces[1].journal_rows()[-1]
    row = replace(last, body=body)
    digest = row.expected_hash(pieces[1].rows[-2][4])
    wrong = replace(pieces[1], hash=digest, rows=(*pieces[1].rows[:-1], (last.seq, last.wall, last.boot, body, digest)))
    answer = door.sent(key, record, [pieces[0], wrong, pieces[1]])
    assert answer["committed"] == [pieces[0].hash, pieces[1].hash] and [each["hash"] for each in answer["refused"]] == [digest]
    why = answer["refused"][0]["why"]
    assert why.isprintable() and len(why) <= 500 and door.refusals() == [(why, 1)]
    assert door.events(record) == rows_of(pieces[:2])


def test_a_wrong_chain_is_refused(door: Door, four: Four, tmp_path: Path) -> None:
    """The first test of another record, under this one's name."""
    other = made.journal(tmp_path, 2, seed=5)
    key, (record, _) = door.enrol("Bay 1"), four
    answer = door.sent(key, record, made.pieces(other)[:1])
    assert answer["committed"] == [] and "another" in answer["refused"][0]["why"]
    assert door.ask("SELECT count(*) FROM office.pieces") == [(0,)]


def test_events_from_the_future_are_asked_for_again_by_an_office_that_knows_them(door: Door, four: Four,
                                                                                 monkeypatch: pytest.MonkeyPatch) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    monkeypatch.setattr(intake.Piece, "events", _unknown)
    answer = door.sent(key, record, pieces[:1])
    assert "upgrade the office" in answer["refused"][0]["why"] and answer["lacks"] == []
    monkeypatch.undo()
    assert door.offer(key, record, pieces[:1]).json()["wanted"] == []       # it would be refused again
    monkeypatch.setattr(intake, "KNOWS", "newer")
    assert door.offer(key, record, pieces[:1]).json()["wanted"] == [pieces[0].hash]
    assert door.sent(key, record, pieces[:1])["committed"] == [pieces[0].hash]


def _unknown(piece: Piece) -> None:
    raise intake.Wrong("Event 1 of test 1 is none that this office knows: if the station is newer, upgrade the office.")


def test_a_record_of_another_station_is_refused_until_it_is_moved(door: Door, four: Four) -> None:
    (record, pieces), one, other = four, door.enrol("Bay 1"), door.enrol("Bay 2")
    door.sent(one, record, pieces[:2])
    for times in (1, 2):
        for answer in (door.send(other, record, pieces[2:]), door.offer(other, record, pieces)):
            assert answer.status_code == 403 and f"bowlside office move {record} 'Bay 2'" in answer.json()["error"]
        assert [refused[1] for refused in door.refusals()] == [2 * times]
    assert door.events(record) == rows_of(pieces[:2])
    with door.pool.connection() as db:
        stations.move(db, record, "Bay 2")
    assert door.sent(other, record, pieces[2:])["lacks"] == []
    assert door.send(one, record, pieces).status_code == 403
    assert door.events(record) == rows_of(pieces)


def test_a_refused_piece_gives_nobody_a_record(door: Door, four: Four) -> None:
    (record, pieces), one, other = four, door.enrol("Bay 1"), door.enrol("Bay 2")
    door.sent(other, record, [FORGED["reordered"](pieces[0])])
    door.sent(other, record)
    assert door.sent(one, record, pieces)["committed"]


def test_practice_comes_from_practice_stations_alone_and_nothing_else_does(door: Door, tmp_path: Path) -> None:
    folder = made.journal(made.journal(tmp_path, 1, practice=True), 1)
    record, (practice, real) = made.record(folder), made.pieces(folder, whole=True)
    key = door.enrol("Bay 1")
    answer = door.sent(key, record, [practice, real])
    assert answer["committed"] == [real.hash] and "practice, which stays at the station" in answer["refused"][0]["why"]
    assert door.sent(key, record, made.pieces(folder))["lacks"] == []
    trial, copy = door.enrol("Trial", practice=True), made.journal(made.journal(tmp_path / "b", 1, practice=True, seed=2), 1)
    record, (practice, real) = made.record(copy), made.pieces(copy, whole=True)
    answer = door.sent(trial, record, [practice, real])
    assert answer["committed"] == [practice.hash] and "enrol it under another name" in answer["refused"][0]["why"]
    with door.pool.connection() as db, pytest.raises(Refusal, match="never mixed"):
        stations.move(db, record, "Bay 1")
    with door.pool.connection() as db, pytest.raises(Refusal, match="never mixed"):
        stations.code(db, "Bay 1", practice=True)


# --- clocks, senders, neighbours ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("now", "off"), [
    ("1970-01-03T00:00:00+00:00", -1e9), ("2099-01-01T00:00:00-05:00", 1e9), ("0001-01-01T00:00:00+14:00", -1e9),
    ("noon", None), (None, None), ("2031-05-17T09:00:00", None), (7, None)])
def test_a_clock_years_off_is_noted_and_changes_nothing(door: Door, four: Four, now: Any, off: float | None) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    assert door.sent(key, record, pieces, now=now)["lacks"] == []
    found = door.ask("SELECT clock_off_s FROM office.stations")[0][0]
    assert found is None if off is None else found / off > 1
    assert door.events(record) == rows_of(pieces)


def test_refusals_are_kept_within_bounds(door: Door, four: Four, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "MOST_TOLD", 5)
    key, (record, pieces) = door.enrol("Bay 1"), four
    for number in range(9):
        door.sent(key, record, [{**pieces[0].plain(), "hash": f"{number:064}"}])
    assert len(door.refusals()) == 5


def test_a_sign_of_life(door: Door, four: Four) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    assert door.ask("SELECT heard_at FROM office.stations") == [(None,)]
    door.sent(key, record, newest=[0, ""])
    answer = door.sent(key, record, program="0.2", waiting=3, newest=[700, pieces[-1].hash])
    assert answer == {"committed": [], "refused": [], "lacks": []}
    assert door.ask("SELECT program, waiting, newest_seq, newest_hash, heard_at IS NOT NULL FROM office.stations") == [
        ("0.2", 3, 700, bytes.fromhex(pieces[-1].hash), True)]


def test_two_senders_with_one_record_at_the_same_instant(door: Door, tmp_path: Path) -> None:
    """The same key in two places, each with its own order; and a second station that claims the record meanwhile."""
    folder = made.journal(tmp_path, 9)
    record, pieces = made.record(folder), made.pieces(folder)
    key, other = door.enrol("Bay 1"), door.enrol("Bay 2")
    door.sent(key, record, pieces[:1])
    told: list[Any] = []

    def send(its: str, order: list[Piece]) -> None:
        told.extend((its, intake_take(door, its, record, order[at:at + 3])) for at in range(0, len(order), 3))
    threads = [threading.Thread(target=send, args=args) for args in (
        (key, pieces), (key, pieces[::-1]), (key, pieces[4:] + pieces[:4]), (other, pieces), (key, pieces))]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert all(isinstance(answer, intake.Answer) == (its == key) for its, answer in told) and len(told) == 15
    assert door.events(record) == rows_of(pieces) and door.ask("SELECT count(*) FROM office.events") == [(len(rows_of(pieces)),)]
    assert door.ask("SELECT count(*) FROM office.pieces WHERE gap") == [(0,)]


def intake_take(door: Door, key: str, record: UUID, pieces: list[Piece]) -> Any:
    import json
    try:
        with door.pool.connection() as db:
            return intake.take(db, key, intake.read(json.dumps(asked(record, pieces)).encode()))
    except intake.Refused as refused:
        return str(refused)


def test_two_stations_that_claim_one_record_at_the_same_instant(door: Door, four: Four) -> None:
    (record, pieces), keys = four, [door.enrol(f"Bay {number}") for number in range(4)]
    told: list[Any] = []
    threads = [threading.Thread(target=lambda key=key: told.append(intake_take(door, key, record, pieces))) for key in keys]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert sum(isinstance(answer, intake.Answer) for answer in told) == 1 and len(told) == 4
    assert door.events(record) == rows_of(pieces)


def test_enrolling_revoking_moving_and_sending_at_once_stop_nobody(door: Door, tmp_path: Path) -> None:
    """Each asks until it is done, as a station does; all keys and the record's owner change meanwhile. None is a failure of ours."""
    folder = made.journal(tmp_path, 6)
    record, pieces = made.record(folder), made.pieces(folder)
    keys, over, told = {name: door.enrol(name) for name in ("Bay 1", "Bay 2")}, threading.Event(), []

    def send(name: str) -> None:
        while not over.is_set():
            told.append(intake_take(door, keys[name], record, pieces))

    def change() -> None:
        for number in range(8):
            name = f"Bay {number % 2 + 1}"
            code = door.code(name)
            with door.pool.connection() as db:
                stations.revoke(db, name)
            with door.pool.connection() as db, suppress(intake.Refused):
                stations.redeem(db, code, "192.0.2.1")      # revoked, too
            keys[name] = door.enrol(name)
            with door.pool.connection() as db, suppress(Refusal):
                stations.move(db, record, name)
    with ThreadPoolExecutor() as threads:
        sending = [threads.submit(send, name) for name in ("Bay 1", "Bay 2", "Bay 1")]
        try:
            change()
        finally:
            over.set()
    for each in sending:
        each.result()
    assert all(isinstance(answer, intake.Answer) or re.search("does not know|revoked|another station", answer) for answer in told)
    assert any(isinstance(intake_take(door, key, record, pieces), intake.Answer) for key in keys.values())
    assert door.events(record) == rows_of(pieces)


def test_a_transaction_that_was_broken_off_is_done_again(door: Door, four: Four, monkeypatch: pytest.MonkeyPatch) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    put, tries = intake._put, []

    def once(*args: Any) -> None:
        tries.append(1)
        if len(tries) == 2:
            raise intake.errors.DeadlockDetected
        put(*args)
    monkeypatch.setattr(intake, "_put", once)
    assert isinstance(intake_take(door, key, record, pieces), intake.Answer) and len(tries) == 2 + len(pieces)
    assert door.events(record) == rows_of(pieces)


def test_who_listens_is_told_after_the_commit(door: Door, four: Four) -> None:
    key, (record, pieces) = door.enrol("Bay 1"), four
    with psycopg.connect(door.pool.conninfo, autocommit=True) as listener:
        listener.execute("LISTEN pieces")
        door.sent(key, record, pieces)
        assert [told.channel for told in listener.notifies(timeout=30, stop_after=1)] == ["pieces"]
        door.sent(key, record)
        assert not list(listener.notifies(timeout=0.2))


OLD = sorted((Path(__file__).parents[1] / "fault/journals").glob("*.db.xz"))


@pytest.mark.parametrize("old", OLD, ids=lambda path: path.name.partition(".")[0])
def test_a_journal_of_any_age_arrives_and_under_no_other_name(door: Door, old: Path, tmp_path: Path) -> None:
    (tmp_path / "journal.db").write_bytes(lzma.decompress(old.read_bytes()))
    with Journal(tmp_path):     # which gives it its identity
        pass
    record, pieces = made.record(tmp_path), made.pieces(tmp_path)
    key = door.enrol("Bay 1")
    if pieces[0].kind == TEST:      # of what stands for a lost beginning nobody can tell
        refused = door.sent(key, uuid4(), pieces[:1])["refused"]
        assert "another" in refused[0]["why"]
    assert door.sent(key, record, pieces) == {"committed": [piece.hash for piece in pieces], "refused": [], "lacks": []}
    assert door.events(record) == rows_of(pieces)
