"""The sender's turns on a clock that jumps, against a small office in memory: order, gaps, no signal, refusals, a replaced journal.

What the office has at the end is held against the journal event by event.
"""
from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from assistant.record.journal import Journal, JournalError
from assistant.send import place
from assistant.send import sender as module
from assistant.send.office_link import KEY, SIGNAL, Answer, NoAnswer
from assistant.send.outbox import Outbox
from assistant.send.place import Office, Place, Sent
from assistant.send.sender import AGAIN_S, BEAT_S, KEY_S, LOOK_S, MOST_WAIT_S, Sender, fits
from tests.office import made
from tests.office.office_of_tests import KEY_OF_STATION, SmallOffice

OFFICE = Office("https://127.0.0.1", "00000000-0000-0000-0000-000000000007", "Bay 4 (invented)", "Office of the tests")


class InMemory:
    """``Link`` without a network: the same bytes."""

    def __init__(self, office: SmallOffice) -> None:
        self.office = office
        self.down: NoAnswer | None = None

    def pieces(self, record, newest, waiting, sent, pieces) -> Answer:
        found = self._ask("/pieces", {"record": str(record), "newest": list(newest), "waiting": waiting, "sent": sent or None,
                                      "pieces": [json.loads(text) for text in pieces]})
        return Answer(frozenset(found["committed"]), {each["hash"]: each["why"] for each in found["refused"]}, frozenset(found["lacks"]))

    def offers(self, record, offered) -> frozenset[str]:
        return frozenset(self._ask("/offers", {"record": str(record), "pieces": [list(each) for each in offered]})["wanted"])

    def _ask(self, path: str, body: dict) -> dict:
        if self.down is not None:
            self.office.asked.append(("", body))
            raise self.down
        status, told = self.office.answer(path, f"Bearer {KEY_OF_STATION}", body)
        if self.office.cut(path):
            raise NoAnswer("The line was cut.")
        if status != 200:
            raise NoAnswer(told["error"], KEY if status in (401, 403) else "office", status=status)
        return told


class Station:
    """A journal, its sender and an office."""

    def __init__(self, folder: Path, tests: int = 3) -> None:
        self.journal = made.journal(folder / "journal", tests) if tests else folder / "journal"
        self.sent = Sent(self.journal)
        self.sent.room()
        self.sent.enrol(OFFICE, KEY_OF_STATION, None)
        self.office = SmallOffice("https://127.0.0.1", folder / "none.pem")
        self.link = InMemory(self.office)
        self.now, self.told = 1000.0, []
        self.begin()

    def begin(self) -> Sender:
        """The process starts anew."""
        self.sender = Sender(self.sent, Outbox(self.journal), self.link, self.told.append, lambda: self.now,
                             lambda: datetime(2031, 5, 17, tzinfo=timezone.utc) + timedelta(seconds=self.now), lambda: 1.0)
        return self.sender

    def go(self, seconds: float = 0.0) -> "Station":
        """Until nothing is to be done at once, or for so long."""
        until = self.now + seconds
        while True:
            wait = self.sender.turn()
            if wait and self.now >= until:
                return self
            self.now += wait

    def is_all_there(self) -> "Station":
        """Every event of the journal is at the office, none twice."""
        with Journal(self.journal, write=False) as opened:
            record = str(opened.identity)
            rows = [(row.seq, row.wall, row.boot, row.body, row.hash) for row in opened.rows()]
        there = sorted((row for (its, _), piece in self.office.taken.items() if its == record for row in piece.rows), key=lambda row: row[0])
        assert [tuple(row) for row in there] == rows and not self.sender.waiting
        return self

    @property
    def requests(self) -> list[str]:
        return [path for path, _ in self.office.asked]

    def batches(self) -> list[list[int]]:
        return [[piece["test"] for piece in body["pieces"]] for path, body in self.office.asked if path == "/pieces"]


@pytest.fixture
def station(tmp_path: Path) -> Station:
    return Station(tmp_path)


def test_oldest_first_and_only_what_is_new_afterwards(station: Station) -> None:
    station.go().is_all_there()
    assert station.batches() == [[1, 2, 3]] and station.requests == ["/offers", "/pieces"]
    place = station.sent.place()
    assert place.count == 3 and place.seq == station.sender.outbox.newest[0] and (place.hash, place.record) == (
        station.sender.outbox.newest[1], str(station.sender.outbox.record))
    made.journal(station.journal, 1)
    station.go(2 * LOOK_S).is_all_there()
    assert station.batches() == [[1, 2, 3], [4]]


