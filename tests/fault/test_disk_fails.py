"""The N-th write fails, for every N: full, broken, torn in the middle, or read-only from there on.

Every write, sync, truncation and removal that SQLite asks of the disk is refused once, or from there on for good (``disk.py``).
The event is then not announced, the sentence says what to do, and tried again when there is room it goes on; nothing earlier
is lost, and the chain comes out as if nothing had been.
"""
from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from assistant.core.effects import Record
from assistant.core.events import Event
from assistant.record.journal import Journal, JournalError
from assistant.record.session import Station
from tests.command import bowlside, script
from tests.fault.disk import SqliteDisk, under_the_journal

EVENTS = 70
"""Of a whole test, leak hold included; a checkpoint about every eight of them."""
CHECKPOINT_EVERY = 20
SENTENCE = "Make room on the disk or mend it, then say it again; everything recorded before is safe."


@pytest.fixture(scope="module")
def events(tmp_path_factory: pytest.TempPathFactory) -> list[Event]:
    folder = tmp_path_factory.mktemp("whole")
    assert bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script()).code == 0
    with Journal(folder, write=False) as journal:
        return journal.events(1)[:EVENTS]


@pytest.fixture
def disk() -> Iterator[SqliteDisk]:
    with under_the_journal(CHECKPOINT_EVERY) as made:
        yield made


def opened(folder: Path) -> Journal:
    """A failing disk is told in a sentence already when the journal is opened; tried again it opens."""
    for _ in range(3):
        try:
            return Journal(folder)
        except JournalError as error:
            assert str(folder) in str(error) and "\n" not in str(error)
    raise AssertionError("it never opened")


def taken(effects: tuple) -> list[str]:
    return [each.fields["id"] for each in effects if isinstance(each, Record) and each.kind == "taken"]


def requests(disk: SqliteDisk, events: list[Event]) -> int:
    """How many there are when nothing fails."""
    disk.count = 0
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal") as journal:
        station = Station(journal, 1)
        for event in events:
            station.handle(event)
    return disk.count


def fails_once(disk: SqliteDisk, events: list[Event], number: int) -> int:
    """Request ``number`` is refused: every second time because it is full, else broken. How many events were refused by that."""
    disk.count, refused, announced = 0, 0, []
    wrong = apsw.FullError if number % 2 else apsw.IOError
    disk.trouble = lambda count, what, path: wrong if count == number else None
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "journal"
        with opened(folder) as journal:
            station = Station(journal, 1)
            for event in events:
                state = station.state
                try:
                    effects = station.handle(event)
                except JournalError as error:
                    assert str(error).startswith("Not recorded: ") and str(error).endswith(SENTENCE)
                    assert station.state is state, "nothing has happened"
                    refused += 1
                    effects = station.handle(event)  # there is room again
                announced += taken(effects)
            assert journal.first_bad() is None and journal.events(1) == events
        with Journal(folder, write=False) as journal:
            assert journal.first_bad() is None and journal.events(1) == events
            assert Station(journal, 1).state == station.state
        assert announced == ["leak.charge", "leak.initial", "leak.final"], number
    return refused


def fails_for_good(disk: SqliteDisk, events: list[Event], number: int) -> bool:
    """All is refused from request ``number`` on, as on a card that turned read-only; then it is started again on a mended one."""
    disk.count = acknowledged = 0
    disk.trouble = lambda count, what, path: apsw.IOError if count >= number else None
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "journal"
        journal: Journal | None = None
        try:
            journal = Journal(folder)
            station = Station(journal, 1)
            for event in events:
                station.handle(event)
                acknowledged += 1
        except JournalError as error:
            assert "\n" not in str(error)
            if journal is not None:
                for _ in range(3):  # said again and again: no better, and nothing happens
                    with pytest.raises(JournalError, match="Not recorded"):
                        station.handle(events[acknowledged])
            with pytest.raises(JournalError):
                Journal(folder.with_name("another"))  # whatever is begun on such a card is refused as well
        if journal is not None:
            journal.close()
        disk.trouble = lambda count, what, path: None
        with Journal(folder) as journal:
            assert journal.first_bad() is None
            there = journal.events(1) if journal.last_test() else []
            assert there == events[:len(there)] and acknowledged <= len(there) <= acknowledged + 1
            station = Station(journal, 1)
            for event in events[len(there):]:
                station.handle(event)
            assert journal.events(1) == events and journal.first_bad() is None
    return acknowledged > 0


def test_some_requests_fail_once(disk: SqliteDisk, events: list[Event]) -> None:
    count = requests(disk, events)
    assert count > 350
    assert sum(fails_once(disk, events, number) for number in range(1, count, 17)) > 15


def test_from_some_requests_on_all_fail(disk: SqliteDisk, events: list[Event]) -> None:
    count = requests(disk, events)
    assert sum(fails_for_good(disk, events, number) for number in range(1, count, 23)) > 10


@pytest.mark.long
def test_every_request_fails_once(disk: SqliteDisk, events: list[Event]) -> None:
    count = requests(disk, events)
    refused = sum(fails_once(disk, events, number) for number in range(1, count + 1))
    print(f"\neach of {count} requests refused once: {refused} events were refused, told, and taken when tried again")


@pytest.mark.long
def test_from_every_request_on_all_fail(disk: SqliteDisk, events: list[Event]) -> None:
    count = requests(disk, events)
    for number in range(1, count + 1):
        fails_for_good(disk, events, number)
    print(f"\nfrom each of {count} requests on all refused: nothing acknowledged lost, gone on with when mended")
