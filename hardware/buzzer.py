"""The buzzer, for sites where no loudspeaker is heard. hardware/rhythms.py has its patterns.

An active one makes its own tone when it has current; a passive one needs the tone from the Pi. Wiring: through a transistor, with
a diode across a coil: most draw more than a pin may give.
"""
from __future__ import annotations

import time
from collections.abc import Callable

from hardware.lamp import Lamp
from hardware.ports import Trouble
from hardware.rhythms import BUZZER

TAIL_S = 0.1
"""The ear needs so long after the last sound: echo, and what is still in the microphone's buffer."""


class Buzzer(Lamp):
    """As the lamp, in sound.

    hertz  the tone of a passive buzzer; None: an active one
    """

    what = "buzzer"
    patterns = BUZZER

    there = ("buzzer",)

    def __init__(self, pin: int, on_trouble: Trouble = lambda sentence: None, active_high: bool = True,
                 hertz: int | None = None, clock: Callable[[], float] = time.monotonic, threaded: bool = True) -> None:
        self._hertz, self._quiet_at = hertz, float("-inf")
        super().__init__(pin, on_trouble, active_high, clock, threaded)

    def _open(self, pin: int, active_high: bool):
        if self._hertz is None:
            return super()._open(pin, active_high)
        from gpiozero import PWMOutputDevice
        return _Tone(PWMOutputDevice(pin, active_high=active_high, frequency=self._hertz))

    @property
    def deaf(self) -> bool:
        """It sounds, or has just done so: what the microphone hears now is the buzzer."""
        return self.on or self._clock() < self._quiet_at + TAIL_S

    def look(self) -> float | None:
        before, left = self.on, super().look()
        if before and not self.on:
            self._quiet_at = self._clock()
        return left


class _Tone:
    """A square wave while it is on."""

    def __init__(self, device) -> None:
        self._device = device

    @property
    def closed(self) -> bool:
        return self._device.closed

    def on(self) -> None:
        self._device.value = 0.5

    def off(self) -> None:
        self._device.value = 0

    def close(self) -> None:
        self._device.close()
