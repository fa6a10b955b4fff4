"""A serial port as the gauges use it: whatever goes wrong with it is `GaugeGone`, and no wait is long.

Unplugged, pyserial raises SerialException, a plain OSError or termios.error, depending on where it is caught.
"""

from __future__ import annotations

import contextlib
import termios
import time
from collections.abc import Iterator
from typing import Any

import serial

from hardware.gauges.ports import find
from hardware.gauges.sample import GaugeGone

BITS, PARITY, STOP = {"7": 7, "8": 8}, {"N": "N", "E": "E", "O": "O"}, {"1": 1, "2": 2}
MOST = 4096       # bytes taken at once: what Linux keeps for a port
LONGEST_DRAIN_S = 0.3
UNPLUGGED = "The gauge was unplugged: plug it in again, or read it yourself"
"""Said aloud in the middle of a test, so it is short and without the system's own words."""
GONE = (serial.SerialException, OSError, termios.error)


class SerialPort:
    """One port. `frame` is data bits, parity and stop bits, as in "8N1"."""

    def __init__(self, port: str, baud: int, frame: str) -> None:
        self._port, self._baud, self._frame = port, baud, frame
        self._serial: Any = None           # a serial.Serial: pyserial says nothing of its types

    def open(self) -> None:
        """Find and open it, with nothing old in it: pyserial throws that away. GaugeGone where it fails."""
        path = find(self._port)
        bits, parity, stop = tuple(self._frame)
        with self._gone(f"The gauge's port {path} can't be opened"):
            try:
                self._serial = serial.Serial(path, self._baud, BITS[bits], PARITY[parity], STOP[stop], timeout=0,
                                             write_timeout=1.0, exclusive=True)
            except ValueError as problem:  # a speed that this port can't do
                raise GaugeGone(f"The gauge's port {path} refuses {self._baud} baud {self._frame}: {problem}.") from None
            self._mark_garbled()

    def _mark_garbled(self) -> None:
        """Let Linux hand on a byte with wrong parity or stop bit as 0, which fits no pattern; pyserial lets it pass.

        Source: termios(3), INPCK without IGNPAR and PARMRK.
        """
        fd = self._serial.fileno()
        now = termios.tcgetattr(fd)
        now[0] |= termios.INPCK
        termios.tcsetattr(fd, termios.TCSANOW, now)

    def read(self, wait_s: float) -> bytes:
        """What is there, waiting at most so long for the first byte; b"" where nothing came."""
        with self._gone(UNPLUGGED):
            port = self._serial
            port.timeout = wait_s
            first = port.read(1)
            port.timeout = 0
            return first + port.read(min(port.in_waiting, MOST)) if first else b""

    def ask(self, request: bytes) -> None:
        """Throw away what came unasked, then send."""
        with self._gone(UNPLUGGED):
            self._serial.reset_input_buffer()
            self._serial.write(request)

    def flush(self) -> None:
        """Throw away what has come so far."""
        with self._gone(UNPLUGGED):
            self._serial.reset_input_buffer()

    def drain(self, quiet_s: float, longest_s: float = LONGEST_DRAIN_S) -> None:
        """Throw away what comes until it was quiet for so long: a late answer must not pass for the next one's."""
        end = time.monotonic() + longest_s
        while self.read(quiet_s) and time.monotonic() < end:
            pass

    def close(self) -> None:
        port, self._serial = self._serial, None
        if port is not None:
            with contextlib.suppress(*GONE):
                port.close()

    @contextlib.contextmanager
    def _gone(self, sentence: str) -> Iterator[None]:
        try:
            yield
        except GONE as problem:
            if sentence is UNPLUGGED:
                raise GaugeGone(f"{sentence}.") from None
            why = problem.args[-1] if problem.args and isinstance(problem, termios.error) else getattr(problem, "strerror", None)
            raise GaugeGone(f"{sentence}{f' ({why})' if why else ''}.") from None
