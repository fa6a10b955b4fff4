"""One key under a wet glove: its contact bounces, is struck twice, is held down, or sticks. What of that counts as a press.

Pure: time comes in with every look, so that a test can bounce a contact as badly as it likes. The times are common practice
and our own choice, no source: a mechanical contact bounces for some milliseconds, a bad one for 30; people lift a finger
for more than 80 ms between two presses that they mean.
"""
from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Timing:
    """How long things must last. Seconds, but for `looks`."""

    looks: int = 3
    """seen closed so often in a row: it is pressed. One look that differs (an engine's ignition) begins again"""
    release_s: float = 0.08
    """seen open so long without a break: it is let go. Bounce, and a glove that strikes twice, stay within one press"""
    hold_s: float = 1.0
    """held so long: the key's second meaning, where it has one"""
    stuck_s: float = 8.0
    """down so long: nobody holds a key like that"""


class Key:
    """One contact. `look` is called with every look at it and answers what has just happened:

    "press"   it was pressed. A key with a second meaning tells so when it is let go, since it might have been held
    "hold"    it has been held for `hold_s` (only with `holds`)
    "up"      it was let go
    "stuck"   it has been down for `stuck_s`; whatever it does counts no more until it is let go
    "freed"   it was stuck and was let go
    ""        nothing

    A key that is down at the very first look does not count until it was let go: nobody has pressed it for us.
    """

    def __init__(self, holds: bool = False, timing: Timing = Timing()) -> None:
        self.down = False
        self.released_at = 0.0  # when it was last seen to open, for good
        self._holds, self._timing = holds, timing
        self._looks, self._down_at, self._seen = 0, 0.0, False
        self._open_since: float | None = None
        self._counted = self._stuck = False

    @property
    def closing(self) -> bool:
        """Seen closed, not yet often enough to be pressed."""
        return not self.down and self._looks > 0

    def look(self, at: float, closed: bool) -> str:
        """at: seconds on any clock that never goes back."""
        first, self._seen = not self._seen, True
        if closed:
            self._open_since, self._looks = None, self._looks + 1
            if first:
                self.ignore(at)
            return self._down(at) if self.down or self._looks >= self._timing.looks else ""
        self._looks = 0
        return self._open(at) if self.down else ""

    def ignore(self, at: float) -> None:
        """Whatever it does now doesn't count until it was let go."""
        if not self.down:
            self.down, self._down_at = True, at
        self._counted = True

    def _down(self, at: float) -> str:
        if not self.down:
            self.down, self._down_at = True, at
            if not self._holds:
                self._counted = True
                return "press"
        if self._holds and not self._counted and at - self._down_at >= self._timing.hold_s:
            self._counted = True
            return "hold"
        if not self._stuck and at - self._down_at >= self._timing.stuck_s:
            self._stuck = True
            return "stuck"
        return ""

    def _open(self, at: float) -> str:
        if self._open_since is None:
            self._open_since = at
        if at - self._open_since < self._timing.release_s:
            return ""
        counted, stuck = self._counted, self._stuck
        self.down = self._counted = self._stuck = False
        self.released_at, self._open_since = self._open_since, None
        return "freed" if stuck else "up" if counted else "press"
