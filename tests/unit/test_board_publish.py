"""The crew's board, as the station writes it: whole files, at its pace, and never in the way of a test."""
from __future__ import annotations

import json
import os
import stat
import threading
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from assistant import cli
from assistant.board import bulletin, files, place, publish
from assistant.board.publish import HEARTBEAT_S, Publisher
from assistant.core.round_clock import BETWEEN
from assistant.core.settings import Settings
from assistant.core.state import Entry, Note, Reading, State
from assistant.record.journal import Journal
from assistant.station import start
from tests.property import attack
from tests.property.world import World
from tests.unit.test_live import Bench, at_once
from tests.unit.test_live import _a_quick_hand as _a_quick_hand

KEYS = {"schema", "run", "seq", "at", "station", "practice", "state", "title", "do", "next", "caution", "kind", "step", "steps",
        "stages", "clock", "round", "curve", "readings", "verdict", "day", "office"}


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def read(folder: Path) -> dict:
    return json.loads((folder / place.NOW).read_text(encoding="utf-8"))


def at(prompt: str, test: str = "sequential") -> World:
    return next(world for world in attack.checkpoints(test, "normal") if world.state.prompt == prompt)


def test_the_real_loop_is_published_and_told_off(tmp_path: Path) -> None:
    folder = tmp_path / "board"
    with Journal(tmp_path / "journal") as journal:
        bench = Bench(journal, at_once)
        with Publisher(folder, practice=True, trouble=bench.live.trouble) as publisher:
            bench.live.board = publisher.show
            seen: list[str] = []
            bench.live.alive = lambda: seen.append(read(folder)["do"]) if (folder / place.NOW).exists() else None
            bench.run(until="leak.initial")
    found = read(folder)
    assert set(found) == KEYS and len(set(seen)) > 3, "hardly anything was written while it ran"
    assert (found["state"], found["practice"], found["clock"], found["do"]) == ("off", True, None, "The station is off.")
    assert [one["value"] for one in found["readings"] if one["id"] == "leak.charge"] == []
    assert not list(folder.glob(".*")), "a part was left"


def test_the_verdict(tmp_path: Path) -> None:
    publisher = Publisher(tmp_path)
    publisher.show(at("finish.letdown").state)
    publisher.turn()
    verdict = read(tmp_path)["verdict"]
    assert verdict["word"] == "PASS" and {"name": "Air content", "value": "5.7 %", "unit": ""} in verdict["results"]


def test_the_group_may_read_and_nobody_else(tmp_path: Path) -> None:
    before = os.umask(0o077)
    try:
        Publisher(tmp_path / "board").turn()
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "board").stat().st_mode) == 0o750
    assert stat.S_IMODE((tmp_path / "board" / place.NOW).stat().st_mode) == 0o640


def test_what_did_not_change_is_not_written_but_for_a_sign_of_life(tmp_path: Path) -> None:
    clock = Clock()
    clock.now = at("leak.hold").state.now
    publisher = Publisher(tmp_path, now=clock)
    publisher.show(at("leak.hold").state)
    publisher.turn()
    first = read(tmp_path)
    clock.now += HEARTBEAT_S - 0.1
    publisher.turn()
    assert read(tmp_path) == first, "a clock that only runs is no change"
    clock.now += 0.2
    publisher.turn()
    beat = read(tmp_path)
    assert beat["seq"] == first["seq"] and beat["at"] == round(clock.now, 3) and beat["clock"]["left_s"] == pytest.approx(
        first["clock"]["left_s"] - HEARTBEAT_S - 0.1, abs=0.02)
    clock.now += 0.1
    publisher.show(at("leak.final").state)
    publisher.turn()
    assert read(tmp_path)["seq"] == first["seq"] + 1


