"""The attack: random scripts of keys, speech, gauge, pedal and kills against the real machine, judged by an oracle apart from it.

2,000 scripts by default, 50,000 with --all; a smaller number through a journal that is cut as kill -9 leaves it. Each seed is one
script; a slip prints the shortest found as a script for `bowlside rehearse`.
"""
from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.effects import Effect
from assistant.core.events import Event, Restarted
from assistant.core.state import Phase
from assistant.procedures import names
from assistant.record import summary
from assistant.record.journal import Journal
from assistant.record.session import Station
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import read
from tests.property import attack
from tests.property.attack import begun, checkpoints
from tests.property.evidence import TIMES, Slip
from tests.property.technician import CALM, GAPS_S, MANNERS, Technician
from tests.property.test_never_stuck import TRUE
from tests.property.world import World

SCRIPTS = 2_000
KILLED = 40


def search(seeds: range, stop_after: int = 12) -> list[tuple[int, Slip]]:
    found: list[tuple[int, Slip]] = []
    for seed in seeds:
        try:
            attack.attack(seed)
        except Slip as slip:
            found.append((seed, slip))
            if len(found) >= stop_after:
                break
    return found


def told(found: list[tuple[int, Slip]]) -> str:
    """All of them, and the shortest as a script."""
    seed, shortest = min(found, key=lambda one: len(one[1].script))
    return "\n".join([f"{len(found)} slips:", *(f"  seed {each}: {slip}" for each, slip in found),
                      f"Seed {seed} for bowlside rehearse:", shortest.script])


def test_no_slip_gets_through(request: pytest.FixtureRequest) -> None:
    found = search(range(SCRIPTS * (25 if request.config.getoption("--all") else 1)))
    assert not found, told(found)


def test_the_attack_gets_about() -> None:
    """It reaches ends of every kind, each test, each manner: else it would show nothing."""
    ends, tests = set(), set()
    for seed in range(300):
        world, somebody = begun(seed, only=["none"])
        attack.play(world, somebody)
        tests.add(world.header["test"])
        ends |= {world.state.outcome, world.final().verdict}
    assert tests == set(names())
    assert ends >= {"done", "scrapped", "pass", "fail", "invalid", "none"}


@pytest.mark.parametrize("test", names())
def test_a_calm_technician_slips_nowhere(test: str) -> None:
    for speech in attack.SPEECHES:
        world = World(test, speech)
        attack.play(world, Technician(world, 3, replace(CALM, voice=1.0)))
        assert world.state.outcome in ("done", "stopped")


# --- through the journal, with kills ---------------------------------------------------------------------------------------

class Journalled(World):
    """A world whose station writes a journal. A restart takes its files as kill -9 leaves them: nothing was closed."""

    def __init__(self, folder: Path, beginning: World) -> None:
        self.__dict__.update(beginning.clone().__dict__)
        self.folder, self.kills = folder, 0
        self.journal = Journal(folder / "0")
        self.station = Station(self.journal, self.journal.new_test(), "boot-0")
        for event in self.events:
            self.station.handle(event)
        assert self.station.state == self.state

    def handle(self, event: Event) -> tuple[Effect, ...]:
        if isinstance(event, Restarted):
            self.kills += 1
            shutil.copytree(self.journal.path.parent, self.folder / str(self.kills))
            self.journal.close()
            self.journal = Journal(self.folder / str(self.kills))
            self.station = Station(self.journal, 1, event.boot)
            assert self.station.state == self.state, "the journal gives another state than the one that was killed"
        effects = self.station.handle(event)
        self.state = self.station.state
        return effects


class Kills(Technician):
    """Among all else, the station is killed: often right after a key, before anything of it was heard."""

    def one(self) -> None:
        if self.budget > 0 and self.chose(0.06):
            self.budget -= 1
            self.world.boots += 1
            self.world.happens(self.chance.choice((0.0, 0.0, 0.4, 2.0)),
                               Restarted(self.chance.choice((0.0, 5.0)), f"boot-{self.world.boots}"))
        else:
            super().one()


def test_nothing_acknowledged_is_lost_when_it_is_killed(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    kills = taken = 0
    for seed in range(KILLED * (25 if request.config.getoption("--all") else 1)):
        beginning, _ = begun(seed + 10**6)
        folder = tmp_path / str(seed)
        folder.mkdir()
        world = Journalled(folder, beginning)
        try:
            attack.play(world, Kills(world, seed, MANNERS[seed % len(MANNERS)], 12))
            whole = summary.of(world.journal, 1)
            assert whole["verdict"] == world.final().verdict and world.journal.first_bad() is None
            kept = [(one["id"], one["value"]) for one in whole["readings"]]
            assert kept == [(name, f"{value // 100:02}:{value % 100:02}" if name in TIMES else value)
                            for name, value, _ in world.final().readings]
        except Slip as slip:
            pytest.fail(told([(seed + 10**6, slip)]))
        finally:
            world.journal.close()
        kills, taken = kills + world.kills, taken + len(world.state.readings)
        shutil.rmtree(folder)
    assert kills > KILLED and taken > KILLED, "hardly anything was killed: this shows nothing"


# --- its own honesty -------------------------------------------------------------------------------------------------------

def test_a_printed_script_rehearses_to_the_same_state(tmp_path: Path) -> None:
    for seed in range(25):
        world, somebody = begun(seed, only=["none"])
        attack.play(world, somebody)
        while world.speech:
            world.turn()
        with Journal(tmp_path / str(seed)) as journal:
            played = Rehearsal(read(world.script().splitlines(), "attack", tmp_path), journal, lambda line: None)
            played.run()
            assert replace(played.station.state, now=0.0) == replace(world.state, now=0.0), f"seed {seed}:\n{world.script()}"


def test_its_beginnings_are_a_calm_technician_s() -> None:
    kept = checkpoints("sequential", "normal")
    assert len({one.state.prompt for one in kept}) > 80 and kept[-1].state.prompt == "finish.wash"


# --- every prompt, pressed twice -------------------------------------------------------------------------------------------

def pairs(test: str) -> Iterator[World]:
    """At each prompt of a test, the right answer by each means, and the same again after each gap that a slip may have."""
    for beginning in checkpoints(test, "normal"):
        for means in ("key", "say"):
            for gap in GAPS_S:
                world = beginning.clone()
                assert world.oracle is not None
                world.oracle.only = frozenset()
                somebody = Technician(world, 1, replace(CALM, voice=float(means == "say")))
                somebody.face = {name: Decimal(value) for name, value in TRUE.items()}
                while world.speech and not world.over:
                    world.turn()
                if world.over or world.state.phase in (Phase.HOLD, Phase.TAPPING):
                    continue
                somebody.answer(1.0)
                if not world.over:
                    last = world.lines[-1]
                    world.act(gap, means, last.get(means, "#" if means == "key" else "yes"))
                yield world


@pytest.mark.parametrize("test", names())
def test_no_two_equal_answers_within_four_seconds_answer_a_safety_question(test: str) -> None:
    """By the oracle, which watches each pair."""
    played = 0
    try:
        for world in pairs(test):
            played += len(world.lines) > 0
    except Slip as slip:
        pytest.fail(f"{slip}")
    assert played > 40, "hardly anything was asked: this shows nothing"
