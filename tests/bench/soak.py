"""Does anything grow? `python -m tests.bench.soak [--real MINUTES] [--days DAYS]`. Prints one JSON object a line.

--real   one process tests at real pace, test after test on devices that are opened once, as in a round, with all that a station
         has: voice and ear with their processes, the pedal, the lamp and the matrix on gpiozero's mock pins, the gauge on a
         pseudo-terminal that is unplugged twice a test, the journal; the microphone is fed a yard's noise and somebody who says
         "time left". Without a sound card the real libraries look for one in vain, which is part of it. A line each minute and
         after each test. The growth is what the process holds after a test against what it held after the first one
--days   virtual eight-hour days in one process, a line each: a sequential test with ten samples a second from the gauge, then
         random walks through every test with mischief (restarts that open the journal anew, lost devices, wrong words), with
         breaks between, until the day is over. The real machine, journal and gauge watch; the day's folder goes at its end

rss_kb: what the process holds; used_kb: of that what C's malloc has given out; blocks: small blocks that Python has given out;
the ear's and the voice's processes beside. memory_kb (--days): what Python holds (tracemalloc). Not with --real, since its own
tables are as large as what it watches and are taken from the same malloc.
"""
from __future__ import annotations

import argparse
import contextlib
import ctypes
import functools
import gc
import itertools
import json
import os
import random
import sys
import tempfile
import threading
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant.core import procedure
from assistant.core.events import Event, Restarted, TestStarted
from assistant.core.settings import Settings
from assistant.core.state import Phase
from assistant.procedures import load, names
from assistant.record.journal import Journal
from assistant.record.session import Station, unfinished
from assistant.station import ears
from assistant.station.pronounce import pronounce
from assistant.station.voice_out import fixed
from hardware import memory
from hardware.microphone import BLOCK, RATE, Microphone
from hardware.phrase_store import PhraseStore
from hardware.speaker import Speaker
from hardware.synth import Synth
from models.wav import to_pcm, to_sound
from tests.property.test_never_stuck import JOB, Walk
from tests.scenario.test_gauge import skipped
from tests.scenario.test_live_by_wire import Technician
from tests.scenario.wired import Wired
from tests.speech.yard import at_level, diesel


def held(pid: int | str | None, name: str = "Rss:") -> int:
    """kB; 0 where there is no such process any more."""
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
            if line.startswith(name):
                return int(line.split()[1])
    return 0


class _Mallinfo(ctypes.Structure):
    """mallinfo2(3)."""
    _fields_ = [(name, ctypes.c_size_t) for name in ("arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks",
                                                     "uordblks", "fordblks", "keepcost")]


def mallinfo() -> _Mallinfo:
    """What malloc has in all its heaps, bytes. AttributeError where C's library has no mallinfo2 (glibc has it from 2.33 on)."""
    mallinfo2 = ctypes.CDLL(None).mallinfo2
    mallinfo2.restype = _Mallinfo
    return mallinfo2()


def malloc_used() -> int:
    """kB that malloc has given out; 0 where that can't be known."""
    try:
        found = mallinfo()
    except AttributeError:
        return 0
    return (found.uordblks + found.hblkhd) // 1024


def now(**more: Any) -> dict[str, Any]:
    """What the process holds."""
    gc.collect()
    memory = {"memory_kb": tracemalloc.get_traced_memory()[0] // 1024} if tracemalloc.is_tracing() else {
        "blocks": sys.getallocatedblocks(), "used_kb": malloc_used()}
    return {**memory, "rss_kb": held("self"), "handles": len(os.listdir("/proc/self/fd")), "threads": threading.active_count(),
            **more}


class Yard:
    """A recording device: a minute of diesel noise with "time left" in it, again and again, at real pace."""

    alive, latency_s = True, 0.0

    def __init__(self, take: Any, sound: bytes) -> None:
        self._take, self._sound = take, sound
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="yard", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        begun = time.monotonic()
        for n in itertools.count():
            if self._closing.wait(max(0.0, begun + n * BLOCK / RATE - time.monotonic())):
                return
            at = n * 2 * BLOCK % (len(self._sound) - 2 * BLOCK)
            self._take(self._sound[at:at + 2 * BLOCK])

    def close(self) -> None:
        self._closing.set()
        self._thread.join(2)


def yard_sound(synth: Synth) -> bytes:
    sound = at_level(diesel(60, np.random.default_rng(2)), -45)
    words = to_sound(synth.render("time left"), synth.RATE)
    for at in (5, 25, 45):
        sound[at * RATE:at * RATE + len(words)] += at_level(words, -22)
    return to_pcm(np.clip(sound, -1, 1))


class Crew(Technician):
    """The technician of the live test by wire, with a real voice and a real ear beside."""

    def __init__(self, *args: Any, **settings: Any) -> None:
        super().__init__(*args, **settings)
        self.voice = Synth(store=PhraseStore(self.journal.path.parent / "speech"))
        self.speaker = Speaker(self.voice, None, self.live.spoken, on_trouble=self.live.trouble)  # type: ignore[assignment]
        self.live.attach(self.speaker)
        texts = fixed(procedure.build(load("sequential"), Settings()), "normal")
        self.speaker.prepare(map(pronounce, texts))     # type: ignore[attr-defined]
        self.ears = ears.Ears(self.live, self.speaker.is_deaf)

    def close(self) -> None:
        self.hands.close()
        self.ears.close()
        self.speaker.close()
        self.gauge.stop()
        self.journal.close()


