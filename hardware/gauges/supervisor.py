"""One daemon thread that keeps a gauge: opens it, reads it, tells once that it is lost and once that it is back."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from decimal import Decimal

from hardware.gauges.sample import GaugeGone, Refused, Sample
from hardware.gauges.source import Source

FIRST_WAIT_S, LONGEST_WAIT_S = 0.25, 5.0
SILENT_S = 1.25         # without a reading for so long: the gauge counts as lost, 2 s after the last one at most
WATCHED = 50            # the last frames, of which
MANY = 10               # so many refused are told
CLOSE_LIMIT_S = 3.0


def waits() -> Iterator[float]:
    """Seconds from one attempt to open to the next, without end."""
    wait = FIRST_WAIT_S
    while True:
        yield wait
        wait = min(2 * wait, LONGEST_WAIT_S)


class Gauge:
    """A gauge on the wire. All callbacks come from its thread, which holds nothing back: a sample is handed on at once or
    never.

    on_sample   each reading
    on_trouble  one sentence: it can't be had at the start; many of its frames are refused; a caution about its kind
    on_lost     one sentence, once, when no readings come any more (unplugged: at once; else after 1.25 to 2 s)
    on_back     once, when readings come again, before the first of them
    """

    there = ("gauge",)

    def __init__(self, source: Callable[[Callable[[float], object]], Source], lowest_psi: Decimal, highest_psi: Decimal,
                 on_sample: Callable[[Sample], None], on_lost: Callable[[str], None], on_back: Callable[[], None],
                 on_trouble: Callable[[str], None]) -> None:
        self._closing = threading.Event()
        self._source = source(self._closing.wait)
        self._lowest, self._highest = lowest_psi, highest_psi
        self._on_sample, self._on_lost, self._on_back, self._on_trouble = on_sample, on_lost, on_back, on_trouble
        self._up = self._missed = self._cautioned = self._told_many = False
        self._waits, self._last, self._why = waits(), time.monotonic(), ""
        self._recent: deque[bool] = deque(maxlen=WATCHED)
        self._thread = threading.Thread(target=self._run, name="gauge", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether readings come."""
        return self._up

    @property
    def caution(self) -> str:
        """What its kind falls short of, one sentence; "" for nothing."""
        return self._source.caution

    def close(self) -> None:
        """No callback begins after this returned, unless the port hung for more than 3 s."""
        self._closing.set()
        if threading.current_thread() is not self._thread:
            self._thread.join(CLOSE_LIMIT_S)

    def _run(self) -> None:
        while not self._closing.is_set():
            try:
                self._source.open()
                self._last = time.monotonic()
                self._caution()
                self._listen()
            except GaugeGone as problem:
                self._miss(str(problem))
            except Exception as problem:
                self._miss(f"Reading the gauge failed ({type(problem).__name__}: {problem}).")
            finally:
                with contextlib.suppress(Exception):  # a port that fails as it is closed is opened again all the same
                    self._source.close()
            self._closing.wait(next(self._waits))
        self._up = False

    def _caution(self) -> None:
        if self._source.caution and not self._cautioned:
            self._cautioned = True
            self._on_trouble(self._source.caution)

    def _listen(self) -> None:
        while not self._closing.is_set():
            for found in self._source.read():
                if self._closing.is_set():
                    return
                self._take(found)
            if time.monotonic() - self._last > SILENT_S:
                self._miss(f"The gauge gives no reading: {self._why}." if self._why
                           else "The gauge sends nothing: check that it is switched on, and its cable.")

    def _take(self, found: Sample | Refused) -> None:
        if isinstance(found, Sample) and not self._lowest <= found.psi <= self._highest:
            found = Refused(f"it shows {found.psi:.2f} psi, outside its range of {self._lowest} to {self._highest} psi")
        self._recent.append(isinstance(found, Refused))
        if isinstance(found, Refused):
            self._why = found.why
            self._tell_many()
            return
        self._last, self._why = time.monotonic(), ""
        self._waits = waits()  # only a reading makes them short again: a port may open and be dead
        self._told_many = self._told_many and any(self._recent)
        self._up = True
        if self._missed:
            self._missed = False
            self._on_back()
        self._on_sample(found)

    def _tell_many(self) -> None:
        refused = sum(self._recent)
        if self._up and refused >= MANY and not self._told_many:
            self._told_many = True
            self._on_trouble(f"Of the gauge's last {len(self._recent)} frames {refused} give no reading; the last: {self._why}.")

    def _miss(self, sentence: str) -> None:
        """Tell a loss once; one that was there from the start is a trouble, nothing is lost yet."""
        if self._missed or self._closing.is_set():
            return
        self._missed, lost = True, self._up
        self._up = False
        self._recent.clear()
        (self._on_lost if lost else self._on_trouble)(sentence)
