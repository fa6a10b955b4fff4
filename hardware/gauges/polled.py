"""A gauge that answers one line when it is asked."""

from __future__ import annotations

import time

from hardware.gauges.line import reading_of
from hardware.gauges.lines import Lines
from hardware.gauges.pattern import Pattern
from hardware.gauges.sample import Refused, Sample
from hardware.gauges.serial_port import SerialPort
from hardware.gauges.source import Clock, Pause


class Rhythm:
    """Waits until the next question is due; questions that were missed are not made up for."""

    def __init__(self, every_s: float, pause: Pause) -> None:
        self._every_s, self._pause, self._next = every_s, pause, 0.0

    def wait(self) -> None:
        now = time.monotonic()
        if self._next > now:
            self._pause(self._next - now)
        self._next = max(self._next, now) + self._every_s


class PolledGauge:
    """Asks, takes the first line that comes, throws away whatever else came.

    request   sent each time
    every_s   from question to question
    answer_s  how long an answer may take
    """

    caution = ""

    def __init__(self, port: SerialPort, pattern: Pattern, request: bytes, every_s: float, answer_s: float,
                 clock: Clock, pause: Pause) -> None:
        self._port, self._pattern, self._request, self._answer_s = port, pattern, request, answer_s
        self._clock, self._rhythm = clock, Rhythm(every_s, pause)

    def open(self) -> None:
        self._port.open()

    def read(self) -> list[Sample | Refused]:
        self._rhythm.wait()
        self._port.ask(self._request)
        lines, echo = Lines(from_start=True), self._request.strip()
        end = time.monotonic() + self._answer_s
        while (left := end - time.monotonic()) > 0:
            for line in lines.feed(self._port.read(left)):
                if line is None or line.strip() != echo:  # a two-wire adapter may hear itself
                    return [reading_of(line, self._pattern, self._clock())]
        self._port.drain(self._answer_s / 2)
        return [Refused("it does not answer; check that it is switched on, its cable, and ask, baud and frame in [gauge]")]

    def close(self) -> None:
        self._port.close()
