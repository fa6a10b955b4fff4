"""Killed at any instant of a round: nothing announced as taken is lost, nothing counts twice, it goes on at the same step.

A process of its own, SIGKILL, real files. What it prints is the acknowledgement: ``taken`` is printed only after its commit, so
every one that came through the pipe must be in the journal afterwards. The instants are uniform over the work of a whole round
(sampling, slump, density, temperature, the sequential test with its leak hold, cylinders; the clock is virtual). A round is
killed again and again until it comes to its end, and then its results must be those of a round that nobody killed.
"""
from __future__ import annotations

import fcntl
import io
import json
import os
import pty
import random
import select
import signal
import struct
import subprocess
import sys
import termios
import time
import traceback
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from assistant import cli
from assistant.core.state import Phase, State
from assistant.core.steps import Hold
from assistant.record import summary
from assistant.record.identity import origin
from assistant.record.journal import Journal, JournalError
from assistant.record.session import Station
from tests.command import HEADER, READINGS, ROOT, keyed, script

OTHERS = {"slump": "4.25", "tare": "18.6", "gross": "54.7", "temperature": "72", "cylinder.set": "7", "cylinder.count": "4"}
RESULTS = {"slump": {"slump": "4.25"}, "density": {"density": "144.7"}, "temperature": {"temperature": "72"},
           "sequential": {"leak_drop": "0.05", "air_content": "5.7", "system_air_metric": "0.20"},
           "cylinders": {"cylinders_made": "4"}}
"""Of a round that nobody killed. Density: (54.7 - 18.6) / 0.2494 lb/ft3."""
PIPE = 1 << 20
"""Bytes: all that a round prints. With less the process would wait for its reader, and be killed mostly there."""


def round_script() -> str:
    head = {**HEADER, "test": "round", "measure_volume_ft3": 0.2494, "start_within_s": 900, "mould_within_s": 1800}
    # An agency's longest times: the leak hold within the round takes five minutes.
    return script(header=head, rest=({"on": ident, "key": keyed(value)} for ident, value in OTHERS.items()))


def started(path: Path, folder: Path) -> tuple[int, int]:
    """A process that plays the round on this journal: its number, and the pipe from which its lines come."""
    reader, writer = os.pipe()
    fcntl.fcntl(writer, fcntl.F_SETPIPE_SZ, PIPE)
    child = os.fork()  # a start of Python each time would take most of the time of 3,000 kills
    if child:
        os.close(writer)
        return child, reader
    code = 70
    try:
        os.dup2(writer, 1)
        os.dup2(writer, 2)
        sys.stdout, sys.stderr = (io.TextIOWrapper(io.FileIO(number, "w"), "utf-8", write_through=True) for number in (1, 2))
        code = cli.main(["rehearse", str(path), "--answer-rest", "--json", "--journal", str(folder)])
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


def processor_time(child: int) -> float:
    """Seconds that this process has worked, however busy the machine is (Linux: clock_getcpuclockid)."""
    return time.clock_gettime(~child << 3 | 2)


def played(path: Path, folder: Path, kill_after: float | None) -> tuple[list[dict[str, Any]], int | None, float]:
    """Play, and kill it after so many seconds of its own work. Its whole lines, its exit code (None: it was killed), its work."""
    child, reader = started(path, folder)
    text = b""
    with open(reader, "rb", buffering=0) as pipe:
        while kill_after is not None:
            if processor_time(child) >= kill_after:
                os.kill(child, signal.SIGKILL)
                break
            if select.select([pipe], [], [], 0.001)[0]:
                if not (more := pipe.read(PIPE)):
                    break
                text += more
        while (more := pipe.read(PIPE)):
            text += more
    _, status, usage = os.wait4(child, 0)
    lines = text.decode().split("\n")[:-1]  # a last line without its end was not said to the end
    code = None if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)
    try:
        return [json.loads(line, parse_float=Decimal) for line in lines if line], code, usage.ru_utime + usage.ru_stime
    except ValueError:
        raise AssertionError(f"it said more than its lines: {text[-500:]!r}") from None