def test_nothing_is_asked_of_anybody_but_a_sign_of_life_a_minute(station: Station) -> None:
    station.go()
    station.office.asked.clear()
    station.go(10 * BEAT_S)
    assert station.requests == ["/pieces"] * 10 and all(body["pieces"] == [] for _, body in station.office.asked)
    assert [body["waiting"] for _, body in station.office.asked] == [0] * 10
    assert station.office.asked[0][1]["sent"] == station.sender.place.hash


def test_it_offers_at_each_start_and_sends_what_is_wanted(station: Station) -> None:
    station.go()
    lost = next(key for key, piece in station.office.taken.items() if piece.test == 2)
    del station.office.taken[lost]
    station.office.asked.clear()
    station.begin()
    station.go().is_all_there()
    assert station.batches() == [[2]] and station.sent.place().count == 3


def test_what_the_office_lacks_is_asked_for_and_sent(station: Station) -> None:
    """A backup of the office was restored while the sender ran: the sign of life names what the office has not any more."""
    station.go()
    station.office.taken.clear()
    station.go(BEAT_S + 3).is_all_there()


def test_gaps_that_can_not_be_filled_are_not_asked_about_each_time(station: Station) -> None:
    station.go()
    real = station.office._take
    station.office._take = lambda record, body: {**real(record, body), "lacks": ["f" * 64]}
    station.office.asked.clear()
    station.go(AGAIN_S + 10 * BEAT_S)
    assert station.requests.count("/offers") == 2


def test_the_answer_that_was_cut_off_costs_one_more_try(station: Station) -> None:
    cuts = iter([False, True, True, False])     # the offers, then two answers
    station.office.cut = lambda path: next(cuts, False)
    station.go(60).is_all_there()
    assert station.office.twice == 3 * 2 and station.sent.place().count == 3


def test_without_signal_it_waits_longer_each_time_and_a_test_that_is_over_tries_at_once(station: Station) -> None:
    station.link.down = NoAnswer("There is no way to the office.", SIGNAL)
    tries, now = [], station.now
    for _ in range(3000):
        before = len(station.office.asked)
        station.now += station.sender.turn()
        if len(station.office.asked) > before:
            tries.append(station.now)
    gaps = [after - one for one, after in zip(tries, tries[1:])]
    assert gaps[0] <= 3 and all(a <= b + 1 for a, b in zip(gaps, gaps[1:])) and max(gaps) <= MOST_WAIT_S + LOOK_S and gaps[-1] > 290
    assert now and station.told == ["There is no way to the office."], "said once"
    before = len(station.office.asked)
    made.journal(station.journal, 1)
    station.go(2 * LOOK_S)
    assert len(station.office.asked) == before + 2, "at once, and once more soon"
    status = station.sent.told()
    assert (status["waiting"], status["kind"], status["trouble"]) == (4, "signal", "There is no way to the office.")
    assert status["since"] == "2031-05-17T00:16:40+00:00"
    station.link.down = None
    station.go(MOST_WAIT_S).is_all_there()
    assert station.told[-1] == "The office answers." and station.sent.told()["kind"] == "" and station.sent.told()["waiting"] == 0


def test_since_when_there_is_no_signal_outlives_a_start(station: Station) -> None:
    station.link.down = NoAnswer("No signal.", SIGNAL)
    station.go()
    since = station.sent.told()["since"]
    station.now += 7200
    station.begin()
    station.go()
    assert station.sent.told()["since"] == since


def test_a_key_that_is_not_taken_is_tried_each_hour_and_says_what_to_do(station: Station) -> None:
    words = "This key was revoked: ask the office for a new code and enrol again."
    station.office.answers = lambda path, body: (403, {"error": words})
    station.go(KEY_S * 2 + 10)
    assert len(station.office.asked) == 3 and station.told == [words]
    made.journal(station.journal, 1)
    station.go(BEAT_S)
    assert len(station.office.asked) == 3, "a test that is over makes no key good"
    assert station.sent.told()["kind"] == "key"


@pytest.mark.parametrize("refused", [1, 2, 3])
def test_a_refused_piece_blocks_nothing_and_is_told_once(station: Station, refused: int) -> None:
    station.office.refuses = {refused: "Its second event is from the future: upgrade the office."}
    station.go(AGAIN_S / 2)
    assert sorted(piece.test for piece in station.office.taken.values()) == sorted({1, 2, 3} - {refused})
    assert not station.sender.waiting and station.told == [
        f"The office did not take test {refused}: Its second event is from the future: upgrade the office."]
    assert [each["test"] for each in station.sent.place().refused.values()] == [refused]
    assert sum(refused in batch for batch in station.batches()) == 1, "it is not sent each minute, though the office lacks it"
    station.begin()
    station.go(BEAT_S)
    assert len(station.told) == 1 and sum(refused in batch for batch in station.batches()) == 2
    station.office.refuses = {}
    station.begin()
    station.go().is_all_there()
    assert not station.sent.place().refused and station.sent.place().count == 3


