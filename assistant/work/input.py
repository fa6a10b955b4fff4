"""What stands in the JSON of `bowlside work`: read exactly, checked key by key, each mistake one plain sentence."""

import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from assistant import jsonline
from assistant.core.settings import Settings, shown

LONGEST = 100_000
"""Characters of input; a whole test takes a few hundred."""


def read(text: str) -> dict[str, Any]:
    if len(text) > LONGEST:
        raise ValueError(f"the input is over {LONGEST} characters long: give one JSON object of readings")
    if not text.strip():
        raise ValueError("the input is empty: give one JSON object of readings")
    try:
        given = jsonline.loads(text)
    except json.JSONDecodeError as wrong:
        where = f"line {wrong.lineno} column {wrong.colno}"
        raise ValueError(f"the input is no JSON, at {where}: {wrong.msg}") from None
    except ValueError as wrong:
        raise ValueError(f"the input can't be used: {wrong}") from None
    if not isinstance(given, dict):
        raise ValueError('give one JSON object, such as {"initial_psi": 45.20, "final_psi": 45.12}')
    return given


def keys(given: Mapping[str, Any], needed: tuple[str, ...], optional: tuple[str, ...]) -> None:
    for key in given:  # first: what is missing is mostly given under another name, charge_kpa for charge_psi
        if key not in needed + optional:
            raise ValueError(f"{shown(key)} is not known here: the keys are {', '.join(needed + optional)}")
    for key in needed:
        if key not in given:
            raise ValueError(f"{key} is missing: this test needs {' and '.join(needed)}")


def settings(given: Mapping[str, Any], numbers: tuple[str, ...], results: tuple[str, ...], system: str = "") -> Settings:
    """The settings that may stand among the readings; JSON text is not taken for a number.

    numbers: keys that are settings themselves; results: those that a limit may be set on; system: of units.
    """
    for key in numbers:
        if key in given:
            reading(key, given[key])
    limits = given.get("limits", {})
    if isinstance(limits, dict):
        for name, pair in limits.items():
            if name not in results:
                raise ValueError(f"limits names {shown(name)}: this test gives {' and '.join(results)}")
            for side in pair if isinstance(pair, list) else ():
                if side is not None:
                    reading(f"a limit of {name}", side)
    wanted = (*numbers, "limits", "rounding")
    units = {"units": system} if system else {}
    return Settings.for_test({**units, **{key: given[key] for key in wanted if key in given}})


def two_runs(given: Mapping[str, Any], key: str) -> list[list[Decimal]]:
    runs = given[key]
    whole = isinstance(runs, list) and len(runs) == 2
    if not whole or not all(isinstance(steps, list) and len(steps) == 3 for steps in runs):
        raise ValueError(f"{key} must be two runs of three, such as [[14.5, 30, 45], [14.5, 30, 45]]")
    return [[reading(f"{key}, run {r} step {s}", value) for s, value in enumerate(steps, 1)]
            for r, steps in enumerate(runs, 1)]


def reading(key: str, value: Any) -> Decimal:
    """A number straight from the JSON, 0 or above and of a sensible size."""
    if not isinstance(value, Decimal):
        raise ValueError(f"{key} is {shown(value)}: it must be a number")
    if value.adjusted() >= 6 or value.as_tuple().exponent < -12:
        raise ValueError(f"{key} is {shown(value)}: it must be below 1000000 and have at most 12 decimals")
    if value < 0:
        raise ValueError(f"{key} is {shown(value)}: it must not be negative")
    return value


def readings(given: Mapping[str, Any], key: str) -> list[Decimal]:
    """A list of numbers, at least one."""
    values = given[key]
    if not isinstance(values, list) or not 1 <= len(values) <= 100:
        raise ValueError(f"{key} must be a list of readings, such as [14.50, 14.51]")
    return [reading(f"{key}, number {n}", value) for n, value in enumerate(values, 1)]


def optional(given: Mapping[str, Any], key: str) -> Decimal | None:
    return reading(key, given[key]) if key in given else None


def yes_or_no(given: Mapping[str, Any], key: str, default: bool) -> bool:
    value = given.get(key, default)
    if not isinstance(value, bool):
        raise ValueError(f"{key} is {shown(value)}: it must be true or false")
    return value


def one_system(given: Mapping[str, Any], inch_pound: tuple[str, ...], si: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
    """("inch-pound" or "si", the keys of that system): whichever the keys belong to, never both."""
    mine, other = ([key for key in keys_of if key in given] for keys_of in (inch_pound, si))
    if mine and other:
        raise ValueError(f"{mine[0]} and {other[0]} are of two systems of units: give all in one")
    return ("si", si) if other else ("inch-pound", inch_pound)