class KilledRound:
    """One journal, and what was seen of it so far."""

    def __init__(self, path: Path, folder: Path, name: str) -> None:
        self.path, self.folder, self.name = path, folder, name
        self.taken: Counter[tuple[str, str]] = Counter()
        self.over: dict[int, dict[str, Any]] = {}
        self.running: dict[int, dict[str, Any]] = {}
        self.goes_on_at = ""
        """What it must ask first when it starts again; empty: between two tests, or in a clock that begins again."""
        self.kills = self.acknowledged = 0

    def go(self, kill_after: float | None) -> bool:
        """Once more from where it was. Whether it came to its end."""
        lines, code, _ = played(self.path, self.folder, kill_after)
        listened = [line["id"] for line in lines if line["kind"] == "listening"]
        if self.goes_on_at and listened:
            assert listened[0] == self.goes_on_at, f"{self.name}: goes on at {listened[0]}, not at {self.goes_on_at}"
        self.taken += Counter((line["id"], str(line["value"])) for line in lines if line["kind"] == "taken")
        self.kills += code is None
        self.acknowledged += code is None and any(line["kind"] == "taken" for line in lines)
        self.nothing_lost(listened)
        assert code in (None, int(self.is_late())), f"{self.name}: it ended with {code}: {lines[-3:]}"
        return code is not None

    def newest(self) -> list[dict[str, Any]]:
        """What is over of the newest round, in order."""
        whole = [self.over[test] for test in sorted(self.over)]
        return [each for each in whole if each["round"] == whole[-1]["round"]]

    def is_late(self) -> bool:
        """Whether a test of this round began too late, which ends it with exit code 1. Only a leak hold that was cut off excuses
        that: its five minutes begin again, and a round that nobody kills has less than that to spare."""
        late = [each for each in self.newest() if each["test"] != "sampling" and each["timing"] != "in-time"]
        for each in late:
            assert "leak.hold" in [note["id"] for note in each["notes"]], f"{self.name}: {each['test']} is {each['timing']}"
        return bool(late)

    def nothing_lost(self, listened: list[str]) -> None:
        try:
            journal = Journal(self.folder, write=False)
        except JournalError as error:  # killed before there was one
            assert "nothing has been recorded" in str(error) and not self.taken, f"{self.name}: {error}"
            return
        with journal:
            before, tests = origin(journal.identity), set()
            for number, row in enumerate(journal.rows(), 1):
                assert row.seq == number and row.hash == row.expected_hash(before), f"{self.name}: event {number}"
                before = row.hash
                tests.add(row.test)
            assert journal.end_gone() is None
            for test in tests - set(self.over):
                one = summary.of(journal, test)
                (self.over if one["outcome"] != "not over" else self.running)[test] = one
            last = max(tests, default=0)
            state = Station(journal, last).state if last and last not in self.over else State()
        self.running = {test: one for test, one in self.running.items() if test not in self.over}
        kept = [(test, one) for test, whole in (self.over | self.running).items() for one in whole["readings"]]
        gone = self.taken - Counter((one["id"], str(one["value"])) for _, one in kept)
        assert not gone, f"{self.name}: announced and lost: {gone}"
        counting = Counter((test, one["id"]) for test, one in kept if not one["withdrawn"])
        assert all(count == 1 for count in counting.values()), f"{self.name}: counted twice: {counting}"
        at_a_step = state.phase is not Phase.IDLE and state.prompt
        if listened and at_a_step:
            was = listened[-1]
            assert was in (state.prompt, *self.before(state)), f"{self.name}: was at {was}, is at {state.prompt}"
        cut_off = state.hold is not None or state.phase is Phase.TAPPING  # begins again, at a place that its procedure names
        self.goes_on_at = state.prompt if at_a_step and not cut_off else ""

    def before(self, state: State) -> list[str]:
        """The prompts from which one answer leads to this one: the line that says it may not have been printed. A hold whose time
        is over already is passed over: a thermometer that has stood long enough is read at once."""
        holds = {one.id for one in state.procedure.steps if isinstance(one, Hold)} if state.procedure else set()
        found = [one for one, after in zip(GOLDEN, GOLDEN[1:]) if after == state.prompt]
        if not found and state.procedure:       # nothing is asked there, as in tapping: the answer before began it
            steps = [one.id for one in state.procedure.steps]
            ahead = set(steps[:steps.index(state.prompt)])
            found = [one for one in GOLDEN if one.removesuffix(".confirm") in ahead][-1:]
        return found + [one for one, after in zip(GOLDEN, GOLDEN[1:]) if after in holds.intersection(found)]

    def is_as_if_nothing_had_been(self) -> None:
        """The round that came to its end has each test once, with the results and readings of one that nobody killed."""
        with Journal(self.folder, write=False) as journal:
            assert journal.first_bad() is None
        done = [each for each in self.newest() if each["outcome"] == "done" and each["verdict"] in ("pass", "none")]
        found = [(each["test"], {result["name"]: str(result["rounded"]) for result in each["results"]}) for each in done]
        assert sorted(found) == sorted([("sampling", {}), *RESULTS.items()]), self.name
        readings = next(each for each in done if each["test"] == "sequential")["readings"]
        counting = {one["id"]: str(one["value"]) for one in readings if not one["withdrawn"]}
        assert counting == READINGS, self.name


GOLDEN: list[str] = []
"""Every prompt of a whole round that nobody kills, in order."""