@pytest.mark.parametrize("broken", ["no folder above", "a file in its place", "/dev/full"])
def test_a_folder_that_can_not_be_written_is_told_once_and_comes_back(tmp_path: Path, broken: str, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    folder = tmp_path / "deep" / "board"
    clock = Clock()
    publisher = Publisher(folder, trouble=told.append, now=clock)
    if broken == "a file in its place":
        folder.parent.write_text("")
    elif broken == "/dev/full":
        folder.mkdir(parents=True)
        full = os.open("/dev/full", os.O_WRONLY)
        monkeypatch.setattr(files.os, "open", lambda *_: os.dup(full))
    for prompt in ("zero", "leak.ask", "leak.charge"):
        publisher.show(at(prompt).state)
        publisher.turn()
        clock.now += 1.0
    assert len(told) == 1 and str(folder) in told[0] and told[0].endswith("The test goes on without it."), told
    monkeypatch.undo()
    if broken == "a file in its place":
        folder.parent.unlink()
    folder.parent.mkdir(exist_ok=True)
    clock.now += HEARTBEAT_S
    publisher.turn()
    assert read(folder)["step"] == 3 and len(told) == 1


def test_a_folder_that_hangs_holds_up_no_test(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As one on a network that is gone: the write never comes back."""
    over, hung = threading.Event(), threading.Event()

    def hang(*_: object) -> None:
        hung.set()
        over.wait(300)
    monkeypatch.setattr(files, "write", hang)
    monkeypatch.setattr(publish, "HANGS_S", 0.01)
    with Journal(tmp_path / "journal") as journal:
        bench = Bench(journal, at_once)
        with Publisher(tmp_path / "board", trouble=bench.live.trouble) as publisher:
            bench.live.board = publisher.show
            bench.run(until="leak.charge")
            assert hung.is_set() and bench.station.state.prompt == "leak.charge"
    over.set()


def test_a_mistake_of_ours_is_told_and_stops_only_the_board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    monkeypatch.setattr(bulletin, "of", lambda *_: 1 / 0)
    with Publisher(tmp_path / "board", trouble=told.append) as publisher:
        publisher.show(at("zero").state)
    assert len(told) == 1 and "ZeroDivisionError" in told[0]


def test_no_link_leads_it_elsewhere(tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.write_text("mine")
    (tmp_path / "board").mkdir()
    for name in (place.NOW, f".{place.NOW}.{os.getpid()}"):
        (tmp_path / "board" / name).symlink_to(other)
    Publisher(tmp_path / "board").turn()
    assert other.read_text() == "mine" and read(tmp_path / "board")["state"] == "between"


# --- what it tells ------------------------------------------------------------------------------------------------------------

def made(sources: list[tuple[str, str]], notes: list[str], doubt: str = "") -> str:
    value = Decimal("31.81")
    entries = tuple(Entry(value, source, form, "", doubt) for source, form in sources)
    return bulletin.how(Reading("equilibrium.1.3", value, "psi", entries, 5.0), [Note(5.0, "equilibrium.1.3", text) for text in notes])


@pytest.mark.parametrize("sources, notes, doubt, words", [
    ([("voice", "digits")], [], "", "said, read back and confirmed"),
    ([("keypad", "")], [], "", "keyed, read back and confirmed"),
    ([("gauge", "")], [], "", "by the gauge on the wire, read back and confirmed"),
    ([("keypad", ""), ("keypad", "")], [], "", "keyed; after a second look keyed; the two agree"),
    ([("voice", "whole"), ("voice", "digits")], [], "", "said; after a second look said digit by digit; the two agree"),
    ([("gauge", ""), ("gauge", "face")], [], "", "by the gauge on the wire; after a second look compared with the gauge's own face; "
                                                 "the two agree"),
    ([("keypad", "")], [], "far", "keyed, read back and confirmed; doubtful, but confirmed"),
    ([("keypad", "")], ["taken back, then kept as it was"], "", "keyed, read back and confirmed; taken back, then kept as it was"),
    ([("keypad", "")], ["31.81 psi used outside its band, by decision of the technician"], "",
     "keyed, read back and confirmed; outside its band, by decision of the technician"),
    ([("keypad", "")], ["7.99 was denied after a doubt was said: far"], "", "keyed, read back and confirmed"),
])
def test_how_a_reading_was_earned(sources: list[tuple[str, str]], notes: list[str], doubt: str, words: str) -> None:
    assert made(sources, notes, doubt) == words


def test_a_remark_about_what_was_read_before_it_is_not_its_own() -> None:
    reading = Reading("slump", Decimal("4.25"), "in.", (Entry(Decimal("4.25"), "keypad", "", ""),), 9.0)
    assert bulletin.how(reading, [Note(5.0, "slump", "taken back, then kept as it was")]) == "keyed, read back and confirmed"


def test_clocks_as_of_now() -> None:
    found = bulletin.stamped(bulletin.of(at("leak.hold").state), at("leak.hold").state.now + 60)
    assert found["clock"] == {"name": "Hold", "of_s": 300.0, "left_s": 240.0} and found["kind"] == "hold"
    assert bulletin.stamped(bulletin.of(at("leak.hold").state), at("leak.hold").state.now + 600)["clock"]["left_s"] == 0.0


def test_the_clocks_of_a_round() -> None:
    state = State(procedure=at("damp", "slump").state.procedure, settings=Settings(), sampled_at=100.0, to_begin=("slump", "cylinders"),
                  header={"round_tests": "slump, temperature, cylinders"})
    found = bulletin.stamped(bulletin.of(state), 100.0 + 301)
    assert found["round"] == [{"name": "Slump", "done": False, "now": True, "left_s": -1.0, "late": True},
                              {"name": "Temperature", "done": True, "now": False, "left_s": None, "late": False},
                              {"name": "Moulding", "done": False, "now": False, "left_s": 599.0, "late": False}]
    begun = bulletin.stamped(bulletin.of(replace(state, to_begin=("cylinders",))), 200.0)["round"][0]
    assert (begun["done"], begun["now"], begun["left_s"]) == (False, True, None), "a test that runs is not done: its clock is"



def test_the_questions_between_two_tests_are_no_steps_of_one() -> None:
    asks = replace(at("damp", "slump").state.procedure, test=BETWEEN)
    found = bulletin.of(State(procedure=asks, settings=Settings()))
    assert (found["state"], found["step"], found["steps"]) == ("round", 0, 0)


def test_a_test_that_was_left_with_pressure_in_it_says_so_when_the_station_is_off() -> None:
    assert "under pressure" in bulletin.off(at("tap.1.1").state)["caution"]
    assert bulletin.off(at("layer.1", "slump").state)["caution"] == ""


def test_nothing_is_written_unless_it_is_wanted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    given: list[object] = []
    monkeypatch.setattr(start, "run", lambda args, beside: given.append(beside) or 0)
    cli.main(["run"])
    assert given.pop() is None
    cli.main(["run", "--board"])
    assert given.pop() is not None
    (tmp_path / "bowlside").mkdir()
    (tmp_path / "bowlside" / "station.toml").write_text('[board]\npublish = true\nfolder = "/some/where"\n')
    cli.main(["run"])
    assert given.pop() is not None and place.folder() == Path("/some/where") and place.folder(tmp_path) == tmp_path
