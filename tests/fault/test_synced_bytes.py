"""Power cuts under SQLite's own file layer: the journal opens, and its chain is sound to the last acknowledged event.

The real journal and machine rehearse whole tests on a disk that keeps only what was synced (apsw VFS, see ``disk.py``), with
many checkpoints of the log on the way. The same cuts with a weaker setting, with a sync left out, or with the announcement
before the commit must lose something: else they would show nothing.
"""
from __future__ import annotations

import random
import sqlite3
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from assistant.core.effects import Effect
from assistant.core.events import Event
from assistant.core.machine import step
from assistant.files.jsonline import dumps
from assistant.record import journal as journal_module
from assistant.record import summary
from assistant.record.journal import Journal, JournalError
from assistant.record.session import Station
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import read
from tests.command import READINGS, script
from tests.fault.disk import Asked, disk_after, under_the_journal
from tests.fault.test_power_cut import acknowledged

CHECKPOINT_EVERY = 60
"""Pages: a checkpoint about every thirty events. SQLite's own 1000 would give one or none in a test."""
NOTHING_UNSYNCED = (0.0,)
ANY_OF_IT = (0.0, 0.5, 1.0)


class Lost(AssertionError):
    """What was acknowledged is not there after the cut."""


@dataclass(frozen=True)
class Run:
    asked: list[Asked]
    hashes: list[str]
    """Of all events, in order."""

    def without(self, what: Callable[[Asked], bool]) -> "Run":
        return Run([each for each in self.asked if not what(each)], self.hashes)

    def checkpoints(self) -> int:
        """Syncs of the database itself: two while it is made, then one for each copy of the log into it."""
        return sum(each.what == "sync" and each.path.endswith("journal.db") for each in self.asked)


def recorded(folder: Path, tests: int) -> Run:
    """Whole tests one after another in one journal, closed and opened between; all that was asked of the disk."""
    with under_the_journal(CHECKPOINT_EVERY) as disk, pytest.MonkeyPatch.context() as patch:
        append = Journal.append

        def appended(journal: Journal, test: int, event: Event, boot: str = "") -> None:
            append(journal, test, event, boot)
            disk.asked.append(Asked("committed", "", at=journal.last_event))

        patch.setattr(Journal, "append", appended)
        for _ in range(tests):
            with Journal(folder / "journal") as journal:
                given = read(script().splitlines(), "here", folder)
                code = Rehearsal(given, journal, lambda line: disk.asked.append(
                    Asked("said", "", (dumps(line) + "\n").encode())), answer_rest=True).run()
                assert code == 0
                hashes = [row.hash for row in journal.rows()]
    return Run(disk.asked, hashes)


def cut(run: Run, until: int, chance: random.Random, unsynced: tuple[float, ...], folder: Path) -> bool:
    """Cut the power after so many requests. Raises Lost. Whether anything had been acknowledged."""
    asked = run.asked[:until]
    folder.mkdir()
    for path, data in disk_after(asked, chance, unsynced).items():
        (folder / Path(path).name).write_bytes(data)
    newest = max((each.at for each in asked if each.what == "committed"), default=0)
    promised = acknowledged(asked)
    try:
        with Journal(folder) as journal:
            bad = journal.first_bad()
            there = [row.hash for row in journal.rows()]
            kept = Counter((one["id"], str(one["value"])) for test in journal.tests()
                           for one in summary.of(journal, test)["readings"])
    except (JournalError, sqlite3.Error) as error:
        raise Lost(str(error)) from None
    if bad is not None or len(there) < newest or there != run.hashes[:len(there)] or promised - kept:
        raise Lost(f"{newest} events were acknowledged, {len(there)} are there; first bad {bad}; gone {promised - kept}")
    return newest > 0