def kill_rounds(tmp_path: Path, kills: int, seed: int) -> tuple[int, int, int]:
    """At least so many kills, a quarter of them after a reading was announced: those before it can lose nothing, and how many
    come before it is chance (60 of 100). How many there were, in how many rounds, and how many of them after such an announcement."""
    chance, path = random.Random(seed), tmp_path / "round.jsonl"
    path.write_text(round_script())
    lines, code, length = played(path, tmp_path / "whole", None)
    assert code == 0
    GOLDEN[:] = [line["id"] for line in lines if line["kind"] == "listening"]
    done = rounds = acknowledged = 0
    while done < kills or acknowledged < kills / 4:
        one = KilledRound(path, tmp_path / str(rounds), f"seed {seed}, round {rounds}")
        while not one.go(chance.uniform(0, length)):
            assert done + one.kills < 10 * kills, "the kills come too early to show anything"
        one.is_as_if_nothing_had_been()
        done, rounds, acknowledged = done + one.kills, rounds + 1, acknowledged + one.acknowledged
    return done, rounds, acknowledged


def cut(whole: Path, folder: Path, sign: str) -> None:
    """The journal as it was before its last event with this sign."""
    with Journal(whole, write=False) as journal, Journal(folder, record=journal.identity) as begun:
        at = max(row.seq for row in journal.rows() if sign in row.body)
        begun.begin_with(row for row in journal.rows() if row.seq < at)


@pytest.mark.parametrize("sign, late", [('"mark:240"', False), ('"mark:5"', True)])
def test_a_leak_hold_cut_off_begins_again_and_may_make_the_round_late(tmp_path: Path, sign: str, late: bool) -> None:
    """A minute and nearly five minutes of it are lost; three are to spare."""
    path = tmp_path / "round.jsonl"
    path.write_text(round_script())
    assert played(path, tmp_path / "whole", None)[1] == 0
    cut(tmp_path / "whole", tmp_path / "cut", sign)
    goes_on = KilledRound(path, tmp_path / "cut", sign)
    assert goes_on.go(None) and goes_on.is_late() == late
    goes_on.is_as_if_nothing_had_been()


def test_killed_at_any_instant_of_a_round(tmp_path: Path) -> None:
    kill_rounds(tmp_path, 20, 1)


@pytest.mark.long
def test_killed_3000_times(tmp_path: Path) -> None:
    kills, rounds, acknowledged = kill_rounds(tmp_path, 3000, 2)
    print(f"\n{kills} kills in {rounds} rounds, {acknowledged} of them after something was announced: none lost, none doubled")


PROMPT_WITHIN_S = 2.0
"""From the start of the program until it says where it goes on: design.md, section 10."""


def within(took: list[tuple[float, float]], which: str) -> None:
    """Seconds by the clock and of work, of several starts; the clock counts unless others keep the machine busy."""
    print(f"\n{which}: " + ", ".join(f"{clock:.2f} s ({work:.2f} s of work)" for clock, work in took))
    assert min(work for _, work in took) < PROMPT_WITHIN_S
    if os.getloadavg()[0] < 2 * (os.cpu_count() or 1):
        assert min(clock for clock, _ in took) < PROMPT_WITHIN_S


def seconds_to(begun: float, pipe: Any, sign: bytes) -> float:
    """From ``begun`` until a program has written ``sign``."""
    text = b""
    while sign not in text:
        more = os.read(pipe, 65536)
        assert more, f"it ended without {sign!r}: {text[-500:]!r}"
        text += more
    return time.monotonic() - begun


@pytest.mark.alone
def test_a_start_after_a_kill_says_where_it_goes_on_within_two_seconds(tmp_path: Path) -> None:
    """A new Python, late in a round: everything is imported, replayed and said anew. The best of three."""
    path, took = tmp_path / "round.jsonl", []
    path.write_text(round_script())
    played(path, tmp_path / "journal", None)
    for number in range(3):
        cut(tmp_path / "journal", tmp_path / f"cut-{number}", '"key":"3"')
        begun = time.monotonic()
        child = subprocess.Popen([sys.executable, "-m", "assistant", "rehearse", str(path), "--answer-rest", "--json",
                                  "--journal", str(tmp_path / f"cut-{number}")], cwd=ROOT, stdout=subprocess.PIPE)
        with child, child.stdout as pipe:
            took.append((seconds_to(begun, pipe.fileno(), b"Going on at"), processor_time(child.pid)))
            child.kill()
    within(took, "rehearsal")


@pytest.mark.alone
def test_a_live_start_after_a_kill_shows_where_it_goes_on_within_two_seconds(tmp_path: Path) -> None:
    """The same for the live station on a terminal of its own, with its screen, voice and ear; killed, not left, each time."""
    took = []
    for _ in range(4):
        begun = time.monotonic()
        child, terminal = pty.fork()
        if not child:
            os.environ.update(TERM="xterm-256color", BOWLSIDE_JOURNAL=str(tmp_path), LINES="34", COLUMNS="100")
            os.chdir(ROOT)
            os.execv(sys.executable, [sys.executable, "-m", "assistant", "practise"])
        try:
            fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 34, 100, 0, 0))
            took.append((seconds_to(begun, terminal, b"Going on" if took else b"PRACTICE"), processor_time(child)))
        finally:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            os.close(terminal)
    within(took[1:], "live, after a kill")
