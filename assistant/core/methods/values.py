"""Every number that a meter, a method or a job may set: its default, its bounds, and where the default comes from.

Rooms compute with `Values`; `settings.Settings` is the same, checked, and what everybody else passes around.
"""
from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, fields
from decimal import Decimal
from difflib import get_close_matches
from typing import Any

from assistant.core import rounding
from assistant.core.methods import units
from assistant.core.methods.provenance import Provenance, common, derived, memory, published, second_hand

Limits = tuple[Decimal | None, Decimal | None]
"""(lowest, highest), each with the decimals it was written with; None for no limit on that side."""

CYLINDER_SIZES = ("4x8", "6x12", "9x18")
"""Diameter by height, in."""

HALF_AT_LIMIT = ("out", "rounded")
"""What an exact half beyond a limit is: out of it, or what half-even rounding makes of it: 4.5 passes 4, and 5.5 not 5."""

_STAGES = "the sequential test as it is done in the field"
_CHECK = derived("a check on readings, engineering judgement from the ideal-gas model, in no standard")
_GIVEN = common("the job's or the meter's own; none known by default")

_NUMBER = re.compile(r"-?\d{1,6}(\.\d{1,12})?")

_SYSTEM_OF = {"_lb": units.INCH_POUND, "_ft3": units.INCH_POUND, "_yd3": units.INCH_POUND, "_kg": units.SI, "_m3": units.SI}
"""The system that the last part of a value's name belongs to."""


def _set(default: str, low: str, high: str, unit: str, source: Provenance, before: str = "") -> Any:
    """``before``: of tests that were begun before there was this value, so that their record says what it said."""
    return field(default=Decimal(default), metadata={"low": Decimal(low), "high": Decimal(high), "unit": unit, "source": source,
                                                     "before": Decimal(before) if before else None})


def _optional(low: str, high: str, unit: str, source: Provenance = _GIVEN) -> Any:
    """A number that only the job or the meter knows: None until it is given."""
    return field(default=None, metadata={"low": Decimal(low), "high": Decimal(high), "unit": unit, "source": source})


def _free(default: Any, source: Provenance, before: Any = None) -> Any:
    """One that is checked otherwise than by a lowest and a highest."""
    return field(default=default, metadata={"source": source, "before": before})


