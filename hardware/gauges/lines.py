"""Lines out of a stream of bytes, however it is cut: pure, and never more than one line in memory."""

from __future__ import annotations

import re

LONGEST = 128  # bytes of a line; a gauge's are far shorter
_END = re.compile(rb"[\r\n]")


class Lines:
    """Cuts at carriage return or line feed; empty lines are none.

    What comes before the first end is dropped unless `from_start`: joined in the middle of a line, "4.50 psi" would
    look like a whole one where "14.50 psi" was sent.
    """

    def __init__(self, from_start: bool = False) -> None:
        self._from_start = from_start
        self.restart()

    def restart(self) -> None:
        """Forget what is half there."""
        self._part, self._skip, self._too_long = b"", not self._from_start, False

    def feed(self, data: bytes) -> list[bytes | None]:
        """The lines that are whole now, in order; None for each that was longer than 128 bytes."""
        *whole, rest = _END.split(data)
        lines = [line for part in whole for line in self._ended(part)]
        self._add(rest)
        return lines

    def _add(self, part: bytes) -> None:
        if not self._skip and not self._too_long:
            self._part += part[:LONGEST + 1]
            if len(self._part) > LONGEST:
                self._part, self._too_long = b"", True

    def _ended(self, part: bytes) -> list[bytes | None]:
        self._add(part)
        line, skipped, too_long = self._part, self._skip, self._too_long
        self._part, self._skip, self._too_long = b"", False, False
        return [] if skipped else [None] if too_long else [line] if line else []
