"""The simulated meter at the pace of a real one: a lock, and the boot clock's time handed in."""

from __future__ import annotations

import threading
from decimal import Decimal

from hardware.meter import Meter

NOTHING_PSI = 0.05
"""Of so little pressure in the bowl nobody sees anything come out. Ours."""


class LivePractice:
    """A `Meter` for several threads: the loop ticks it, the terminal's keys act on it, the screen looks.

    No clock inside: `now_s` is the boot clock in seconds, from any origin.
    """

    LONGEST_S = 3600.0  # of a longer absence (a suspended machine) only so much is lived through

    def __init__(self, meter: Meter):
        self._meter = meter
        self._lock = threading.Lock()
        self._now_s: float | None = None

    def tick(self, now_s: float) -> None:
        """Let the meter live up to `now_s`. A clock that went back, or a first look, lets no time pass."""
        with self._lock:
            if self._now_s is not None and now_s > self._now_s:
                self._meter.advance(min(now_s - self._now_s, self.LONGEST_S))
            self._now_s = now_s

    def act(self, action: str) -> str:
        """Do one action of `hardware.terminal.METER_KEYS`; the sentence to show, or "".

        ValueError (one sentence) for any other action.
        """
        meter = self._meter
        with self._lock:
            match action:
                case "pump" | "fine_pump":
                    return meter.pump(fine=action == "fine_pump")
                case "bleed" | "fine_bleed":
                    return meter.bleed(fine=action == "fine_bleed")
                case "lever_down" | "lever_up":
                    return meter.lever(action == "lever_down")
                case "strike":
                    return meter.strike()
                case "petcocks":
                    return meter.petcocks(not meter.petcocks_open) or (
                        "Petcocks open." if meter.petcocks_open else "Petcocks closed.")
                case "flood":
                    return meter.flood()
                case "unclamp":  # with the lid off the same key closes it on a fresh bowl
                    return meter.unclamp() if meter.lid_on else meter.close_lid()
        raise ValueError(f"The simulated meter knows no action {action!r}.")

    def gauge(self) -> Decimal:
        """What the gauge shows now, psi to 0.01."""
        with self._lock:
            return self._meter.gauge()

    def state(self) -> str:
        """How lever, petcocks and lid stand, in words: "lever HELD, petcocks closed, lid on". Open petcocks are SPRAYING until
        nothing comes out any more."""
        with self._lock:
            lever = "HELD" if self._meter.lever_down else "released"
            spraying = self._meter.lid_on and self._meter.bowl_psi >= NOTHING_PSI
            petcocks = "closed" if not self._meter.petcocks_open else "SPRAYING" if spraying else "OPEN"
            return f"lever {lever}, petcocks {petcocks}, lid {'on' if self._meter.lid_on else 'OFF'}"