@dataclass(frozen=True)
class Values:
    """Numbers are Decimal (seconds too); `clamps` is an int."""

    # the meter
    chamber_ratio: Decimal | None = _optional(
        "0.001", "1", "chamber volume / bowl volume", common("this meter's own, from its calibration; none known by default"))
    max_psi: Decimal = _set("46", "1", "100", "psi", common("never charge above the meter's marked maximum"))
    clamps: int = field(default=6, metadata={"low": 2, "high": 24, "unit": "", "source": common("six is usual for 45 psi")})
    # the job
    aggregate_correction_pct: Decimal | None = _optional(
        "0", "10", "%", common("of this aggregate; the test is only for concrete whose correction can be found"))
    aggregate_correction_required: bool = _free(False, common("a job may forbid air tests without a correction; none does by default"))
    alcohol_correction_pct: Decimal | None = _optional(
        "0", "3", "%", common("of the volumetric method, for this job's amount of alcohol, by the agency's table; none known by default"))
    limits: Mapping[str, Limits] = field(default_factory=dict, hash=False,
                                             metadata={"source": common("the job's own limits; none by default")})
    rounding: str = _free(rounding.HALF_EVEN, memory("half-even, as ASTM E29 rounds an exact 5; a job may choose half-up", 95))
    half_at_limit: str = _free(HALF_AT_LIMIT[0], common(
        "where a limit is written with fewer decimals than its result, an exact half beyond it does not pass by half-even"),
        before=HALF_AT_LIMIT[1])
    units: str = _free(units.INCH_POUND, common("inch-pound or si, as the job is written"))
    strength_psi: Decimal | None = _optional("100", "30000", "psi", common("the job's specified strength; none known by default"))
    cylinder_count: int = field(default=4, metadata={"low": 1, "high": 24, "unit": "", "source": common(
        "four cylinders of one sample; the job's own choice")})
    cylinder: str = _free(CYLINDER_SIZES[0], common("4 x 8 in.; the job's own choice"))
    # what density, yield and the aggregate correction need; each also in SI
    measure_volume_ft3: Decimal | None = _optional("0.1", "4", "ft3")
    measure_volume_m3: Decimal | None = _optional("0.003", "0.12", "m3")
    scale_lb: Decimal | None = _optional("0.001", "1", "lb", common("the smallest step that the job's scale shows; 0.01 lb or 0.01 kg "
                                                                    "where nobody gives it"))
    scale_kg: Decimal | None = _optional("0.001", "0.5", "kg", common("the same in kg"))
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
    least_sample_ft3: Decimal | None = _optional("0.1", "20", "ft3", common("what the job wants of one sample; a round has it from its tests"))
    least_sample_m3: Decimal | None = _optional("0.003", "0.6", "m3", common("the same in m3"))
    # the other tests
    canister_ft3: Decimal = _set("0.0125", "0.001", "0.1", "ft3",
                                 published("Iowa DOT IM 318 (Oct 2016): a canister of 0.0125 ft3"))
    canister_tolerance_pct: Decimal = _set("0.1", "0", "5", "%",
                                           common("one step of the gauge; no published tolerance was found"))
    gauge_tolerance_psi: Decimal = _set("0.05", "0", "5", "psi",
                                        common("as much as the start band; no published tolerance was found"))
    thermometer_s: Decimal = _set("120", "0", "600", "s",
                                  published("C1064-03: at least 2 minutes in the concrete, read within 5"))
    slump_s: Decimal = _set("150", "10", "3600", "s", second_hand("C143: the whole test within 2 1/2 minutes"))
    lift_s: Decimal = _set("5", "2", "60", "s", second_hand("C143: lifted in 5 s, give or take 2"))
    # the clocks of a round, from the last portion of the sample
    start_within_s: Decimal = _set("300", "60", "7200", "s",
                                   memory("C172: slump, temperature and air begun within 5 minutes of the last portion", 95))
    mould_within_s: Decimal = _set("900", "60", "7200", "s",
                                   memory("C172: moulding begun within 15 minutes of the last portion", 95))
    discharge_within_s: Decimal = _set("5400", "600", "36000", "s",
                                       memory("C94, older editions: discharged within 90 minutes of batching; newer ones leave "
                                              "it to the purchaser", 85))
    portions_within_s: Decimal = _set("900", "60", "7200", "s", second_hand("C172-17: portions at most 15 minutes apart"))
    # the leak hold
    leak_low: Decimal = _set("45.0", "1", "100", "psi", common(_STAGES))
    leak_high: Decimal = _set("45.5", "1", "100", "psi", common(_STAGES))
    leak_limit_psi: Decimal = _set("0.12", "0", "10", "psi", common(_STAGES))
    leak_settle_s: Decimal = _set("8", "0", "600", "s", common(_STAGES + ": 5 to 10 s"))
    leak_hold_s: Decimal = _set("300", "1", "7200", "s", common(_STAGES))
    # the steps
    water_temperature_read: bool = _free(False, common("whether a thermometer is there for the water of the two runs"))
    step_targets: tuple[Decimal, Decimal, Decimal] = _free(
        (Decimal("14.5"), Decimal("30"), Decimal("45")),
        memory("14.5, 30 and 45 psi in the chamber, the bowl never let down in between", 85))
    band_psi: Decimal = _set("0.05", "0", "5", "psi", memory("a start within 0.05 psi of the step", 65))
    settle_s: Decimal = _set("5", "0", "600", "s", common(_STAGES))
    tap_s: Decimal = _set("10", "1", "600", "s", common(_STAGES))
    tap_every_s: Decimal = _set("1", "0.2", "10", "s",
                                common("one blow a second, to pace the hand; " + _STAGES + " says only smartly"))
    hold_after_tap_s: Decimal = _set("5", "0", "600", "s", common(_STAGES + ": at least 5 s after the last blow"))
    # the checks on readings
    air_low_pct: Decimal = _set("1", "0", "100", "%", _CHECK)
    air_high_pct: Decimal = _set("12", "0", "100", "%", _CHECK)
    metric_high_psi: Decimal = _set("0.80", "0", "50", "psi", _CHECK)
    metric_repeat_psi: Decimal = _set("0.08", "0", "1", "psi", memory(
        "two standard deviations of the system air metric near 0.20, each 0.03 to 0.05 psi; 0 tells none", 65), before="0")
    ratio_difference: Decimal = _set("0.10", "0", "1", "as a fraction", _CHECK)
    below_prediction_psi: Decimal = _set("1.0", "0", "50", "psi", _CHECK)
    above_prediction_psi: Decimal = _set("0.3", "0", "50", "psi", _CHECK)

    def target(self, step: int) -> Decimal:
        """The charge of step 1, 2 or 3, psi."""
        return self.step_targets[step - 1]

    @property
    def si(self) -> bool:
        return self.units == units.SI

    @property
    def half_out(self) -> bool:
        return self.half_at_limit == HALF_AT_LIMIT[0]

    @property
    def leak_limit(self) -> Decimal:
        """The most that the chamber may lose, psi: the job's own limit on leak_drop, else the setting's."""
        its = self.limits.get("leak_drop", (None, None))[1]
        return self.leak_limit_psi if its is None else its

    def amount(self, name: str) -> Decimal | None:
        """"batch_mass" and the like, in the units of the job; None where nobody gave it."""
        return next((getattr(self, name + ending) for ending, system in _SYSTEM_OF.items()
                     if system == self.units and hasattr(self, name + ending)), None)

    def check_together(self) -> None:
        """Raises ValueError, one sentence: two values that can't stand beside each other."""
        for each in fields(self):
            system = _SYSTEM_OF.get("_" + each.name.rpartition("_")[2], self.units)
            if each.default is None and system != self.units and getattr(self, each.name) is not None:
                raise ValueError(f"{each.name} is given and units is {self.units}: give the amounts of this job in its own "
                                 "units, or change units")
        for low, high in (("leak_low", "leak_high"), ("air_low_pct", "air_high_pct"), ("leak_high", "max_psi")):
            if getattr(self, low) >= getattr(self, high):
                raise ValueError(f"{low} is {getattr(self, low)} and {high} {getattr(self, high)}: "
                                 f"{low} must be the lower")
        if self.step_targets[-1] + self.band_psi > self.max_psi:
            raise ValueError(f"step_targets ends at {self.step_targets[-1]}: with band_psi it must not go "
                             f"over max_psi, {self.max_psi}")


