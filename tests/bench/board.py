"""What the crew's board costs the station: `python -m tests.bench.board [--tests N]`. Prints one JSON object.

cpu        seconds of CPU of this process for a whole sequential test on the real loop, keyed at once, with holds of a second and less:
           N times without and N times with the board, in turn, each pair its own ratio; the median of the ratios. ``per_test_s``: what
           the board adds to one
loop_us    the call that the loop makes to the board with each turn, in millionths of a second: median and most
write      a bulletin made, and the whole turn with its file in memory, at the end of a test when it has most readings, and near the
           end of a leak hold by wire, with its curve; ``share_percent``: of a core over a real test of half an hour, made of these:
           its events, a sign of life each five seconds, and ten samples a second in a leak hold of five minutes
beats      the row of a tapping, pulled in odd blocks while states change as fast as they can and are published: the largest error of a
           beat in frames, without and with; and how late the pulls of 20 ms came, on the real clock
"""
from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from assistant.board import bulletin
from assistant.board.publish import EVERY_S, HEARTBEAT_S, Publisher
from assistant.core.state import State
from assistant.record.journal import Journal
from hardware import cues
from hardware.mixer import RATE, Mixer
from hardware.stream import STEP_S, OfflineStream, SilentStream
from tests.property import attack
from tests.unit.test_live import Bench, at_once, quick_hand

REAL_S = 1800.0
"""A sequential test of half an hour."""
LEAK_S = 300.0
FLIP_S = 0.01


def played(board: bool, folder: Path) -> tuple[float, list[float]]:
    """CPU seconds of a test, and how long each call to the board took."""
    calls: list[float] = []
    with Journal(folder / "journal") as journal:
        bench = Bench(journal, at_once)
        publisher = Publisher(folder / "board", trouble=bench.live.trouble)

        def show(state: State) -> None:
            begun = time.perf_counter()
            publisher.show(state)
            calls.append(time.perf_counter() - begun)
        begun = time.process_time()
        if board:
            bench.live.board = show
            with publisher:
                bench.run()
        else:
            bench.run()
        return time.process_time() - begun, calls


def cost(tests: int) -> dict[str, Any]:
    pairs, calls = [], []
    for _ in range(tests):
        pair = []
        for board in (False, True):
            with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
                seconds, found = played(board, Path(folder))
            pair.append(seconds)
            calls += found
        pairs.append(pair)
    more = statistics.median(with_ - without for without, with_ in pairs)
    return {"without_s": round(statistics.median(pair[0] for pair in pairs), 3), "with_s": round(statistics.median(pair[1] for pair in pairs), 3),
            "ratio": round(statistics.median(with_ / without for without, with_ in pairs), 3), "per_test_s": round(more, 3),
            "loop_us": {"p50": round(1e6 * statistics.median(calls), 1), "most": round(1e6 * max(calls), 1)}}


def turned(states: list[State]) -> tuple[float, float, int]:
    """CPU seconds of a bulletin and of a whole turn, and the bytes of the file."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        publisher, made, turns = Publisher(Path(folder)), [], []
        for at in range(400):
            state = states[at % len(states)]
            begun = time.process_time()
            bulletin.of(state)
            made.append(time.process_time() - begun)
            publisher.show(state)
            begun = time.process_time()
            publisher.turn()
            turns.append(time.process_time() - begun)
        return statistics.median(made), statistics.median(turns), (Path(folder) / "now.json").stat().st_size


def writing(per_test_s: float) -> dict[str, Any]:
    steps = attack.checkpoints("sequential", "normal")
    made, turn, size = turned([one.state for one in steps[-8:]])
    hold = next(one.state for one in steps if one.state.prompt == "leak.hold")
    samples = tuple((at / 10, Decimal("45.21") - Decimal(at) / 100_000) for at in range(2900))
    curve_made, curve_turn, curve_size = turned([replace(hold, curve=samples[:2850 + at]) for at in range(50)])
    share = (per_test_s + REAL_S / HEARTBEAT_S * turn + LEAK_S / EVERY_S * curve_turn) / REAL_S
    return {"bulletin_ms": round(1000 * made, 2), "turn_ms": round(1000 * turn, 2), "bytes": size, "curve_bulletin_ms": round(1000 * curve_made, 2),
            "curve_turn_ms": round(1000 * curve_turn, 2), "curve_bytes": curve_size, "share_percent": round(100 * share, 2)}


@contextmanager
def flipping(board: bool) -> Iterator[None]:
    """Another state each hundredth of a second, published as fast as it ever is."""
    states = [one.state for one in attack.checkpoints("sequential", "normal")[-8:]]
    over = threading.Event()
    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder:
        publisher = Publisher(Path(folder))

        def flip() -> None:
            at = 0
            while not over.wait(FLIP_S):
                at += 1
                publisher.show(states[at % 8])
        flipper = threading.Thread(target=flip, daemon=True)
        if board:
            publisher.__enter__()
        flipper.start()
        try:
            yield
        finally:
            over.set()
            flipper.join()
            if board:
                publisher.__exit__()


def beats(board: bool) -> dict[str, Any]:
    mixer = Mixer()
    stream = OfflineStream(mixer, 331)
    with flipping(board):
        mixer.place_row([(cues.render("tap", RATE), k * RATE // 2) for k in range(100)])
        stream.advance_to(50)
        late: list[float] = []
        last = [time.monotonic()]
        pulled = Mixer()

        def pull(frames: int) -> np.ndarray:
            now = time.monotonic()
            late.append(now - last[0] - STEP_S)
            last[0] = now
            return pulled.fill(frames)
        silent = SilentStream(pull, RATE)
        time.sleep(6)
        silent.close()
    loud = np.nonzero(stream.samples)[0]
    starts = loud[np.concatenate([[True], np.diff(loud) > RATE // 4])]
    return {"error_frames": int(np.abs(np.diff(starts) - RATE // 2).max()), "pull_late_ms_p99": round(1000 * sorted(late)[int(len(late) * 0.99)], 1)}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--tests", type=int, default=3)
    args = parser.parse_args()
    with pytest.MonkeyPatch.context() as patch:
        quick_hand(patch)
        found = cost(args.tests)
    print(json.dumps({"cpu": found, "write": writing(found["per_test_s"]), "beats": {"without": beats(False), "with": beats(True)}}))


if __name__ == "__main__":
    main()
