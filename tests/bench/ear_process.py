"""What a process of its own costs and gains the ear: `python -m tests.bench.ear_process [--seconds N]`. Prints one JSON object.

Each way hears the same three sayings again and again, which is more than anybody says; meanwhile another thread presses a key
every 50 ms. In turn, so that a machine that is busy otherwise is so for both.

key_ms     from the press to its click's place in the sound: median, 95 of 100, most
answer_ms  from the end of the words (the sound is whole) to what was understood
memory_mb  proportional share (Pss): this process, and the ear's beside it
"""
from __future__ import annotations

import argparse
import json
import queue
import subprocess
import sys
import threading
import time
from decimal import Decimal
from pathlib import Path

from assistant.core.expect import Expect
from assistant.station.ear_process import EarProcess
from hardware.mixer import Mixer
from hardware.speaker import Speaker
from hardware.stream import SilentStream
from hardware.synth import Synth
from tests.bench.hands import spread

SAYINGS = (("seven point two five", Expect("reading", Decimal(5), Decimal(9), 2)),
           ("three one point eight one", Expect("reading", Decimal(28), Decimal(34), 2)), ("say again", Expect("command")))
EVERY_S = 0.05


def share_mb(pid: int | str) -> float:
    lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return round(next(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024, 1)


def measured(way: str, seconds: float) -> dict[str, object]:
    """One way, in a process of its own."""
    synth = Synth()
    said = [(synth.render(text), expect) for text, expect in SAYINGS]
    mixer = Mixer(48000)
    stream = SilentStream(mixer.fill, 48000)
    speaker = Speaker(synth, stream, mixer=mixer)
    if way == "process":
        ear = EarProcess()
        ear.start()
    else:
        from models.ear import open_ear
        ear = open_ear()
    presses: queue.SimpleQueue[float] = queue.SimpleQueue()
    key, answer, stop = [], [], threading.Event()

    def press() -> None:                # what watches a pad: wakes up, posts
        due = time.monotonic()
        while not stop.is_set():
            due += EVERY_S
            time.sleep(max(0.0, due - time.monotonic()))
            presses.put(due)

    def take() -> None:                 # the live loop: gets it, clicks
        while not stop.is_set():
            due = presses.get()
            speaker.cue("key_click")
            key.append(time.monotonic() - due)
    for work in (press, take):
        threading.Thread(target=work, daemon=True).start()
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        for pcm, expect in said:
            begun = time.monotonic()
            understood = ear.understand(pcm, synth.RATE, expect)
            answer.append(time.monotonic() - begun)
            assert understood.accepted, understood
    stop.set()
    found = {"key_ms": spread(key), "answer_ms": spread(answer), "memory_mb": share_mb("self")}
    if isinstance(ear, EarProcess):
        found["ear_mb"] = share_mb(ear.worker.pid or 0)
        ear.worker.cut()
    speaker.close()
    return found


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--seconds", type=float, default=10.0, help="of hearing, each way, twice")
    asked.add_argument("--way", choices=("within", "process"), help=argparse.SUPPRESS)
    args = asked.parse_args()
    if args.way:
        print(json.dumps(measured(args.way, args.seconds)))
        return
    print(json.dumps({f"{way}, {turn}": json.loads(subprocess.run(
        [sys.executable, "-m", "tests.bench.ear_process", "--way", way, "--seconds", str(args.seconds)],
        check=True, stdout=subprocess.PIPE).stdout) for turn in ("first", "second") for way in ("within", "process")}, indent=1))


if __name__ == "__main__":
    main()
