"""Every number that a meter, a method or a job may set, with its default; and what the method itself says of it.

The standing of each default is in `standing.TABLE` under the same name.
"""

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from decimal import Decimal
from typing import Any

from assistant.core import rounding, standing, units

LIMITED = ("air_content", "system_air_metric", "leak_drop", "slump", "temperature", "density", "yield", "relative_yield",
           "theoretical_density", "gravimetric_air", "cement_content", "aggregate_correction", "canister_error", "gauge_error",
           "cure_high", "cure_low", "cure_hours", "cylinders_made")
"""The results that a limit can be set on."""

Limits = tuple[Decimal | None, Decimal | None]
"""(lowest, highest), each with the decimals it was written with; None for no limit on that side."""

CYLINDERS = ("4x8", "6x12", "9x18")
"""Diameter by height, in."""


@dataclass(frozen=True)
class Own:
    """What the method itself gives for one value, and how far an agency may move it; both ends count."""
    own: tuple[Decimal, Decimal]
    agency: tuple[Decimal, Decimal]
    tests: tuple[str, ...]
    """Those that use it, and tell that it was moved."""
    check: bool = False
    """No value of the method: one of our checks on readings."""


def _own(own: str, agency: str, *tests: str, check: bool = False) -> Own:
    (low, high), (least, most) = (map(Decimal, pair.split()) for pair in (own, agency))
    return Own((low, high), (least, most), tests, check)


_SEQUENTIAL, _LEAK, _AIR = ("sequential",), ("sequential", "leak"), ("sequential", "pressure-air")
METHOD: dict[str, Own] = {
    # A step written in kPa (100, 207, 310) is at most 0.04 psi off. The steps are the method; no agency moves them.
    "step_1": _own("14.45 14.55", "14.45 14.55", *_SEQUENTIAL),
    "step_2": _own("29.95 30.05", "29.95 30.05", *_SEQUENTIAL),
    "step_3": _own("44.95 45.05", "44.95 45.05", *_SEQUENTIAL),
    # Six starts off by 0.05 psi may make 0.09 of the metric (derived); at twice that, as much as is usually allowed of it.
    "band_psi": _own("0.01 0.05", "0.01 0.10", *_SEQUENTIAL),
    "settle_s": _own("5 60", "2 120", *_AIR),
    "tap_s": _own("10 10", "5 30", *_SEQUENTIAL),
    "tap_every_s": _own("0.2 2", "0.2 2", *_SEQUENTIAL),
    "hold_after_tap_s": _own("5 60", "2 120", *_SEQUENTIAL),
    "leak_low": _own("45.0 45.5", "44.5 46", *_LEAK),
    "leak_high": _own("45.0 45.5", "44.5 46", *_LEAK),
    "leak_settle_s": _own("5 10", "2 60", *_LEAK),
    "leak_hold_s": _own("300 300", "120 1800", *_LEAK),
    "leak_limit_psi": _own("0 0.12", "0 0.24", *_LEAK),
    "slump_s": _own("60 150", "60 300", "slump"),
    "lift_s": _own("5 5", "3 7", "slump"),
    "thermometer_s": _own("120 300", "60 600", "temperature"),
    "start_within_s": _own("60 300", "60 900", "sampling"),
    "mould_within_s": _own("60 900", "60 1800", "sampling"),
    "portions_within_s": _own("60 900", "60 1800", "sampling"),
    "gauge_tolerance_psi": _own("0 0.05", "0 0.20", "gauge-check"),
    "canister_tolerance_pct": _own("0 0.1", "0 0.5", "calibration"),
    # A check may be made closer, and at most half as close.
    "air_low_pct": _own("1 100", "0 100", *_AIR, check=True),
    "air_high_pct": _own("0 12", "0 24", *_AIR, check=True),
    "metric_high_psi": _own("0 0.80", "0 1.60", *_SEQUENTIAL, check=True),
    "ratio_difference": _own("0 0.10", "0 0.20", *_SEQUENTIAL, check=True),
    "below_prediction_psi": _own("0 1.0", "0 2.0", *_SEQUENTIAL, check=True),
    "above_prediction_psi": _own("0 0.3", "0 0.6", *_SEQUENTIAL, check=True),
}
"""Where each comes from is in `standing.TABLE`. That an agency may set times, tolerances and limits is common practice, no
source; how far is ours: wide enough for any that we know of, and too narrow for a point or a nought typed wrong."""


