"""The settings of a job and its meter, checked; and what the methods say of them."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from decimal import Decimal
from difflib import get_close_matches
from typing import Any

from assistant.core import rounding
from assistant.core.methods import registry, units
from assistant.core.methods.method import OwnValue
from assistant.core.methods.values import CYLINDER_SIZES, HALF_AT_LIMIT, Limits, Values, number, shown

__all__ = ["LIMITED", "METHOD", "Settings", "key_of", "number", "shown"]

LIMITED = registry.LIMITED
"""The results that a limit can be set on."""
METHOD = registry.VALUES
"""What the methods give for a value, and how far an agency may move it."""

CHOICES = {"rounding": rounding.RULES, "half_at_limit": HALF_AT_LIMIT, "units": units.SYSTEMS, "cylinder": CYLINDER_SIZES}
"""Settings that are one of a few words."""


def key_of(name: str) -> str:
    """The setting that a name of METHOD stands in."""
    return METHOD[name].key or name


@dataclass(frozen=True)
class Settings(Values):
    """Build with `from_mapping`, which checks."""

    @staticmethod
    def standing(name: str) -> str:
        """Where the default of one setting comes from."""
        return str(registry.SOURCES[name])

    @classmethod
    def from_mapping(cls, given: Mapping[str, Any]) -> "Settings":
        """Settings from a mapping: numbers as Decimal, int or text (never float: 0.20 must stay 0.20).

        What is left out keeps its default. ValueError, one sentence: the key, the value, what is allowed.
        """
        known = {f.name: f for f in fields(cls)}
        checked: dict[str, Any] = {}
        for key, value in given.items():
            if key not in known:
                near = get_close_matches(key, known, 3)
                raise ValueError(f"{key!r} is no setting: " + (f"did you mean {' or '.join(near)}" if near else
                                                               f"the settings are {', '.join(known)}"))
            if key == "limits":
                checked[key] = _limits(value)
            elif key == "step_targets":
                checked[key] = _targets(value)
            elif key in CHOICES:
                checked[key] = _one_of(key, value, CHOICES[key])
            elif value is None and known[key].default is None:
                checked[key] = None
            elif isinstance(known[key].default, bool):
                checked[key] = _switch(key, value)
            elif isinstance(known[key].default, int):
                checked[key] = _count(key, value, known[key].metadata)
            else:
                checked[key] = _within(key, value, known[key].metadata)
        settings = cls(**checked)
        settings.check_together()
        return settings

    @classmethod
    def of_record(cls, given: Mapping[str, Any]) -> "Settings":
        """As a test was begun with: what had no value then keeps what went without saying."""
        before = {one.name: one.metadata.get("before") for one in fields(cls)}
        return cls.from_mapping({**{name: value for name, value in before.items() if value is not None}, **given})

    @classmethod
    def for_test(cls, given: Mapping[str, Any]) -> "Settings":
        """The same for a test that is to begin: ValueError, too, for what leaves the method further than an agency may.

        A replay takes what was recorded, whatever is refused today.
        """
        settings = cls.from_mapping(given)
        registry.check(given, settings)
        for name, row in METHOD.items():
            value = settings.used(name)
            if not row.agency[0] <= value <= row.agency[1]:
                key = row.called(settings) if row.called else key_of(name)
                shown_ = ", ".join(map(str, settings.step_targets)) if key == "step_targets" else f"{value:f}"
                which = f" for step {name[-1]}" if key == "step_targets" else ""
                raise ValueError(f"{key} is {shown_}: {_words(row, which)}")
        return settings

    def used(self, name: str) -> Decimal:
        """The value that a test goes by, for a name of METHOD."""
        its = METHOD[name].used
        return its(self) if its else getattr(self, name)

    def to_mapping(self) -> dict[str, Any]:
        """Ready for JSON, decimals as text; `from_mapping` gives back exactly the same settings."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}


def _words(row: OwnValue, which: str) -> str:
    """What is allowed of one value of METHOD."""
    def of(pair: tuple[Decimal, Decimal]) -> str:
        return f"{pair[0]:f}" if pair[0] == pair[1] else f"{pair[0]:f} to {pair[1]:f}"
    if row.agency == row.own:
        return f"the method has {of(row.own)}{which}, and nobody may move it"
    return f"{'usual is' if row.check else 'the method has'} {of(row.own)}, and an agency may set {of(row.agency)}"


def _within(key: str, value: Any, bounds: Mapping[str, Any]) -> Decimal:
    found = number(key, value)
    if not bounds["low"] <= found <= bounds["high"]:
        unit = f" ({bounds['unit']})" if bounds["unit"] else ""
        allowed = f"from {bounds['low']} to {bounds['high']}{unit}"
        raise ValueError(f"{key} is {shown(found)}: it must be {allowed}")
    return found


def _count(key: str, value: Any, bounds: Mapping[str, Any]) -> int:
    found = _within(key, value, bounds)
    if found != int(found):
        raise ValueError(f"{key} is {shown(found)}: it must be a whole number")
    return int(found)


def _switch(key: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError(f"{key} is {shown(value)}: it must be true or false")
    return value


def _one_of(key: str, value: Any, allowed: tuple[str, ...]) -> str:
    if not isinstance(value, str) or value not in allowed:
        raise ValueError(f"{key} is {shown(value)}: it must be {' or '.join(allowed)}")
    return value


def _targets(value: Any) -> tuple[Decimal, Decimal, Decimal]:
    if not isinstance(value, list | tuple) or len(value) != 3:
        raise ValueError(f"step_targets is {shown(value)}: it must be three pressures, such as 14.5, 30, 45")
    low, middle, high = (number("step_targets", each) for each in value)
    if not 0 < low < middle < high:
        raise ValueError(f"step_targets is {low}, {middle}, {high}: each must be above the one before")
    return low, middle, high


def _limits(value: Any) -> dict[str, Limits]:
    if not isinstance(value, Mapping):
        raise ValueError(f"limits is {shown(value)}: it must name results, each with its lowest and highest")
    found: dict[str, Limits] = {}
    for name, pair in value.items():
        if name not in LIMITED:
            raise ValueError(f"limits names {shown(name)}: the results are {', '.join(LIMITED)}")
        if not isinstance(pair, list | tuple) or len(pair) != 2:
            raise ValueError(f"the limits of {name} are {shown(pair)}: give the lowest and the highest, "
                             "null for none, such as [4.5, 7.5]")
        low, high = (None if side is None else number(f"a limit of {name}", side) for side in pair)
        if any(side is not None and side < 0 for side in (low, high)):
            raise ValueError(f"a limit of {name} is {shown(low if low is not None and low < 0 else high)}: "
                             "it must not be negative")
        if low is not None and high is not None and low > high:
            raise ValueError(f"the limits of {name} are {low} and {high}: the lowest comes first")
        found[name] = (low, high)
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    return value
