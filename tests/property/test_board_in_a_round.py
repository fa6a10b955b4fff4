"""The crew's board through whole rounds: after each turn of the loop every published file is looked at.

Beside what test_board_tells_nothing.py proves of a state: while a check test or a comparison runs, nothing tells what it is held
against; nothing is published of a test that runs but its own bulletin; and what was withheld comes back.
"""
from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from assistant.board import day, files, place, publish
from assistant.board.publish import DayMaker, Publisher
from assistant.files.jsonline import dumps
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.record.session import Station
from tests.property.round_walk import Walk, plan
from tests.property.test_board_tells_nothing import Told, blind

SEEDS = 6


def at_once(maker: DayMaker) -> type:
    """In place of the process: it has made everything as soon as it was started. A report holds all that a test has."""
    class Made:
        returncode = 0

        def __init__(self, *_: Any, **__: Any) -> None:
            with Journal(maker.journal, write=False) as journal:
                day.make(maker.folder, journal, None)

        def poll(self) -> int:
            return 0

        def kill(self) -> None:
            raise AssertionError("it was over long ago")

        def communicate(self) -> tuple[bytes, bytes]:
            return b"", b""
    return Made


class Shown(Walk):
    """A walk whose board is looked at whenever another question is asked or another reading taken."""

    def __init__(self, seed: int, journal: Journal, folder: Path, board: Path, patch: pytest.MonkeyPatch, technicians: int) -> None:
        self.board, self.seen, self.last = board, Counter[str](), ()
        days = DayMaker(board, folder)
        patch.setattr(publish.subprocess, "Popen", at_once(days))
        self.publisher = Publisher(board, days=days, now=lambda: self.now)
        self.journal_folder, self.crash = folder, random.Random(seed)
        super().__init__(seed, {**plan(seed), "technicians": technicians, "check_tests": True}, journal, folder, 0.02)

    def turned(self) -> None:
        super().turned()
        state = self.station.state
        here = (id(self.station), state.prompt, state.phase, len(state.readings))
        if here != self.last:
            self.last = here
            self.publisher.show(state)
            self.publisher.turn()
            blind(state, self.publisher._last)
            self.look()
            if isinstance(self.station, Station) and self.crash.random() < 0.1:  # as after a crash, before the test goes on
                with Journal(self.journal_folder, write=False) as journal:
                    day.make(self.board, journal, None)
                self.look()

    def look(self) -> None:
        state, station = self.station.state, self.station
        found = {path.name: path.read_bytes().decode() for path in self.board.iterdir()}
        listed = json.loads(found[place.DAY])
        over = {one["number"] for one in listed["tests"]}
        if isinstance(station, Station) and not station.over:
            self.seen["testing"] += 1
            if station.test in over or any(name.startswith(f"test-{station.test}.") for name in found):
                raise Told(f"test {station.test} runs and is published")
        running = {**(state.header or {}), "test": state.procedure.test} if state.procedure else {}
        checks = isinstance(station, Station) and not station.over and bool(running.get("check_of") or running.get("comparison"))
        same = [one for one in listed["tests"] if (one["test"], one["round"]) == (running.get("test"), running.get("round"))]
        if not checks:
            self.seen["all there"] += bool(same)
            if isinstance(station, Station) and station.over and any(one["withheld"] for one in listed["tests"]):
                raise Told("it is over, and something is still withheld")
            return
        self.seen["checks"] += 1
        for one in same:
            of = summary.of(station.journal, one["number"])
            telling = [str(each["rounded"]) for each in of["results"] if each["rounded"] is not None]
            mine = {name: text for name, text in found.items() if name.startswith(f"test-{one['number']}.")}
            if mine or one["results"] or one["verdict"] or one["why"] or listed["charts"]:
                raise Told(f"{running['test']} is tested again, and {mine.keys()} {one} {listed['charts']} tell")
            self.seen["withheld"] += bool(telling)
            for name, text in found.items():
                if name.endswith(".pdf") and f'"id": {one["number"]},' in text or of["why"] in text and telling:
                    raise Told(f"{name} has {of['why']}")



def walked(seeds: range, folder: Path, patch: pytest.MonkeyPatch) -> Counter[str]:
    patch.setattr(day, "_report", lambda tests, *_: dumps(list(tests)).encode())
    seen: Counter[str] = Counter()
    for seed in seeds:
        place_ = folder / str(seed)
        place_.mkdir()
        with Journal(place_) as journal:
            walk = Shown(seed, journal, place_, place_ / "board", patch, 1 + seed % 2)
            walk.run()
            seen += walk.seen
    return seen


def test_no_file_of_a_round_tells_what_nobody_may_know(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                       request: pytest.FixtureRequest) -> None:
    seen = walked(range(SEEDS * (25 if request.config.getoption("--all") else 1)), tmp_path, monkeypatch)
    assert seen["testing"] > 300 and seen["withheld"] > 5 and seen["all there"] > 5, seen


GUARDS: dict[str, Callable[[Callable[..., None]], None]] = {
    "what a check test checks is withheld": lambda put: put(day, "withheld", lambda found, running: dict(found)),
    "its page and its report go too": lambda put: put(DayMaker, "_withhold", lambda self, running: files.write(
        self.folder / place.DAY, day.withheld(day.read(self.folder), running))),
    "the report of the round too": lambda put: put(day, "withheld", only_its_own),
    "a test that runs is not listed": lambda put: put(day, "is_over", lambda one: True),
    "it comes back": lambda put: put(day.Day, "listed", lambda self, there: day.withheld(LISTED(self, there), {
        "test": "slump", "check_test": True})),
}
LISTED, WITHHELD = day.Day.listed, day.withheld


def only_its_own(found: Mapping[str, Any], running: Mapping[str, Any]) -> dict[str, Any]:
    after = WITHHELD(found, running)
    pairs = zip(found["tests"], after["tests"])
    return {**after, "tests": [new if new.get("withheld") else old for old, new in pairs]}


@pytest.mark.parametrize("guard", GUARDS)
def test_the_walk_finds_each_guard_that_is_missing(guard: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    GUARDS[guard](monkeypatch.setattr)
    with pytest.raises(Told) as found:
        walked(range(SEEDS), tmp_path, monkeypatch)
    print(f"\n{guard}: {found.value}")
