"""A matrix keypad on the header: 4 x 4 keys, or fewer, with nothing but wires.

Wiring: each row and each column to a pin of its own; no diodes, no resistors. Columns are inputs pulled up inside the Pi.
While no key is down all rows are low together, and one read of the columns tells of any key: that is what costs little.
With a key down the rows are made low one after another, all others being inputs, so that two keys in one column never join
an output that is low to one that is high.

What is refused, and said once: keys that may be ghosts (hardware/matrix.py), and keys struck together, within
30 ms: that is a glove on two keys. Refused keys count again when they were let go. A key more while another is still down
(rollover) counts.
"""
from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from hardware.debounce import Key, Timing
from hardware.matrix import Contact, doubtful
from hardware.pins import Watched, opening
from hardware.ports import Trouble
from hardware.ticker import Ticker

LEGEND = ("123A", "456B", "789C", "*0#D")
HELD = {"#": "#-held", "A": "A-held", "B": "B-held", "D": "D-held"}
"""Keys with a second meaning when they are held. None on C: a no that is held too long must ask nothing else."""
SCAN_S = 0.005
SETTLE_S = 50e-6
"""A column needs so long to rise after a row was let go: 50 kilohm pull-up times 200 pF of cable is 10 us, and five of those."""

TOGETHER_S = 0.03
"""Keys that come down within this time were struck together, however they bounce. Ours; nobody types so fast."""
TOGETHER = "Several keys at once: none of them counts. Press one at a time."


def spin(seconds: float) -> None:
    """Wait without sleeping: whoever sleeps lets the interpreter's other threads in, and gets it back only milliseconds later."""
    until = time.perf_counter() + seconds
    while time.perf_counter() < until:
        pass


class Keypad(Watched):
    """Calls `on_key(name)` once a press, from its own thread.

    rows, columns  BCM pin numbers, top to bottom and left to right
    legend         a text a row: the name of each key
    scan_s         seconds between two looks
    on_trouble     told one sentence: keys struck together, a key that sticks, one that is free again
    clock, wait    seconds that never go back, and waiting some; tests bring their own. threaded=False: the test calls `look`

    PinError, one sentence, when the pins can't be had.
    """

    there = ("keypad",)

    def __init__(self, rows: Sequence[int], columns: Sequence[int], on_key: Callable[[str], None],
                 on_trouble: Trouble = lambda sentence: None, legend: Sequence[str] = LEGEND, timing: Timing = Timing(),
                 scan_s: float = SCAN_S, clock: Callable[[], float] = time.monotonic,
                 wait: Callable[[float], None] = spin, threaded: bool = True) -> None:
        self._on_key, self._on_trouble, self._clock, self._wait, self._scan_s = on_key, on_trouble, clock, wait, scan_s
        self._names: dict[Contact, str] = {(r, c): name for r, line in enumerate(legend) for c, name in enumerate(line)}
        self._keys = {place: Key(name in HELD, timing) for place, name in self._names.items()}
        self._closed_at: dict[Contact, float] = {}
        self._devices = []
        with opening("keypad"):
            try:
                self._claim(rows, columns)
            except BaseException:
                self._release()
                raise
        self._ticker = Ticker("the keypad", self._tick, on_trouble) if threaded else None

    def look(self) -> None:
        """One look at all keys, and what follows from it."""
        closed, at = self._closed(), self._clock()
        refused = doubtful(closed)
        was_down = {place for place, key in self._keys.items() if key.down}
        happened = {place: key.look(at, place in closed) for place, key in self._keys.items()}
        self._closed_at.update(dict.fromkeys(closed, at))
        fresh = {place for place, when in self._closed_at.items() if at - when < TOGETHER_S} - was_down
        if len(fresh) > 1 and any(self._keys[place].down for place in fresh):
            refused |= fresh
        for place, what in happened.items():
            if place in refused:
                self._keys[place].ignore(at)
            if what in ("stuck", "freed") or place not in refused:
                self._tell(self._names[place], what)
        if fresh & refused:
            self._on_trouble(TOGETHER)

    def _tell(self, name: str, happened: str) -> None:
        if happened == "press":
            self._on_key(name)
        elif happened == "hold":
            self._on_key(HELD[name])
        elif happened == "stuck":
            self._on_trouble(f"Key {name} of the keypad sticks: free it. It counts again when it is let go.")
        elif happened == "freed":
            self._on_trouble(f"Key {name} of the keypad is free again.")

    def _tick(self) -> float:
        self.look()
        return self._scan_s

    # --- the pins ------------------------------------------------------------------------------------------------------

    def _claim(self, rows: Sequence[int], columns: Sequence[int]) -> None:
        from gpiozero import GPIODevice, InputDevice
        for number in columns:
            self._devices.append(InputDevice(number, pull_up=True))
        for number in rows:
            self._devices.append(GPIODevice(number))
        self._columns = [device.pin for device in self._devices[:len(columns)]]
        self._rows = [device.pin for device in self._devices[len(columns):]]
        self._all_low()

    def _closed(self) -> set[Contact]:
        if not any(key.down for key in self._keys.values()) and not self._low_columns():
            return set()
        closed: set[Contact] = set()
        for row in self._rows:
            row.function = "input"
        try:
            for r, row in enumerate(self._rows):
                row.output_with_state(False)
                self._wait(SETTLE_S)
                closed |= {(r, c) for c in self._low_columns() if (r, c) in self._names}
                row.function = "input"
        finally:
            self._all_low()
        return closed

    def _low_columns(self) -> list[int]:
        return [c for c, pin in enumerate(self._columns) if not pin.state]

    def _all_low(self) -> None:
        for row in self._rows:
            row.output_with_state(False)