def key_of(name: str) -> str:
    """The setting that a name of METHOD stands in."""
    return "step_targets" if name.startswith("step_") else name


_SYSTEM_OF = {"_lb": units.INCH_POUND, "_ft3": units.INCH_POUND, "_yd3": units.INCH_POUND, "_kg": units.SI, "_m3": units.SI}
"""The system that the last part of a setting's name belongs to."""

_NUMBER = re.compile(r"-?\d{1,6}(\.\d{1,12})?")


def _set(default: str, low: str, high: str, unit: str) -> Any:
    bounds = {"low": Decimal(low), "high": Decimal(high), "unit": unit}
    return field(default=Decimal(default), metadata=bounds)


def _optional(low: str, high: str, unit: str) -> Any:
    """A number that only the job or the meter knows: None until it is given."""
    return field(default=None, metadata={"low": Decimal(low), "high": Decimal(high), "unit": unit})


@dataclass(frozen=True)
class Settings:
    """Numbers are Decimal (seconds too); `clamps` is an int. Build with `from_mapping`, which checks."""

    # the meter
    chamber_ratio: Decimal = _set("0.06", "0.001", "1", "chamber volume / bowl volume")
    max_psi: Decimal = _set("46", "1", "100", "psi")
    clamps: int = field(default=6, metadata={"low": 2, "high": 24, "unit": ""})
    # the job
    aggregate_correction_pct: Decimal = _set("0.0", "0", "10", "%")
    limits: Mapping[str, Limits] = field(default_factory=dict, hash=False)
    rounding: str = rounding.HALF_EVEN
    units: str = units.INCH_POUND
    strength_psi: Decimal | None = _optional("100", "30000", "psi")
    cylinder: str = CYLINDERS[0]
    # what density, yield and the aggregate correction need; each also in SI
    measure_volume_ft3: Decimal | None = _optional("0.1", "4", "ft3")
    measure_volume_m3: Decimal | None = _optional("0.003", "0.12", "m3")
    batch_mass_lb: Decimal | None = _optional("1", "999999", "lb")
    batch_mass_kg: Decimal | None = _optional("1", "999999", "kg")
    design_yield_yd3: Decimal | None = _optional("0.01", "1000", "yd3")
    design_yield_m3: Decimal | None = _optional("0.01", "1000", "m3")
    air_free_volume_ft3: Decimal | None = _optional("0.1", "27000", "ft3")
    air_free_volume_m3: Decimal | None = _optional("0.003", "1000", "m3")
    cementitious_lb: Decimal | None = _optional("1", "999999", "lb")
    cementitious_kg: Decimal | None = _optional("1", "999999", "kg")
    bowl_volume_ft3: Decimal | None = _optional("0.1", "2", "ft3")
    bowl_volume_m3: Decimal | None = _optional("0.003", "0.06", "m3")
    batch_volume_ft3: Decimal | None = _optional("0.1", "27000", "ft3")
    batch_volume_m3: Decimal | None = _optional("0.003", "1000", "m3")
    fine_aggregate_lb: Decimal | None = _optional("1", "999999", "lb")
    fine_aggregate_kg: Decimal | None = _optional("1", "999999", "kg")
    coarse_aggregate_lb: Decimal | None = _optional("1", "999999", "lb")
    coarse_aggregate_kg: Decimal | None = _optional("1", "999999", "kg")
    # the other tests
    canister_ft3: Decimal = _set("0.0125", "0.001", "0.1", "ft3")
    canister_tolerance_pct: Decimal = _set("0.1", "0", "5", "%")
    gauge_tolerance_psi: Decimal = _set("0.05", "0", "5", "psi")
    thermometer_s: Decimal = _set("120", "0", "600", "s")
    slump_s: Decimal = _set("150", "10", "3600", "s")
    lift_s: Decimal = _set("5", "2", "60", "s")
    # the clocks of a round, from the last portion of the sample
    start_within_s: Decimal = _set("300", "60", "7200", "s")
    mould_within_s: Decimal = _set("900", "60", "7200", "s")
    portions_within_s: Decimal = _set("900", "60", "7200", "s")
    # the leak hold
    leak_low: Decimal = _set("45.0", "1", "100", "psi")
    leak_high: Decimal = _set("45.5", "1", "100", "psi")
    leak_limit_psi: Decimal = _set("0.12", "0", "10", "psi")
    leak_settle_s: Decimal = _set("8", "0", "600", "s")
    leak_hold_s: Decimal = _set("300", "1", "7200", "s")
    # the steps
    step_targets: tuple[Decimal, Decimal, Decimal] = (Decimal("14.5"), Decimal("30"), Decimal("45"))
    band_psi: Decimal = _set("0.05", "0", "5", "psi")
    settle_s: Decimal = _set("5", "0", "600", "s")
    tap_s: Decimal = _set("10", "1", "600", "s")
    tap_every_s: Decimal = _set("1", "0.2", "10", "s")
    hold_after_tap_s: Decimal = _set("5", "0", "600", "s")
    # the checks on readings
    air_low_pct: Decimal = _set("1", "0", "100", "%")
    air_high_pct: Decimal = _set("12", "0", "100", "%")
    metric_high_psi: Decimal = _set("0.80", "0", "50", "psi")
    ratio_difference: Decimal = _set("0.10", "0", "1", "as a fraction")
    below_prediction_psi: Decimal = _set("1.0", "0", "50", "psi")
    above_prediction_psi: Decimal = _set("0.3", "0", "50", "psi")

    @staticmethod
    def standing(name: str) -> str:
        """Where the default of one setting comes from."""
        return standing.of(name)

    @classmethod
    def from_mapping(cls, given: Mapping[str, Any]) -> "Settings":
        """Settings from a mapping: numbers as Decimal, int or text (never float: 0.20 must stay 0.20).

        What is left out keeps its default. ValueError, one sentence: the key, the value, what is allowed.
        """
        known = {f.name: f for f in fields(cls)}
        checked: dict[str, Any] = {}
        for key, value in given.items():
            if key not in known:
                raise ValueError(f"{key!r} is no setting: the settings are {', '.join(known)}")
            if key == "limits":
                checked[key] = _limits(value)
            elif key == "rounding":
                checked[key] = _rule(value)
            elif key == "step_targets":
                checked[key] = _targets(value)
            elif key == "units":
                checked[key] = _one_of(key, value, units.SYSTEMS)
            elif key == "cylinder":
                checked[key] = _one_of(key, value, CYLINDERS)
            elif value is None and known[key].default is None:
                checked[key] = None
            elif key == "clamps":
                checked[key] = _count(key, value, known[key].metadata)
            else:
                checked[key] = _within(key, value, known[key].metadata)
        settings = cls(**checked)
        settings._check_together()
        return settings

    @classmethod
    def for_test(cls, given: Mapping[str, Any]) -> "Settings":
        """The same for a test that is to begin: ValueError, too, for what leaves the method further than an agency may.

        A replay takes what was recorded, whatever is refused today.
        """
        settings = cls.from_mapping(given)
        drop = settings.limits.get("leak_drop", (None, None))[1]
        if drop is not None and "leak_limit_psi" in given and settings.leak_limit_psi != drop:
            raise ValueError(f"leak_limit_psi is {settings.leak_limit_psi} and the highest leak_drop of the limits {drop}: "
                             "give one of them")
        for name, row in METHOD.items():
            value = settings.used(name)
            if not row.agency[0] <= value <= row.agency[1]:
                key = "the limit of leak_drop" if name == "leak_limit_psi" and drop is not None else key_of(name)
                shown_ = ", ".join(map(str, settings.step_targets)) if key == "step_targets" else f"{value:f}"
                which = f" for step {name[-1]}" if key == "step_targets" else ""
                raise ValueError(f"{key} is {shown_}: {_words(row, which)}")
        return settings

    def used(self, name: str) -> Decimal:
        """The value that a test goes by, for a name of METHOD."""
        if key_of(name) == "step_targets":
            return self.target(int(name[-1]))
        return self.leak_limit if name == "leak_limit_psi" else getattr(self, name)

    @property
    def leak_limit(self) -> Decimal:
        """The most that the chamber may lose, psi: the job's own limit on leak_drop, else the setting's."""
        own = self.limits.get("leak_drop", (None, None))[1]
        return self.leak_limit_psi if own is None else own

    def to_mapping(self) -> dict[str, Any]:
        """Ready for JSON, decimals as text; `from_mapping` gives back exactly the same settings."""
        return {f.name: _plain(getattr(self, f.name)) for f in fields(self)}

    def target(self, step: int) -> Decimal:
        """The charge of step 1, 2 or 3, psi."""
        return self.step_targets[step - 1]

    @property
    def si(self) -> bool:
        return self.units == units.SI

    def amount(self, name: str) -> Decimal | None:
        """"batch_mass" and the like, in the units of the job; None where nobody gave it."""
        return next((getattr(self, name + ending) for ending, system in _SYSTEM_OF.items()
                     if system == self.units and hasattr(self, name + ending)), None)

    def _check_together(self) -> None:
        for each in fields(self):
            system = _SYSTEM_OF.get("_" + each.name.rpartition("_")[2], self.units)
            if each.default is None and system != self.units and getattr(self, each.name) is not None:
                raise ValueError(f"{each.name} is given and units is {self.units}: give the amounts of this job in its own "
                                 "units, or change units")
        pairs = (("leak_low", "leak_high"), ("air_low_pct", "air_high_pct"), ("leak_high", "max_psi"))
        for low, high in pairs:
            if getattr(self, low) >= getattr(self, high):
                raise ValueError(f"{low} is {getattr(self, low)} and {high} {getattr(self, high)}: "
                                 f"{low} must be the lower")
        if self.step_targets[-1] + self.band_psi > self.max_psi:
            raise ValueError(f"step_targets ends at {self.step_targets[-1]}: with band_psi it must not go "
                             f"over max_psi, {self.max_psi}")


