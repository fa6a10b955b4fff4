"""A USB number pad as the keypad. It is ours alone while the station runs, is noticed when it is pulled, and is found again.

`/ * - +` are A B C D, in this order; so is Backspace B where there is one. The comma or point is the decimal point, Enter is
`#`. NumLock means nothing: with it on or off, and on pads that send the arrows themselves, a digit is its digit. A key "00"
or "000" is one 0: its strokes follow faster than a glove's.
"""
from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable, Mapping

from hardware.debounce import Key, Timing
from hardware.input_events import PRESSED, RELEASED, InputError, Reader, open_grabbed
from hardware.keypad import HELD
from hardware.ports import Trouble

CODES: dict[int, str] = {
    **dict(zip((82, 79, 80, 81, 75, 76, 77, 71, 72, 73), "0123456789", strict=True)),       # KEY_KP0 to KEY_KP9
    **dict(zip((110, 107, 108, 109, 105, 106, 102, 103, 104), "012346789", strict=True)),   # Insert, End, Down, PageDown ...
    **dict(zip((11, 2, 3, 4, 5, 6, 7, 8, 9, 10), "0123456789", strict=True)),               # KEY_0 to KEY_9
    83: "*", 121: "*", 111: "*", 52: "*", 51: "*",  # KEY_KPDOT, KEY_KPCOMMA, Delete (NumLock off), KEY_DOT, KEY_COMMA
    96: "#", 28: "#",                               # KEY_KPENTER, KEY_ENTER
    98: "A", 53: "A",                               # KEY_KPSLASH, KEY_SLASH
    55: "B", 14: "B",                               # KEY_KPASTERISK, KEY_BACKSPACE
    74: "C", 12: "C",                               # KEY_KPMINUS, KEY_MINUS
    78: "D",                                        # KEY_KPPLUS
}
"""The kernel's key codes -> tokens of the station's key map. Numbers: linux/input-event-codes.h."""

LOOK_S = 0.02
BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 4.0, 5.0)


class PadKeys:
    """Key events with their time to the station's keys. Pure."""

    def __init__(self, timing: Timing = Timing(), codes: Mapping[int, str] = CODES) -> None:
        self._codes = codes
        self._timing = Timing(1, timing.release_s, timing.hold_s, timing.stuck_s)  # a pad debounces its contacts itself
        self.forget()

    def forget(self) -> None:
        """Nothing is known to be down."""
        self._keys = {name: Key(name in HELD, self._timing) for name in sorted(set(self._codes.values()))}
        self._closed = dict.fromkeys(self._keys, False)
        for key in self._keys.values():
            key.look(0.0, False)

    @property
    def down(self) -> bool:
        return any(key.down for key in self._keys.values())

    def event(self, at: float, code: int, value: int) -> list[tuple[str, str]]:
        """(key, "press" | "hold" | "stuck" | "freed" | "up") for each thing that this event, and the time, make happen."""
        if code == -1:
            self.forget()
        if code not in self._codes or value not in (PRESSED, RELEASED):
            return []
        name = self._codes[code]
        key, before = self._keys[name], self._closed[name]
        self._closed[name] = value == PRESSED
        # First what the time since the last look makes happen: a late look must not join two presses into one.
        happened = (key.look(at, before) if key.down else "", key.look(at, self._closed[name]))
        return [(name, one) for one in happened if one]

    def look(self, at: float) -> list[tuple[str, str]]:
        """What only the time makes happen."""
        return [(name, happened) for name, key in self._keys.items() if key.down
                and (happened := key.look(at, self._closed[name]))]


class UsbPad:
    """Calls `on_key(name)` once a press, from its own thread.

    path         of the event device; take the lasting name in /dev/input/by-id, ending in -event-kbd
    on_lost      told one sentence when a pad that worked is gone; on_back() follows when it works again
    on_trouble   told one sentence: not there at the start, a key that sticks
    open_device  path -> file descriptor, or InputError; tests give a pipe
    codes        the kernel's codes -> keys of the map
    called       what it is called, and ``section`` where it stands in the settings
    """

    def __init__(self, path: str, on_key: Callable[[str], None], on_trouble: Trouble = lambda sentence: None,
                 on_lost: Trouble = lambda sentence: None, on_back: Callable[[], None] = lambda: None,
                 timing: Timing = Timing(), open_device: Callable[[str], int] = open_grabbed,
                 clock: Callable[[], float] = time.monotonic, codes: Mapping[int, str] = CODES, called: str = "USB pad",
                 section: str = "usb_pad") -> None:
        self.there, self._called = (section,), called
        self._path, self._on_key, self._on_trouble, self._on_lost, self._on_back = path, on_key, on_trouble, on_lost, on_back
        self._open, self._clock, self._keys = open_device, clock, PadKeys(timing, codes)
        self.alive = False
        self._wake_read, self._wake_write = os.pipe()
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="usb-pad", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Give the pad back to everybody."""
        if not self._closed:
            self._closed = True
            os.write(self._wake_write, b".")
            if self._thread is not threading.current_thread():
                self._thread.join(2.0)

    def _run(self) -> None:
        missing, told = False, ""
        tries = 0
        while not self._closed:
            try:
                fd = self._open(self._path)
            except InputError as error:
                if not missing and str(error) != told:
                    told = str(error)
                    self._on_trouble(f"The {self._called} {self._path} can't be used: {error}. "
                                     "It is used as soon as it can be.")
                self._wait(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
                tries += 1
                continue
            self.alive, tries = True, 0
            if missing or told:
                self._on_back()
            try:
                self._read(fd)
            finally:
                self.alive = False
                os.close(fd)
            if not self._closed:
                missing, told = True, ""
                self._on_lost(f"The {self._called} is gone: plug it in again, or use another keypad.")
                self._wait(BACK_OFF_S[0])
        os.close(self._wake_read)
        os.close(self._wake_write)

    def _read(self, fd: int) -> None:
        """Until the pad is gone or this is closed."""
        reader = Reader()
        self._keys.forget()
        while True:
            ready, _, _ = select.select([fd, self._wake_read], [], [], LOOK_S if self._keys.down else None)
            if self._wake_read in ready:
                return
            if fd in ready:
                try:
                    data = os.read(fd, 4096)
                except BlockingIOError:
                    continue
                except OSError:
                    return
                if not data:
                    return
                for at, code, value in reader.feed(data):
                    self._tell(self._keys.event(at, code, value))
                continue  # what was read is older than the clock says now: first all of it
            self._tell(self._keys.look(self._clock()))

    def _tell(self, happenings: list[tuple[str, str]]) -> None:
        for name, happened in happenings:
            if happened == "press":
                self._on_key(name)
            elif happened == "hold":
                self._on_key(HELD.get(name, name))
            elif happened == "stuck":
                self._on_trouble(f"Key {name} of the {self._called} sticks: free it. It counts again when it is let go.")
            elif happened == "freed":
                self._on_trouble(f"Key {name} of the {self._called} is free again.")

    def _wait(self, seconds: float) -> None:
        select.select([self._wake_read], [], [], seconds)
