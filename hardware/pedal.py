"""A pedal or one big button, so that both hands stay on the meter.

Wiring: a contact that closes, between the pin and ground; the pin is pulled up inside the Pi. A short press is `#` (next, yes).
Held, it is `#-held`: yes to a safety question, which a short press never is, and elsewhere say again. As a talk pedal it opens
the ear while it is pressed; a tap shorter than anyone's word is still `#`.
A short press is told when it is let go, since until then it might become a long one.
"""
from __future__ import annotations

import time
from collections.abc import Callable

from hardware.debounce import Key, Timing
from hardware.pins import opening
from hardware.ports import Trouble
from hardware.ticker import Ticker

TIMING = Timing(hold_s=0.7, stuck_s=30.0)
LOOK_S = 0.005
TAP_S = 0.3
"""Of a talk pedal: a press shorter than this is `#`. Ours: "yes", with the foot down before and up after, takes longer."""
STICKS = "The pedal sticks: free it. It counts again when it is let go."


class Pedal:
    """Calls `on_key("#")` or `on_key("#-held")`, from its own thread.

    pin       BCM number
    on_talk   for a talk pedal: True while it is pressed; to a safety question yes is said into it. None: an ordinary one
    on_trouble  told one sentence: it sticks, it is free again
    threaded=False: the test calls `look`. PinError, one sentence, when the pin can't be had.
    """

    there = ("pedal",)

    def __init__(self, pin: int, on_key: Callable[[str], None], on_trouble: Trouble = lambda sentence: None,
                 on_talk: Callable[[bool], None] | None = None, timing: Timing = TIMING,
                 clock: Callable[[], float] = time.monotonic, threaded: bool = True) -> None:
        self._on_key, self._on_trouble, self._on_talk, self._clock = on_key, on_trouble, on_talk, clock
        self._key, self._since, self._talking = Key(holds=on_talk is None, timing=timing), 0.0, False
        with opening("pedal"):
            from gpiozero import InputDevice
            self._device = InputDevice(pin, pull_up=True)
        self._ticker = Ticker("the pedal", self._tick, on_trouble) if threaded else None

    @property
    def alive(self) -> bool:
        return not self._device.closed and (self._ticker is None or self._ticker.alive)

    def close(self) -> None:
        if self._ticker is not None:
            self._ticker.close()
        self._talk(False)
        self._device.close()

    def look(self) -> None:
        at = self._clock()
        happened = self._key.look(at, bool(self._device.is_active))
        if happened == "stuck":
            self._talk(False)
            self._on_trouble(STICKS)
        elif happened == "freed":
            self._on_trouble("The pedal is free again.")
        elif self._on_talk is None:
            if happened in ("press", "hold"):
                self._on_key("#" if happened == "press" else "#-held")
        elif happened == "press":
            self._since = at
            self._talk(True)
        elif happened == "up" and self._talking:
            self._talk(False)
            if self._key.released_at - self._since < TAP_S:
                self._on_key("#")

    def _talk(self, on: bool) -> None:
        if self._on_talk is not None and on != self._talking:
            self._talking = on
            self._on_talk(on)

    def _tick(self) -> float:
        self.look()
        return LOOK_S
