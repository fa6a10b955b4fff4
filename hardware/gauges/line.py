"""A gauge that sends lines without being asked."""

from __future__ import annotations

from hardware.gauges.lines import LONGEST, Lines
from hardware.gauges.pattern import Pattern
from hardware.gauges.sample import NotAReading, Refused, Sample, raw_of
from hardware.gauges.serial_port import SerialPort
from hardware.gauges.source import Clock

WAIT_S = 0.1
STALLED_S = 0.5  # not looked for so long (a suspended machine): what waits in the port is old


def reading_of(line: bytes | None, pattern: Pattern, at: float) -> Sample | Refused:
    """One line as a sample, or why it is none."""
    if line is None:
        return Refused(f"it sends more than {LONGEST} bytes without a line end; check baud and frame in [gauge]")
    try:
        return Sample(at, pattern.psi(line), raw_of(line))
    except NotAReading as problem:
        return Refused(str(problem))


class LineGauge:
    """Whole lines only: joining in the middle, or after a stall, drops all up to the next line's start."""

    caution = ""

    def __init__(self, port: SerialPort, pattern: Pattern, clock: Clock) -> None:
        self._port, self._pattern, self._clock = port, pattern, clock
        self._lines, self._looked = Lines(), 0.0

    def open(self) -> None:
        self._port.open()
        self._start()

    def _start(self) -> None:
        self._lines.restart()
        self._looked = self._clock()

    def read(self) -> list[Sample | Refused]:
        if self._clock() - self._looked > STALLED_S:
            self._port.flush()
            self._start()
        data = self._port.read(WAIT_S)
        at = self._looked = self._clock()
        return [reading_of(line, self._pattern, at) for line in self._lines.feed(data)]

    def close(self) -> None:
        self._port.close()