def test_a_refusal_is_tried_again_after_an_hour_where_the_office_still_asks(station: Station) -> None:
    station.office.refuses = {2: "Upgrade the office."}
    station.go()
    station.office.refuses = {}
    station.go(AGAIN_S + 2 * BEAT_S).is_all_there()


def test_too_large_is_halved_and_what_is_alone_too_large_is_told(station: Station) -> None:
    made.journal(station.journal, 3)
    largest = max(sum(len(row[3]) for row in piece.rows) for piece in station.sender.outbox.pieces(station.sender.outbox.entries)) \
        if station.sender.outbox.look() else 0

    def limited(path, body):
        if path == "/pieces" and (len(body["pieces"]) > 2 or any(sum(len(row[3]) for row in each["rows"]) == largest for each in body["pieces"])):
            return 413, {"error": "That is more than 16 MiB: send less at a time."}
    station.office.answers = limited
    station.go(60)
    assert not station.sender.waiting and len(station.office.taken) + len(station.sent.place().refused) == 6
    assert 1 <= len(station.sent.place().refused) <= 2 and max(map(len, station.batches()[-2:])) <= 2


def test_a_batch_is_small_and_no_piece_is_too_large_for_one(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BATCH", 1000)
    station.go().is_all_there()
    assert station.batches() == [[1], [2], [3]]


def test_an_office_that_neither_takes_nor_refuses_is_not_asked_without_end(station: Station) -> None:
    station.office._take = lambda record, body: {"committed": [], "refused": [], "lacks": []}
    station.go(600)
    assert len(station.office.asked) < 15 and "neither took nor refused" in station.told[0] and len(station.sender.waiting) == 3


# --- another journal ------------------------------------------------------------------------------------------------------------

def test_a_restored_backup_that_went_on_is_another_history_and_both_are_kept(station: Station, tmp_path: Path) -> None:
    backup = shutil.copytree(station.journal, tmp_path / "backup")
    made.journal(station.journal, 2)
    station.go()
    first = set(station.office.taken)
    shutil.rmtree(station.journal)
    shutil.copytree(backup, station.journal)
    made.journal(station.journal, 1, seed=5)
    station.go(3 * LOOK_S)
    assert first < set(station.office.taken) and len(station.office.taken) == 6 and not station.sender.waiting
    tests = [piece.test for piece in station.office.taken.values()]
    assert tests == [1, 2, 3, 4, 5, 4]
    station.begin()
    station.go()
    assert len(station.office.taken) == 6 and station.office.twice == 0


def test_a_restored_backup_from_before_asks_and_goes_on(station: Station, tmp_path: Path) -> None:
    backup = shutil.copytree(station.journal, tmp_path / "backup")
    made.journal(station.journal, 2)
    station.go()
    shutil.rmtree(station.journal)
    shutil.copytree(backup, station.journal)
    station.office.asked.clear()
    station.go(3)
    assert station.requests == ["/offers"] and not station.sender.waiting and station.sent.place().count == 3


def test_a_sound_copy_in_the_journals_place_mends_what_was_damaged(station: Station, tmp_path: Path) -> None:
    """The sender goes on meanwhile."""
    sound = shutil.copytree(station.journal, tmp_path / "sound")
    with sqlite3.connect(station.journal / "journal.db") as db:
        db.execute("UPDATE events SET body = replace(body, '{', '{ ') WHERE seq = 3")
    db.close()
    station.go()
    assert sorted(piece.kind for piece in station.office.taken.values()) == ["damaged", "test", "test"]
    station.office.taken.pop(next(key for key, piece in station.office.taken.items() if piece.kind == "damaged"))  # what is wanted
    shutil.rmtree(station.journal)
    shutil.copytree(sound, station.journal)
    station.go().is_all_there()


def test_another_card_is_another_record(station: Station, tmp_path: Path) -> None:
    """The sender's folder stayed, the record did not: or the other way round."""
    station.go()
    shutil.rmtree(station.journal)
    made.journal(station.journal, 2, seed=3)
    station.go(3).is_all_there()
    assert len({record for record, _ in station.office.taken}) == 2 and len(station.office.taken) == 5
    (station.sent.path / "place.json").unlink()
    station.begin()
    station.go().is_all_there()
    assert station.office.twice == 0


def test_a_record_that_is_gone_for_a_while_costs_no_place(station: Station, tmp_path: Path) -> None:
    """As a partition that is not mounted yet."""
    station.go()
    place = station.sent.place()
    station.journal.rename(tmp_path / "away")
    station.go(2 * BEAT_S)
    assert station.sent.place() == place
    (tmp_path / "away").rename(station.journal)
    station.go(3)
    assert station.sent.place() == place and station.office.twice == 0


def test_a_new_station_waits_for_its_first_test(tmp_path: Path) -> None:
    station = Station(tmp_path, tests=0)
    station.go(BEAT_S)
    assert station.office.asked == [] and station.told == []
    made.journal(station.journal, 1)
    station.go(2 * LOOK_S).is_all_there()


# --- its own files ---------------------------------------------------------------------------------------------------------------

@pytest.mark.parametrize("content", [b"", b"{", b"[]", b"\xff", b'{"record": 1}', b'{"record":"x","seq":"y","hash":1,"count":2,"refused":{}}',
                                     b'{"record":"x","seq":-1,"hash":"","count":2,"refused":{}}', b"[" * 100_000])
def test_a_place_and_a_status_that_can_not_be_read_cost_nothing(station: Station, content: bytes) -> None:
    station.go()
    for name in ("place.json", "status.json"):
        (station.sent.path / name).write_bytes(content)
    station.begin()
    station.go().is_all_there()
    assert station.sent.place().count == 3 and station.office.twice == 0


def test_a_place_that_lies_is_corrected(station: Station) -> None:
    """It says that all was sent, and nothing was."""
    station.sender.turn()
    end = station.sender.outbox.entries[-1]
    station.sent.keep(Place(str(station.sender.outbox.record), end.last, end.hash, 3))
    assert not station.begin().waiting
    station.go().is_all_there()


def test_a_full_disk_is_told_once_and_the_sending_goes_on(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, content: bytes) -> None:
        raise OSError(28, "No space left on device")
    monkeypatch.setattr("assistant.send.place.write", full)
    station.go()
    made.journal(station.journal, 1)
    station.go(5).is_all_there()
    assert len(station.told) == 1 and "No space left" in station.told[0] and "Nothing is lost" in station.told[0]
    monkeypatch.undo()
    station.go(2 * BEAT_S)
    assert station.sent.place().count == 4 and station.sent.told()["kind"] == ""


def test_a_journal_that_can_not_be_read_is_told_and_tried_on(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    def unreadable(self, again=False):
        raise JournalError("The journal can't be opened: unable to open database file.")
    station.go()
    monkeypatch.setattr(Outbox, "look", unreadable)
    station.go(LOOK_S)
    assert station.told == [], "a station that begins or ends is no news"
    station.go(30)
    assert len(station.told) == 1 and station.sent.told()["kind"] == "journal"
    monkeypatch.undo()
    station.go(3)
    assert station.told[1:] == ["The record can be read again."] and station.sent.told()["kind"] == ""


def test_the_status_is_written_only_when_it_is_another(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each time costs the card. A day of signs of life is at most one write in ten minutes."""
    station.go()
    count: list[int] = []
    monkeypatch.setattr(Sent, "tell", lambda self, status: count.append(1))
    station.go(3600)
    assert len(count) <= 7


def test_what_was_refused_and_came_otherwise_is_no_longer_told_as_refused(station: Station, tmp_path: Path) -> None:
    """The real office does not ask for what it refused, nor for what it has: the two look alike."""
    station.office.refuses = {2: "Upgrade the office."}
    station.go()
    station.office.refuses = {}
    another = Station(tmp_path / "other", 0)
    shutil.copytree(station.journal, another.journal)
    another.office = another.link.office = station.office
    another.begin()
    another.go().is_all_there()
    assert len(station.sent.place().refused) == 1
    station.begin()
    station.go().is_all_there()
    assert not station.sent.place().refused


def test_a_key_never_meets_another_offices_address(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """Enrolled elsewhere, and killed in the middle of it."""
    real = place.write

    def killed(path: Path, content: bytes) -> None:
        if path.name == place.OFFICE:
            raise KeyboardInterrupt
        real(path, content)
    monkeypatch.setattr(place, "write", killed)
    for address, known in ((OFFICE.address, True), ("https://127.0.0.2", False)):
        with pytest.raises(KeyboardInterrupt):
            station.sent.enrol(replace(OFFICE, address=address), "another-key-0123456789", None)
        assert (station.sent.office() is not None) == known


@pytest.mark.parametrize("break_it", [lambda place: replace(place, hash="0" * 64), lambda place: replace(place, seq=place.seq - 1),
                                      lambda place: replace(place, record="another")])
def test_a_place_fits_or_not(station: Station, break_it: Callable[[Place], Place]) -> None:
    station.go()
    assert fits(station.sender.place, station.sender.outbox) and not fits(break_it(station.sender.place), station.sender.outbox)