def real(minutes: float, folder: Path, pace: float = 1.0) -> None:
    memory.give_back()      # as the command line does
    synth = Synth()
    sound = yard_sound(synth)
    synth.close()
    ears.Microphone = functools.partial(Microphone, open_input=lambda take: Yard(take, sound))  # type: ignore[misc, assignment]
    Device.pin_factory = factory = MockFactory()
    begun = time.monotonic()
    crew, stop, first = Crew(factory, folder, "line", pace, leak_hold=True), threading.Event(), 0

    def held_now(**more: Any) -> dict[str, Any]:
        for pin in factory.pins.values():
            pin.clear_states()      # the mock keeps every change for ever
        return now(minute=round((time.monotonic() - begun) / 60, 1), ear_kb=held(crew.ears._ear.worker.pid),
                   voice_kb=held(crew.voice.pid),
                   **more)

    def watch() -> None:
        while not stop.wait(60):
            say(held_now(at=crew.state.prompt, heard=crew.live.heard))
    threading.Thread(target=watch, daemon=True).start()
    for test in itertools.count(1):
        stuck = ""
        try:
            crew.one_test(within_s=1500)
        except AssertionError as error:
            stuck = str(error)
        line = {"test": test, "lines": len(crew.lines), "readings": len(crew.state.taken()), "stuck": stuck,
                "heard": sum(line["kind"] == "heard" for line in crew.lines)}
        crew.next()
        line = held_now(**line)
        first = first or line["rss_kb"]
        say({**line, "growth_kb": line["rss_kb"] - first})
        if time.monotonic() - begun > 60 * minutes:
            break
    stop.set()
    crew.close()
    factory.reset()
    say(now(after="all is closed"))


class JournalWalk(Walk):
    """A random walk that is recorded; each restart opens the journal anew."""

    def __init__(self, seed: int, mischief: float, test: str, folder: Path, now_s: float) -> None:
        self.folder, self.journal = folder, Journal(folder)
        self.station = Station(self.journal, self.journal.new_test(), "boot-0")
        self.chance, self.mischief, self.boot, self.now = random.Random(seed), mischief, 0, now_s
        self.taken, self.trail, self.restarts = {}, [], 0
        self.post(TestStarted(now_s, test, load(test), JOB.to_mapping(), {}))

    def post(self, event: Event) -> None:
        if isinstance(event, Restarted):
            self.journal.close()
            self.journal = Journal(self.folder)
            found = unfinished(self.journal, event.boot)
            assert found is not None, "nothing to go on with"
            self.station, self.restarts = found, self.restarts + 1
        self.station.handle(event)
        self.state = self.station.state
        self.now = max(self.now, self.state.now) if not isinstance(event, Restarted) else self.state.now


def day(number: int, folder: Path, hours: float = 8.0) -> dict[str, Any]:
    """One day's tests. What was done."""
    chance, tests, restarts, events = random.Random(number), 1, 0, 0
    wired = Wired(folder)
    if hours < 8:
        skipped(wired).wired_step(1, 1).unplug()
        wired.plug()
    else:
        wired.wired_leak_hold().wired_fill().wired_run(1).unplug()
        wired.plug()
        wired.wired_between().wired_run(2).at("release.2").key("#")
    wired.hear("scrap the test").hear("yes")
    assert wired.state.phase is Phase.OVER
    wired.journal.close()
    clock, events = wired.now, sum(wired.events.values())
    while clock < hours * 3600:
        clock += chance.uniform(300, 1800)
        walk = JournalWalk(chance.randrange(1 << 30), chance.choice((0.05, 0.2, 0.3)), chance.choice(names()), folder, clock)
        begun = walk.now
        for _ in range(20_000):
            if walk.state.phase is Phase.OVER:
                break
            walk.one()
        assert walk.state.phase is Phase.OVER, walk.trail[-5:]
        walk.journal.close()
        clock += max(60.0, walk.now - begun)            # a reboot sets the boot clock back
        tests, restarts = tests + 1, restarts + walk.restarts
    return {"tests": tests, "restarts": restarts, "wire_events": events}


def virtual(days: int, hours: float = 8.0) -> Iterator[dict[str, Any]]:
    """What was held after each day."""
    tracemalloc.start()
    for number in range(days):
        with tempfile.TemporaryDirectory(prefix="bowlside-day-") as folder:
            done = day(number, Path(folder), hours)
        yield now(day=number + 1, **done)
    tracemalloc.stop()


def say(line: dict[str, Any]) -> None:
    print(json.dumps(line), flush=True)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--real", type=float, metavar="MINUTES", default=0.0)
    asked.add_argument("--pace", type=float, default=1.0, help="of the simulated meter; clocks are never quicker")
    asked.add_argument("--days", type=int, metavar="DAYS", default=0)
    asked.add_argument("--hours", type=float, default=8.0, help="of such a day")
    args = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="bowlside-soak-") as folder:
        if args.real:
            real(args.real, Path(folder), args.pace)
    for line in virtual(args.days, args.hours):
        say(line)


if __name__ == "__main__":
    main()
