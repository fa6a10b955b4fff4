"""A matrix keypad that really scans, on gpiozero's mock pins: for tests, and for trying the station at a desk.

`FakeMatrix` is the copper: a column is low when a chain of closed contacts joins it to a row that is driven low, which is
how ghosts come about. It bounces, lets a column rise slowly after a row was let go, and counts the times at which a low
output was joined to a high one. `HandClock` is a clock that only goes on when something takes time.

    factory, clock = MockFactory(), HandClock()
    matrix = FakeMatrix(factory, ROWS, COLUMNS, clock)
    matrix.press("5", at=1.0, until=1.2, bounce_s=0.03)
"""
from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Callable, Sequence

from gpiozero.pins.mock import MockFactory, MockPin

from hardware.keypad import LEGEND

READ_S = 20e-6
"""What one access to a pin takes. Assumed; not measured on a Pi."""
RISE_S = 10e-6
"""A column rises so long after the row that held it was let go: 50 kilohm times 200 pF."""


class HandClock:
    """A clock turned by hand: call it for the time, `sleep` to move it."""

    def __init__(self, now: float = 0.0) -> None:
        self.now = now

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds


class FakeMatrix:
    """Keys between the row and column pins of a MockFactory.

    shorts  how often an output that is low was found joined to one that is high
    """

    def __init__(self, factory: MockFactory, rows: Sequence[int], columns: Sequence[int],
                 clock: Callable[[], float], legend: Sequence[str] = LEGEND, seed: int = 1) -> None:
        self._clock, self._random, self.shorts = clock, random.Random(seed), 0
        self._places = {name: (r, c) for r, line in enumerate(legend) for c, name in enumerate(line)}
        self._changes: dict[tuple[int, int], list[float]] = {place: [] for place in self._places.values()}
        self._low_until = [float("-inf")] * len(columns)
        self._rows = [factory.pin(number, pin_class=_Row, matrix=self) for number in rows]
        for number, c in zip(columns, range(len(columns)), strict=True):
            factory.pin(number, pin_class=_Column, matrix=self, column=c)

    def press(self, name: str, at: float, until: float, bounce_s: float = 0.0) -> None:
        """Close a key from `at` to `until`; it chatters for `bounce_s` after both. Presses of one key in the order of time."""
        changes = self._changes[self._places[name]]
        for moment in (at, until):
            changes.append(moment)
            bounces = sorted(self._random.uniform(moment, moment + bounce_s) for _ in range(2 * self._random.randint(2, 8)))
            changes += bounces if bounce_s else []
        changes.sort()

    def closed(self, at: float) -> set[tuple[int, int]]:
        """The contacts that are closed: an odd number of changes behind them."""
        return {place for place, changes in self._changes.items() if bisect_right(changes, at) % 2}

    def is_low(self, column: int) -> bool:
        """What reading that column's pin gives."""
        now = self._clock()
        joined = self._joined(column)
        driven = {self._rows[r].state for r in joined if self._rows[r].function == "output"}
        self.shorts += len(driven) > 1
        if False in driven:
            self._low_until[column] = now + RISE_S
        return now < self._low_until[column]

    def _joined(self, column: int) -> set[int]:
        """The rows that a chain of closed contacts joins to a column."""
        closed, columns = self.closed(self._clock()), {column}
        rows: set[int] = set()
        while True:
            more = {r for r, c in closed if c in columns} - rows
            if not more:
                return rows
            rows |= more
            columns |= {c for r, c in closed if r in rows}

    def took(self, seconds: float) -> None:
        """An access to a pin takes time, on a clock turned by hand."""
        if isinstance(self._clock, HandClock):
            self._clock.sleep(seconds)


class _Row(MockPin):
    def __init__(self, factory: MockFactory, info: object, matrix: FakeMatrix) -> None:
        self._matrix = matrix
        super().__init__(factory, info)

    def _set_function(self, value: str) -> None:
        super()._set_function(value)
        self._matrix.took(READ_S)

    def _set_state(self, value: bool) -> None:
        super()._set_state(value)
        self.clear_states()     # gpiozero's mock keeps every change for ever, and a row changes hundreds of times a second
        self._matrix.took(READ_S)


class _Column(MockPin):
    def __init__(self, factory: MockFactory, info: object, matrix: FakeMatrix, column: int) -> None:
        self._matrix, self._column = matrix, column
        super().__init__(factory, info)

    def _get_state(self) -> bool:
        self._matrix.took(READ_S)
        return not self._matrix.is_low(self._column)