def cuts(run: Run, count: int, seed: int, unsynced: tuple[float, ...], folder: Path) -> list[str]:
    """So many cuts, most at uniformly random requests, a third right after a reading was announced; what each lost."""
    chance, lost, told = random.Random(seed), [], 0
    announced = [at + 1 for at, each in enumerate(run.asked) if each.what == "said" and b'"kind": "taken"' in each.data]
    places = [chance.choice(announced) if number % 3 == 0 else chance.randrange(len(run.asked) + 1) for number in range(count)]
    for number, place in enumerate(places):
        try:
            told += cut(run, place, chance, unsynced, folder / f"{seed}-{number}")
        except Lost as error:
            lost.append(str(error))
    assert told + len(lost) > len(places) / 2, "the cuts came before anything was acknowledged"
    return lost


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    found = recorded(tmp_path_factory.mktemp("run"), tests=2)
    assert found.checkpoints() > 10 and acknowledged(found.asked) == Counter({each: 2 for each in READINGS.items()})
    return found


@pytest.mark.parametrize("unsynced", [NOTHING_UNSYNCED, ANY_OF_IT], ids=["only what was synced", "any of the rest too"])
def test_nothing_acknowledged_is_lost(run: Run, unsynced: tuple[float, ...], tmp_path: Path) -> None:
    assert cuts(run, 24, 1, unsynced, tmp_path) == []


@pytest.mark.long
@pytest.mark.parametrize("unsynced", [NOTHING_UNSYNCED, ANY_OF_IT], ids=["only what was synced", "any of the rest too"])
def test_nothing_acknowledged_is_lost_in_many_cuts(run: Run, unsynced: tuple[float, ...], tmp_path: Path) -> None:
    lost = cuts(run, 500, 2, unsynced, tmp_path)
    print(f"\n500 cuts: {len(lost)} lost something; {run.checkpoints() - 2} checkpoints")
    assert lost == []


class Hasty(Station):
    """A mutant: says what an event does before that event is on the disk; it is written when the next one comes."""
    late: Event | None = None

    def handle(self, event: Event) -> tuple[Effect, ...]:
        late, self.late = self.late, event
        if late is not None:
            self.journal.append(self.test, late, self.boot)
        self.state, effects = step(self.state, event)
        return effects


def weaker(setting: str) -> Callable[[pytest.MonkeyPatch, Path], Run]:
    def make(patch: pytest.MonkeyPatch, folder: Path) -> Run:
        patch.setattr(journal_module, "SYNC", setting)
        return recorded(folder, tests=1)
    return make


def announced_first(patch: pytest.MonkeyPatch, folder: Path) -> Run:
    patch.setattr("assistant.rehearsal.rehearse.Station", Hasty)
    return recorded(folder, tests=1)


def never_synced(ending: str) -> Callable[[pytest.MonkeyPatch, Path], Run]:
    def make(patch: pytest.MonkeyPatch, folder: Path) -> Run:
        return recorded(folder, tests=1).without(lambda each: each.what == "sync" and each.path.endswith(ending))
    return make


MUTANTS = {"synchronous NORMAL": weaker("NORMAL"), "synchronous OFF": weaker("OFF"),
           "the log is not synced": never_synced("-wal"),
           "the database is not synced": never_synced("journal.db"), "announced before the commit": announced_first}


@pytest.mark.parametrize("mutant", MUTANTS)
def test_anything_weaker_is_found_out(mutant: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    run = MUTANTS[mutant](monkeypatch, tmp_path / "run")
    lost = cuts(run, 15, 3, NOTHING_UNSYNCED, tmp_path)
    assert len(lost) >= 3, f"{mutant}: only {len(lost)} of 15 cuts lost anything"


@pytest.mark.long
@pytest.mark.parametrize("mutant", MUTANTS)
def test_how_often_anything_weaker_loses(mutant: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    lost = cuts(MUTANTS[mutant](monkeypatch, tmp_path / "run"), 500, 4, NOTHING_UNSYNCED, tmp_path)
    print(f"\n{mutant}: {len(lost)} of 500 cuts lost something")
    assert len(lost) > 50
