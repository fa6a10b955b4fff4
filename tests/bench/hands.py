"""Measures the hands on this machine: `python -m tests.bench.hands [--presses N]`. Prints one JSON object.

latency_ms   from the contact that closes to the callback, on the real clock: median, 95 of 100, most, and how many presses of
             60 ms were never told; alone, and while this process decodes one reading after another. `apart` is as the station
             has it, in a process of its own. The matrix is hardware/fake_matrix.py on mock pins, the USB pad is a pipe
cpu_percent  of one core for the keypad's thread: nothing pressed, and one key down. Mock pins are Python, and lgpio's cost may
             differ: what counts is `accesses_a_second`
bounce       presses of random length, each bouncing for 30 ms after both edges and one in three struck twice, on a clock
             turned by hand: how many came once, never, more than once, or as another key
clumsy       up to four keys at once, bouncing: keys told, and keys told that no finger had pressed
"""
from __future__ import annotations

import argparse
import json
import os
import random
import sys
import threading
import time
from decimal import Decimal

from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from assistant.core.expect import Expect
from assistant.station.station_settings import KNOWN
from hardware.fake_matrix import FakeMatrix, HandClock
from hardware.header_process import HeaderProcess
from hardware.input_events import EVENT
from hardware.keypad import HELD, LEGEND, SCAN_S, Keypad
from hardware.synth import Synth
from hardware.usb_pad import UsbPad
from models.ear import open_ear

ROWS, COLUMNS = (5, 6, 13, 26), (16, 17, 22, 23)
PLAIN = "".join(key for key in "".join(LEGEND) if key not in HELD)
"""Keys that are told when they go down; the others only when they are let go, since they mean something else when held."""


