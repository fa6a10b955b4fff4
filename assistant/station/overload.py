"""Keeps a device that babbles from filling the queue, the record and the card: what comes too thick is dropped, and told once."""
from __future__ import annotations

from collections.abc import Callable

KEYS_A_SECOND = 25
"""A quick typist makes ten (common practice, no source); a broken keypad thousands, each of them an event that is synced."""
MOST_WAITING = 500
"""Things that wait for the loop. A card that stalls for 30 s lets some hundred samples of a gauge come together. Ours."""


class Gate:
    """Lets ``most`` through in any second that begins with the first; calls ``told`` at the first of each second that is dropped.

    now   a clock in seconds
    """

    def __init__(self, most: int, now: Callable[[], float], told: Callable[[], None] = lambda: None) -> None:
        self._most, self._now, self._told = most, now, told
        self._since, self._count = float("-inf"), 0

    def passes(self) -> bool:
        if self._now() - self._since >= 1.0:
            self._since, self._count = self._now(), 0
        self._count += 1
        if self._count == self._most + 1:
            self._told()
        return self._count <= self._most
