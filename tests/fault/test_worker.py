"""A process that works for the station may hang, die, flood or talk nonsense: it is cut off in time, and the next call has another.

What is told of it then is for test_engines_ear.py, test_speech_child.py and test_devices_hands.py.
"""
from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hardware import worker
from hardware.worker import ROOT, Worker, WorkerError
from tests.fault import stub_worker

LIMIT_S, MUCH_S = 0.4, 8.0
"""MUCH_S: for a Python to start on a busy machine; whatever hangs here hangs for ten minutes."""
Make = Callable[..., Worker]

SERVES = """
import os, subprocess, sys, time
from hardware.worker import serve
def open_(tell):
    if sys.argv[1] == "can not":
        raise RuntimeError("There is none here.")
    tell(b"told")
    def answer(request):
        if request.startswith(b"leaves"):
            child = subprocess.Popen(["sleep", "60"], close_fds=False)
            open(request.split()[1], "w").write(str(child.pid))
            os._exit(9)
        if request == b"hang":
            os.kill(os.getppid(), 9)
            time.sleep(60)
        if request == b"print":
            print("what a library prints", flush=True)
            os.write(1, b"and again")
        if request == b"no":
            raise ValueError("Not this one.")
        return request[::-1]
    return b"greeted", answer
sys.exit(serve(open_, 1))
"""
"""The real side of the process."""


def gone(pid: int | None) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().split()[2] == "Z"
    except OSError:
        return True


def until(condition: Callable[[], object]) -> None:
    end = time.monotonic() + MUCH_S
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.005)


def seven(answer: bytes) -> str:
    value = json.loads(answer)
    return f"{value['heard']} {value['value']}"


WELL = "seven point two five 7.25"


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Make]:
    made: list[Worker] = []

    def new(*answers: str, start: str = "good", start_s: float = MUCH_S, waits_s: tuple[float, ...] = (0.0,)) -> Worker:
        (tmp_path / "plan").write_text(json.dumps({"answers": answers, "starts": [start]}))
        made.append(Worker(start_s=start_s, waits_s=waits_s,
                           command=(sys.executable, "-S", stub_worker.__file__, str(tmp_path / "plan"))))
        return made[-1]
    yield new
    for each in made:
        each.cut()


@pytest.fixture
def real() -> Iterator[Worker]:
    process = Worker(start_s=MUCH_S, command=(sys.executable, "-c", SERVES, "can"))
    yield process
    process.cut()


def why_not(call: Callable[[], object]) -> WorkerError:
    with pytest.raises(WorkerError) as wrong:
        call()
    return wrong.value


@pytest.mark.parametrize("answer, why", [
    ("hang", "slow"), ("die", "ended"), ("half", "slow"), ("half and die", "ended"), ("garbage", "nonsense"), ("stale", "nonsense"),
    ("huge", "nonsense"), ("trickle", "slow"), ("no json", "nonsense"), ("other json", "nonsense"), ("no", "failed")])
def test_a_bad_answer_ends_it_and_the_next_is_good(make: Make, answer: str, why: str) -> None:
    process = make("good", answer)
    assert process.ask(b"{}", LIMIT_S + MUCH_S, seven) == WELL and process.failures == 0
    bad = process.pid
    wrong = why_not(lambda: process.ask(b"{}", LIMIT_S, seven))
    assert wrong.why == why and wrong.words == ("It has a cold." if why == "failed" else "")
    assert gone(bad) and process.pid is None and process.failures == 1
    assert process.ask(b"{}", MUCH_S, seven) == WELL and process.pid != bad and process.failures == 0


def test_a_flood_after_a_good_answer_is_found_at_the_next(make: Make) -> None:
    process = make("flood")
    assert process.ask(b"{}", MUCH_S, seven) == WELL
    assert why_not(lambda: process.ask(b"{}", MUCH_S, seven)).why == "nonsense"
    assert process.ask(b"{}", MUCH_S, seven) == WELL


@pytest.mark.parametrize("start, why, words", [("mute", "slow", ""), ("stillborn", "ended", ""), ("babble", "nonsense", ""),
                                               ("refuses", "refused", "There is no model here.")])
def test_one_that_does_not_start_properly_is_cut_off_and_the_next_may(make: Make, start: str, why: str, words: str) -> None:
    process = make(start=start, start_s=1.0 if start == "mute" else MUCH_S)
    wrong = why_not(process.ready)
    assert (wrong.why, wrong.words) == (why, words) and process.pid is None
    process._start_s = MUCH_S
    assert process.ready() == b"Hearing with a stand-in."


def test_one_that_takes_nothing_in_can_not_hold_its_station(make: Make) -> None:
    process = make(start="never reads")
    process.ready()
    begun = time.monotonic()
    assert why_not(lambda: process.ask(bytes(1 << 22), LIMIT_S, seven)).why == "slow"       # more than a socket holds
    assert time.monotonic() - begun < stub_worker.FOR_EVER_S / 2


def test_one_that_fails_again_and_again_is_left_in_peace_and_a_good_answer_begins_anew(make: Make) -> None:
    process = make("no", "die", "good", "no", waits_s=(0.0, 30.0))
    for answer in ("failed", "ended"):
        assert why_not(lambda: process.ask(b"{}", MUCH_S, seven)).why == answer
    assert why_not(lambda: process.ask(b"{}", MUCH_S, seven)).why == "ended" and process.pid is None, "told, and not tried"
    assert 25 < process.rest_s <= 30
    process._not_before = 0.0
    assert process.ask(b"{}", MUCH_S, seven) == WELL and process.failures == 0 and not process.rest_s
    assert why_not(lambda: process.ask(b"{}", MUCH_S, seven)).why == "failed" and not process.rest_s


