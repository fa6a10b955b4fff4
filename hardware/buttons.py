"""Three big buttons, yes, no and say again: a whole test with one hand and no look.

They send keys of the station's map: yes is `#`, held `#-held`; no is `C`, however long it is held; say again is `A`, held `A-held`.
On the header each is a contact that closes, between a pin of its own and ground, wired as the pedal is (hardware/pedal.py).
By USB they are any pad, presenter or foot switch that types three keys (hardware/usb_pad.py), which `CODES` has by their names.
"""
from __future__ import annotations

import time
from collections.abc import Callable, Sequence

from hardware.debounce import Key, Timing
from hardware.keypad import HELD
from hardware.pins import Watched, opening
from hardware.ports import Trouble
from hardware.ticker import Ticker

NAMES = {"#": "yes", "C": "no", "A": "say again"}
"""Key of the map -> what the button is called, in the order of the settings."""
TIMING = Timing(hold_s=0.7, stuck_s=30.0)
LOOK_S = 0.005
TOGETHER = "Several buttons at once: none of them counts. Press one at a time."

_ROWS = ((2, "1234567890"), (16, "qwertyuiop"), (30, "asdfghjkl"), (44, "zxcvbnm"))
CODES: dict[str, int] = {
    **{name: first + n for first, row in _ROWS for n, name in enumerate(row)},
    "esc": 1, "backspace": 14, "tab": 15, "enter": 28, "space": 57, "minus": 12, "slash": 53,
    **{f"f{n}": 58 + n for n in range(1, 11)}, "f11": 87, "f12": 88,
    "home": 102, "up": 103, "pageup": 104, "left": 105, "right": 106, "end": 107, "down": 108, "pagedown": 109,
    "kpslash": 98, "kpasterisk": 55, "kpminus": 74, "kpplus": 78, "kpenter": 96, "volumeup": 115, "volumedown": 114,
}
"""Name of a key -> the kernel's code. Numbers: linux/input-event-codes.h."""


def codes(names: str) -> dict[int, str]:
    """The kernel's code -> key of the map, for the names of three keys: yes, no, say again. KeyError, ValueError: they are not."""
    return {CODES[name]: key for name, key in zip(names.split(), NAMES, strict=True)}


def three(names: object) -> bool:
    """Whether a setting names three different keys."""
    return isinstance(names, str) and len(names.split()) == len(set(names.split())) == len(NAMES) and set(names.split()) <= CODES.keys()


class Buttons(Watched):
    """Calls `on_key(name)` once a press, from its own thread.

    pins        BCM numbers of yes, no and say again
    on_trouble  told one sentence: two pressed together, one that sticks, one that is free again
    threaded=False: the test calls `look`. PinError, one sentence, when a pin can't be had.
    """

    there = ("buttons",)

    def __init__(self, pins: Sequence[int], on_key: Callable[[str], None], on_trouble: Trouble = lambda sentence: None,
                 timing: Timing = TIMING, clock: Callable[[], float] = time.monotonic, threaded: bool = True) -> None:
        self._on_key, self._on_trouble, self._clock = on_key, on_trouble, clock
        self._keys = {name: Key(True, timing) for name in NAMES}
        """All are told when they are let go: until then another may join."""
        self._together = False
        self._devices = []
        with opening("buttons"):
            from gpiozero import InputDevice
            try:
                for pin in pins:
                    self._devices.append(InputDevice(pin, pull_up=True))
            except BaseException:
                self._release()
                raise
        self._ticker = Ticker("the buttons", self._tick, on_trouble) if threaded else None

    def look(self) -> None:
        at = self._clock()
        closed = {name for name, device in zip(NAMES, self._devices, strict=True) if device.is_active}
        happened = {name: key.look(at, name in closed) for name, key in self._keys.items()}
        if len(closed) > 1:  # a hand on two of them: what either meant is not known
            for name in closed:
                self._keys[name].ignore(at)
                happened[name] = ""
            if not self._together:
                self._on_trouble(TOGETHER)
        self._together = bool(closed) and (self._together or len(closed) > 1)
        for name, what in happened.items():
            if what in ("press", "hold"):
                self._on_key(HELD.get(name, name) if what == "hold" else name)
            elif what == "stuck":
                self._on_trouble(f"The button {NAMES[name]} sticks: free it. It counts again when it is let go.")
            elif what == "freed":
                self._on_trouble(f"The button {NAMES[name]} is free again.")

    def _tick(self) -> float:
        self.look()
        return LOOK_S
