"""What stands in the JSON of `bowlside work`: checked key by key, each mistake one plain sentence."""
from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from assistant.core.assessment import ResultSpec
from assistant.core.methods import units
from assistant.core.methods.values import Values, shown
from assistant.core.methods.values import number as any_number


@dataclass(frozen=True)
class WorkInput:
    """Every method raises ValueError, one sentence, on what is not the test's input."""
    given: Mapping[str, Any]
    for_test: Callable[[Mapping[str, Any]], Values]
    """Settings, checked as for a test that is to begin."""

    COMMON = ("limits", "rounding")
    """Keys of every test that gives a verdict."""

    def __contains__(self, key: str) -> bool:
        return key in self.given

    def keys(self, needed: tuple[str, ...], optional: tuple[str, ...]) -> None:
        for key in self.given:  # first: what is missing is mostly given under another name, charge_kpa for charge_psi
            if key not in needed + optional:
                raise ValueError(f"{shown(key)} is not known here: the keys are {', '.join(needed + optional)}")
        for key in needed:
            if key not in self.given:
                raise ValueError(f"{key} is missing: this test needs {' and '.join(needed)}")

    def settings(self, numbers: tuple[str, ...], results: Sequence[ResultSpec], system: str = "") -> Values:
        """The settings that may stand among the readings; JSON text is not taken for a number.

        numbers: keys that are settings themselves; results: those that a limit may be set on; system: of units.
        """
        for key in numbers:
            if key in self.given:
                self.reading(key)
        limits, names = self.given.get("limits", {}), [one.name for one in results]
        for name, pair in limits.items() if isinstance(limits, dict) else ():
            if name not in names:
                raise ValueError(f"limits names {shown(name)}: this test gives {' and '.join(names)}")
            for side in pair if isinstance(pair, list) else ():
                if side is not None:
                    number(f"a limit of {name}", side)
        wanted = (*numbers, *self.COMMON)
        its_units = {"units": system} if system else {}
        return self.for_test({**its_units, **{key: self.given[key] for key in wanted if key in self.given}})

    def reading(self, key: str) -> Decimal:
        return number(key, self.given[key])

    def signed(self, key: str) -> Decimal:
        """One that may be below zero, as a temperature."""
        return number(key, self.given[key], below_zero=True)

    def optional(self, key: str) -> Decimal | None:
        return self.reading(key) if key in self.given else None

    def readings(self, key: str) -> list[Decimal]:
        """A list of numbers, at least one."""
        values = self.given[key]
        if not isinstance(values, list) or not 1 <= len(values) <= 100:
            raise ValueError(f"{key} must be a list of readings, such as [14.50, 14.51]")
        return [number(f"{key}, number {n}", value) for n, value in enumerate(values, 1)]

    def as_many(self, key: str, other: str) -> tuple[list[Decimal], list[Decimal]]:
        """Two lists of the same length."""
        two = self.readings(key), self.readings(other)
        if len(two[0]) != len(two[1]):
            raise ValueError(f"{key} and {other} must have as many readings as each other")
        return two

    def two_runs(self, key: str) -> list[list[Decimal]]:
        runs = self.given[key]
        whole = isinstance(runs, list) and len(runs) == 2
        if not whole or not all(isinstance(steps, list) and len(steps) == 3 for steps in runs):
            raise ValueError(f"{key} must be two runs of three, such as [[14.5, 30, 45], [14.5, 30, 45]]")
        return [[number(f"{key}, run {r} step {s}", value) for s, value in enumerate(steps, 1)]
                for r, steps in enumerate(runs, 1)]

    def yes_or_no(self, key: str, default: bool) -> bool:
        value = self.given.get(key, default)
        if not isinstance(value, bool):
            raise ValueError(f"{key} is {shown(value)}: it must be true or false")
        return value

    def one_system(self, inch_pound: tuple[str, ...], si: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
        """(the system of units, its keys): whichever the keys belong to, never both."""
        mine, other = ([key for key in keys if key in self.given] for keys in (inch_pound, si))
        if mine and other:
            raise ValueError(f"{mine[0]} and {other[0]} are of two systems of units: give all in one")
        return (units.SI, si) if other else (units.INCH_POUND, inch_pound)


def number(key: str, value: Any, below_zero: bool = False) -> Decimal:
    """A number straight from the JSON, of a sensible size, and 0 or above unless it may lie below."""
    if not isinstance(value, Decimal):
        raise ValueError(f"{key} is {shown(value)}: it must be a number")
    sized = any_number(key, value)
    if sized < 0 and not below_zero:
        raise ValueError(f"{key} is {shown(value)}: it must not be negative")
    return sized