def test_one_that_dies_while_nobody_waits_is_a_failure_and_starts_again(make: Make) -> None:
    process = make(start="dies later")
    process.ready()
    until(lambda: process.pid is None)
    assert not process.runs() and process.failures == 1
    assert process.ask(b"{}", MUCH_S, seven) == WELL


def test_one_that_may_have_died_before_is_asked_again_once(make: Make) -> None:
    process = make("die")
    assert process.ask(b"{}", MUCH_S, seven, again=True) == WELL
    process = make("die", "die", "good")
    assert why_not(lambda: process.ask(b"{}", MUCH_S, seven, again=True)).why == "ended" and process.failures == 1
    assert process.ask(b"{}", MUCH_S, seven, again=True) == WELL


def test_a_program_that_is_not_there_is_the_systems_reason() -> None:
    process = Worker(start_s=MUCH_S, command=("/no/such/program",))
    wrong = why_not(process.start)
    assert (wrong.why, wrong.words) == ("no_process", "No such file or directory")


def test_a_system_that_gives_no_more_is_its_reason_too(make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    def none() -> None:
        raise OSError(24, "Too many open files")
    monkeypatch.setattr(worker.socket, "socketpair", none)
    process = make()
    assert why_not(process.start).words == "Too many open files"
    monkeypatch.undo()
    assert process.ask(b"{}", MUCH_S, seven) == WELL


def test_whoever_waits_is_freed_when_it_is_cut(make: Make) -> None:
    process, told = make("hang"), []
    process.ready()
    pid = process.pid
    thread = threading.Thread(target=lambda: told.append(why_not(lambda: process.ask(b"{}", 50.0, seven)).why), daemon=True)
    thread.start()
    time.sleep(0.1)
    process.cut()
    thread.join(MUCH_S)
    assert told == ["ended"] and gone(pid)
    assert why_not(process.start).why == "ended" and process.pid is None, "for good"


def test_what_is_told_unasked_comes_in_turn_and_silence_is_a_hang(real: Worker) -> None:
    real.start()
    pid = real.pid
    assert [real.told(MUCH_S, bytes), real.told(MUCH_S, bytes)] == [b"told", b"greeted"]
    assert why_not(lambda: real.told(0.1, bytes)).why == "slow" and gone(pid)


def test_what_came_in_time_counts_though_its_station_was_kept_from_looking(real: Worker) -> None:
    """A recogniser holds every thread for seconds on a busy machine: the keys' process, which had told its beats, was ended for it."""
    real.ready()
    assert real._link is not None and select.select([real._link], [], [], 60)[0]
    assert real.told(0.0, bytes) == b"greeted"
    assert why_not(lambda: real.told(0.0, bytes)).why == "slow"


def test_the_real_side_answers_and_what_it_can_not_is_told(tmp_path: Path) -> None:
    real = Worker(start_s=MUCH_S, command=(sys.executable, "-c", SERVES.replace('tell(b"told")', ""), "can"))
    assert real.ready() == b"greeted"
    long = os.urandom(1 << 21)
    assert real.ask(long, MUCH_S, bytes) == long[::-1]
    assert real.ask(b"print", MUCH_S, bytes) == b"tnirp"
    wrong = why_not(lambda: real.ask(b"no", MUCH_S, bytes))
    assert (wrong.why, wrong.words) == ("failed", "Not this one.")
    real.end()
    assert real.pid is None and real.ask(b"ab", MUCH_S, bytes) == b"ba", "ended for now"
    real.cut()
    real = Worker(start_s=MUCH_S, command=(sys.executable, "-c", SERVES, "can not"))
    wrong = why_not(real.ready)
    assert (wrong.why, wrong.words) == ("refused", "There is none here.")


def test_it_ends_by_itself_when_it_is_let_go_of(real: Worker, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(worker, "END_S", MUCH_S)
    real.ready()
    child = real._child
    real.cut()
    assert child is not None and child.returncode == 0


def test_ctrl_c_is_for_the_station(real: Worker) -> None:
    real.ready()
    assert real.told(MUCH_S, bytes) == b"greeted" and real.pid is not None
    os.kill(real.pid, signal.SIGINT)
    assert real.ask(b"ab", MUCH_S, bytes) == b"ba"


def test_its_end_is_seen_though_what_it_started_goes_on(real: Worker, tmp_path: Path) -> None:
    real.ready()
    real.told(MUCH_S, bytes)
    left = tmp_path / "left"
    try:
        assert why_not(lambda: real.ask(f"leaves {left}".encode(), MUCH_S, bytes)).why == "ended"
    finally:
        os.kill(int(left.read_text()), signal.SIGKILL)


HELD = ("import sys, time\nfrom hardware.worker import Worker\n"
        "w = Worker(start_s=60.0, command=[sys.executable, '-c', sys.argv[1], 'can'])\nw.ready()\nw.told(60.0, bytes)\n"
        "print(w.pid, flush=True)\n")


@pytest.mark.parametrize("does", ["time.sleep(60)", "w.ask(b'hang', 60.0, bytes)"])
def test_a_killed_station_leaves_none_behind(does: str) -> None:
    """One that waits, and one that hangs: it ends itself after the second that it is given."""
    station = subprocess.Popen([sys.executable, "-c", HELD + does, SERVES], cwd=ROOT, stdout=subprocess.PIPE)
    assert station.stdout is not None
    pid = int(station.stdout.readline())
    station.kill()
    station.wait()
    station.stdout.close()
    until(lambda: gone(pid))