SOURCES: dict[str, Provenance] = {each.name: each.metadata["source"] for each in fields(Values)}


def number(key: str, value: Any) -> Decimal:
    """`value` as a Decimal of sensible size: below a million, at most 12 decimals. ValueError names `key`"""
    if isinstance(value, int) and not isinstance(value, bool):
        value = Decimal(value)
    elif isinstance(value, str) and _NUMBER.fullmatch(value):
        value = Decimal(value)
    if not isinstance(value, Decimal):
        raise ValueError(f"{key} is {shown(value)}: it must be a number")
    if not value.is_finite() or value.adjusted() >= 6 or int(value.as_tuple().exponent) < -12:
        raise ValueError(f"{key} is {shown(value)}: it must be below 1000000 and have at most 12 decimals")
    return value


def unknown(key: str, allowed: Collection[str]) -> str:
    """That a key or a name is none of those allowed, and which it most likely means."""
    return f'"{key}" is no key here{near(key, allowed)}; allowed are {", ".join(allowed)}'


def near(name: str, allowed: Collection[str]) -> str:
    """The name that was most likely meant, in brackets; empty where none is like it."""
    likely = get_close_matches(name, allowed, 1)
    return f' (did you mean "{likely[0]}"?)' if likely else ""


def shown(value: Any) -> str:
    """A wrong value as a message shows it: short, whatever it is."""
    text = json.dumps(value, ensure_ascii=False, default=lambda one: f"\0{one}\0" if isinstance(one, Decimal) else str(one))
    text = re.sub(r'"\\u0000(.*?)\\u0000"', r"\1", text)  # a number as it was given, in a list too: no text in quotes
    return text if len(text) <= 40 else text[:37] + "..."