def _words(row: Own, which: str) -> str:
    """What is allowed of one value of METHOD."""
    def of(pair: tuple[Decimal, Decimal]) -> str:
        return f"{pair[0]:f}" if pair[0] == pair[1] else f"{pair[0]:f} to {pair[1]:f}"
    if row.agency == row.own:
        return f"the method has {of(row.own)}{which}, and nobody may move it"
    return f"{'usual is' if row.check else 'the method has'} {of(row.own)}, and an agency may set {of(row.agency)}"


def number(key: str, value: Any) -> Decimal:
    """`value` as a Decimal of sensible size: below a million, at most 12 decimals. ValueError names `key`"""
    if isinstance(value, int) and not isinstance(value, bool):
        value = Decimal(value)
    elif isinstance(value, str) and _NUMBER.fullmatch(value):
        value = Decimal(value)
    if not isinstance(value, Decimal):
        raise ValueError(f"{key} is {shown(value)}: it must be a number")
    if not value.is_finite() or value.adjusted() >= 6 or value.as_tuple().exponent < -12:
        raise ValueError(f"{key} is {shown(value)}: it must be below 1000000 and have at most 12 decimals")
    return value


def shown(value: Any) -> str:
    """A wrong value as a message shows it: short, whatever it is."""
    text = json.dumps(value, ensure_ascii=False, default=lambda one: f"\0{one}\0" if isinstance(one, Decimal) else str(one))
    text = re.sub(r'"\\u0000(.*?)\\u0000"', r"\1", text)  # a number as it was given, in a list too: no text in quotes
    return text if len(text) <= 40 else text[:37] + "..."


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


def _one_of(key: str, value: Any, allowed: tuple[str, ...]) -> str:
    if not isinstance(value, str) or value not in allowed:
        raise ValueError(f"{key} is {shown(value)}: it must be {' or '.join(allowed)}")
    return value


def _rule(value: Any) -> str:
    if value not in rounding.RULES:
        raise ValueError(f"rounding is {shown(value)}: it must be {' or '.join(rounding.RULES)}")
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