def spread(seconds: list[float]) -> dict[str, float]:
    found = sorted(1000 * one for one in seconds)
    return {"p50": round(found[len(found) // 2], 1), "p95": round(found[int(len(found) * 0.95)], 1), "most": round(found[-1], 1)}


def plan(presses: int, begin: float) -> list[tuple[str, float]]:
    """Keys and the times at which they close."""
    chance = random.Random(7)
    return [(PLAIN[n % len(PLAIN)], begin + 0.1 * n + chance.random() / 50) for n in range(presses)]


CHILD = """
import sys, time
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
from hardware import header_process
from hardware.fake_matrix import FakeMatrix
from tests.bench.hands import COLUMNS, ROWS, plan
Device.pin_factory = MockFactory()
matrix = FakeMatrix(Device.pin_factory, ROWS, COLUMNS, time.monotonic)
for name, at in plan(int(sys.argv[1]), float(sys.argv[2])):
    matrix.press(name, at, at + 0.06)
header_process.main()
"""


def matrix_latency(presses: int, in_process: bool) -> dict[str, float]:
    came: list[tuple[str, float]] = []

    def take(name: str) -> None:
        came.append((name, time.monotonic()))

    begin = time.monotonic() + 1.5
    wanted = plan(presses, begin)
    if in_process:
        Device.pin_factory = MockFactory()
        matrix = FakeMatrix(Device.pin_factory, ROWS, COLUMNS, time.monotonic)
        for name, at in wanted:
            matrix.press(name, at, at + 0.06)
        keypad = Keypad(ROWS, COLUMNS, take)
    else:
        settings = {"keypad": {key: rule.default for key, rule in KNOWN["keypad"].items()} | {"kind": "matrix"}}
        keypad = HeaderProcess(settings, take, print, command=[sys.executable, "-c", CHILD, str(presses), str(begin)])
    time.sleep(wanted[-1][1] + 0.5 - time.monotonic())
    keypad.close()
    found = []
    for name, at in wanted:
        if came and came[0][0] == name:
            found.append(came.pop(0)[1] - at)
    return {**spread(found), "missed": presses - len(found), "odd": len(came)}


def decode(stop: threading.Event) -> None:
    """One reading after another, and what follows on it: more than a technician ever says."""
    ear, synth = open_ear(), Synth()
    said = [synth.render(text) for text in ("seven point two five", "three one point eight one", "say again")]
    while not stop.is_set():
        for pcm in said:
            ear.understand(pcm, synth.RATE, Expect("reading", Decimal(5), Decimal(9), 2))
            ear.understand(pcm, synth.RATE, Expect("command"))
    synth.close()


def while_decoding(measure):
    stop = threading.Event()
    thread = threading.Thread(target=decode, args=(stop,))
    thread.start()
    time.sleep(3)
    try:
        return measure()
    finally:
        stop.set()
        thread.join()


def event(code: int, value: int) -> bytes:
    now = time.monotonic()
    return EVENT.pack(int(now), int(now % 1 * 1e6), 1, code, value)


def usb_latency(presses: int) -> dict[str, float]:
    read, write = os.pipe()
    os.set_blocking(read, False)
    came, found = threading.Event(), []
    pad = UsbPad("", lambda name: came.set(), open_device=lambda path: read)
    for n in range(presses):
        came.clear()
        begin = time.monotonic()
        os.write(write, event((79, 80)[n % 2], 1))
        came.wait(5)
        found.append(time.monotonic() - begin)
        os.write(write, event((79, 80)[n % 2], 0))
        time.sleep(0.06)
    pad.close()
    os.close(write)
    return spread(found)


def cpu(down: bool, seconds: float = 4.0) -> tuple[float, float]:
    """Percent of a core, and accesses to pins a second."""
    Device.pin_factory = MockFactory()
    accesses = [0]

    class Counted(FakeMatrix):
        def took(self, seconds: float) -> None:
            accesses[0] += 1

    matrix = Counted(Device.pin_factory, ROWS, COLUMNS, time.monotonic)
    begin = time.monotonic()
    if down:
        matrix.press("5", begin, begin + 60)
    keypad = Keypad(ROWS, COLUMNS, lambda name: None)
    time.sleep(0.2)
    accesses[0], used, begin = 0, time.process_time(), time.monotonic()
    time.sleep(seconds)
    used, lasted = time.process_time() - used, time.monotonic() - begin
    keypad.close()
    return round(100 * used / lasted, 1), round(accesses[0] / lasted)


class ByHand:
    """A keypad on a clock turned by hand."""

    def __init__(self, seed: int) -> None:
        Device.pin_factory = MockFactory()
        self.clock, self.keys = HandClock(), []
        self.matrix = FakeMatrix(Device.pin_factory, ROWS, COLUMNS, self.clock, seed=seed)
        self.keypad = Keypad(ROWS, COLUMNS, lambda name: self.keys.append((name, self.clock())), clock=self.clock,
                             wait=self.clock.sleep, threaded=False)

    def until(self, at: float) -> list[tuple[str, float]]:
        while self.clock() < at:
            self.keypad.look()
            self.clock.sleep(SCAN_S)
        self.keypad.close()
        return self.keys


def bounce(presses: int) -> dict[str, int]:
    counts = {"presses": presses, "once": 0, "never": 0, "twice": 0, "another": 0}
    for lot in range(0, presses, 500):
        chance, one = random.Random(lot), ByHand(lot)
        wanted, at = [], 0.1
        for _ in range(min(500, presses - lot)):
            name, length = chance.choice(PLAIN), chance.uniform(0.06, 0.4)
            one.matrix.press(name, at, at + length, bounce_s=0.03)
            if chance.random() < 1 / 3:
                again = at + length + chance.uniform(0.03, 0.06)
                one.matrix.press(name, again, again + 0.08, bounce_s=0.03)
            wanted.append((name, at))
            at += length + 0.4
        told = one.until(at)
        for name, begin in wanted:
            within = [key for key, when in told if begin <= when < begin + 0.4 + 0.06]
            counts["another"] += any(key != name for key in within)
            counts[("never", "once", "twice")[min(2, within.count(name))]] += 1
    return counts


def clumsy(seconds: int) -> dict[str, int]:
    told = invented = shorts = 0
    for seed in range(max(1, seconds // 60)):
        chance, one, pressed = random.Random(seed), ByHand(seed), []
        for name in "".join(LEGEND):
            at = 0.1
            while (at := at + chance.expovariate(0.25)) < 60:
                until = at + chance.uniform(0.02, 1.5)
                one.matrix.press(name, at, until, bounce_s=chance.choice((0, 0.01, 0.03)))
                pressed.append((name, at, until))
                at = until + 0.05
        keys = one.until(62)
        told, shorts = told + len(keys), shorts + one.matrix.shorts
        invented += sum(not any(name[0] == key and at <= when <= until + (0.2 if key in HELD else 0.05)
                                for key, at, until in pressed) for name, when in keys)
    return {"seconds": 60 * max(1, seconds // 60), "told": told, "invented": invented, "shorts": shorts}


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--presses", type=int, default=100)
    presses = asked.parse_args().presses
    idle, pressed = cpu(False), cpu(True)
    print(json.dumps({
        "latency_ms": {"keypad": matrix_latency(presses, True), "keypad apart": matrix_latency(presses, False),
                       "usb_pad": usb_latency(presses),
                       "while decoding": {"keypad": while_decoding(lambda: matrix_latency(presses, True)),
                                          "keypad apart": while_decoding(lambda: matrix_latency(presses, False)),
                                          "usb_pad": while_decoding(lambda: usb_latency(presses))}},
        "cpu_percent": {"idle": idle[0], "a key down": pressed[0]},
        "accesses_a_second": {"idle": idle[1], "a key down": pressed[1]},
        "bounce": bounce(20 * presses), "clumsy": clumsy(6 * presses)}, indent=1))


if __name__ == "__main__":
    main()
