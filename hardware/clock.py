"""The boot clock: it runs on through suspend, nobody can set it, and it starts again at a reboot."""
from __future__ import annotations

import time
from pathlib import Path

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def boot_now() -> float:
    """Seconds since boot, suspend included."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def boot_id() -> str:
    """Changes at every reboot; empty where the system tells none."""
    try:
        return _BOOT_ID.read_text().strip()
    except OSError:
        return ""


class Watch:
    """Notices that the wall clock was moved, or that the machine slept. Look at it about once a second."""

    JUMP_S = 2.0
    SLEEP_S = 1.0

    def __init__(self) -> None:
        self._wall = time.time() - boot_now()
        self._slept = boot_now() - time.monotonic()

    def look(self) -> tuple[float, float]:
        """Seconds by which the wall clock jumped and seconds slept, since the last look that found any."""
        wall, slept = time.time() - boot_now(), boot_now() - time.monotonic()
        jumped, sleep = wall - self._wall, slept - self._slept
        if abs(jumped) < self.JUMP_S:
            jumped = 0.0
        else:
            self._wall = wall
        if sleep < self.SLEEP_S:
            sleep = 0.0
        else:
            self._slept = slept
        return jumped, sleep
