"""The lamp: one bright light that tells from afar what the station is at. hardware/rhythms.py has its patterns.

Wiring: an LED with its resistor between the pin and ground, or a transistor that switches a lamp. A pin gives a few milliamperes.
"""
from __future__ import annotations

import time
from collections.abc import Callable, Mapping

from hardware.pins import opening
from hardware.ports import Trouble
from hardware.rhythms import LAMP, Rhythm
from hardware.ticker import Ticker


class Lamp:
    """Shows a pattern until another one is asked for. `show` and `close` from any thread.

    pin          BCM number
    active_high  the lamp lights when the pin is high
    threaded=False: the test calls `look`. PinError, one sentence, when the pin can't be had.
    """

    what = "lamp"
    patterns: Mapping[str, Rhythm] = LAMP

    there = ("lamp",)

    def __init__(self, pin: int, on_trouble: Trouble = lambda sentence: None, active_high: bool = True,
                 clock: Callable[[], float] = time.monotonic, threaded: bool = True) -> None:
        self._clock = clock
        self._now: tuple[str, float] = ("off", clock())  # pattern, since when
        self.on = False
        with opening(self.what):
            self._device = self._open(pin, active_high)
        self._ticker = Ticker(f"the {self.what}", self.look, on_trouble) if threaded else None

    def _open(self, pin: int, active_high: bool):
        from gpiozero import DigitalOutputDevice
        return DigitalOutputDevice(pin, active_high=active_high)

    @property
    def alive(self) -> bool:
        return not self._device.closed and (self._ticker is None or self._ticker.alive)

    @property
    def pattern(self) -> str:
        return self._now[0]

    def show(self, pattern: str) -> None:
        """A pattern that is shown already goes on in its rhythm. ValueError for an unknown one."""
        if pattern not in self.patterns:
            raise ValueError(f"There is no pattern {pattern!r}; the patterns are {', '.join(self.patterns)}.")
        if pattern != self._now[0]:
            self._now = (pattern, self._clock())
            if self._ticker is not None:
                self._ticker.wake()

    def look(self) -> float | None:
        """Switch as the pattern wants it now; seconds until it may change (None: not by itself)."""
        name, since = self._now
        on, left = self.patterns[name].at(self._clock() - since)
        if on != self.on:
            (self._device.on if on else self._device.off)()
            self.on = on
        return None if left is None else max(0.001, left)

    def close(self) -> None:
        """Off, and the pin an input again."""
        if self._ticker is not None:
            self._ticker.close()
        self.on = False
        self._device.close()
