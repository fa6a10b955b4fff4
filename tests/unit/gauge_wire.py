"""A pseudo-terminal in a test's hand, and a list of what a gauge told."""

from __future__ import annotations

import os
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

from hardware.gauges import Gauge, Sample, open_gauge


class Told:
    """Everything that a gauge told, in order: ("sample", Sample), ("lost", sentence), ("back",), ("trouble", sentence)."""

    def __init__(self) -> None:
        self.all: list[tuple[Any, ...]] = []
        self.at: list[float] = []
        """time.monotonic() of each"""
        self._news = threading.Condition()

    def note(self, kind: str) -> Callable[..., None]:
        def noted(*args: Any) -> None:
            with self._news:
                self.all.append((kind, *args))
                self.at.append(time.monotonic())
                self._news.notify_all()
        return noted

    def wait(self, enough: Callable[[], bool], limit_s: float = 60.0) -> None:
        with self._news:
            assert self._news.wait_for(enough, limit_s), f"after {limit_s} s only {self.all[-5:]}"

    def wait_a_little(self, enough: Callable[[], object]) -> None:
        """0.05 s, or less when it is enough."""
        with self._news:
            self._news.wait_for(lambda: bool(enough()), 0.05)

    def of(self, kind: str) -> list[Any]:
        return [one[1] if len(one) > 1 else True for one in self.all if one[0] == kind]

    def psi(self) -> list[Decimal]:
        return [sample.psi for sample in self.of("sample")]

    def more_samples(self, count: int = 1, limit_s: float = 60.0) -> list[Sample]:
        """Waits for so many samples from now on, and gives them."""
        before = len(self.of("sample"))
        self.wait(lambda: len(self.of("sample")) >= before + count, limit_s)
        return self.of("sample")[before:]


def told_by(settings: dict[str, Any], told: Told, **more: Any) -> Gauge:
    """The real thing: `open_gauge`, telling `told`."""
    gauge = open_gauge(settings, told.note("sample"), told.note("lost"), told.note("back"), told.note("trouble"), **more)
    assert gauge is not None
    return gauge


class Wire:
    """Both ends of a pseudo-terminal: the test writes and reads the one, `path` is the other."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)

    def send(self, data: bytes) -> None:
        os.write(self.master, data)

    def receive(self) -> bytes:
        return os.read(self.master, 4096)

    def pull_out(self) -> None:
        for end in (self._slave, self.master):
            os.close(end)
        self.master = self._slave = -1

    def close(self) -> None:
        if self.master >= 0:
            self.pull_out()


@contextmanager
def listening(**settings: Any) -> Iterator[tuple[Wire, Told]]:
    """A line gauge that listens to a wire. It has joined: the first whole line already counts."""
    wire, told = Wire(), Told()
    gauge = told_by({"kind": "line", "port": wire.path, **settings}, told)
    try:
        while not told.of("sample"):
            wire.send(b"\r\n1.23\r\n")  # until it has opened the port, what is sent is thrown away as old
            told.wait_a_little(lambda: told.of("sample"))
        yield wire, told
    finally:
        gauge.close()
        wire.close()
