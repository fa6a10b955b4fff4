"""Run 2 of the sequential test held against run 1: what closing bubbles gain, and what only a slip or a leak can do.

The bowl has lost a little air between the runs, so run 2 shows more at each step, and the more the higher the pressure (derived:
ideal gas, trade facts 8). All values are psi.
"""
from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal

from assistant.core import rounding
from assistant.core.doubt import DOUBTFUL, Doubt
from assistant.core.judgement import SPOKEN_UNITS, Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods import pressure, units
from assistant.core.methods.method import OVERRIDE_WITHIN_PSI, in_units, ranged, span
from assistant.core.methods.pressure_meter import said
from assistant.core.methods.values import Values

TELLS_PSI = Decimal("0.04")
"""Gains that fall by less may be the gauge: four equilibria and charges, each known to 0.01, leave about 0.02 on the difference of two
gains (derived), and this is twice that. So sound concrete is not sent back for a reading's last digit."""

EFFECT_PSI = Decimal("0.02")
"""Start pressures that differ between the runs are warned about from this effect on the metric (derived)."""

Runs = Sequence[Sequence[Decimal]]


def doubts(step: int, value: Decimal, taken: Taken, settings: Values) -> Iterator[Doubt]:
    """Of an equilibrium of run 2. Run 2 less run 1 should be 0 or more and grow from step to step; at step 3 it is the metric."""
    first = taken.get(f"equilibrium.1.{step}")
    if first is None:
        return
    gain = value - first
    if step == 3 and gain == 0:
        yield Doubt(DOUBTFUL, said("same", value), "metric", True)
    elif step == 3 and gain > settings.metric_high_psi:
        yield Doubt(DOUBTFUL, said("above_run_1", value, limit=f"{settings.metric_high_psi:f}"), "metric", True)
    elif gain < 0:
        rule = "metric" if step == 3 else "run_differences"
        yield Doubt(DOUBTFUL, said("below_run_1", value), rule, True)
    before, again = (taken.get(f"equilibrium.{run}.{step - 1}") for run in (1, 2))
    if step > 1 and before is not None and again is not None and gain < again - before:
        yield Doubt(DOUBTFUL, said("gains_less", value), "run_differences", True)


def gains(charge: Runs, equilibrium: Runs) -> list[Decimal]:
    """Run 2 less run 1 at each step, without what the charges themselves explain."""
    ratio = pressure.bowl_ratio(charge[0][0], equilibrium[0][0])
    return [after - before - pressure.start_pressure_effect(charge[0][:step], charge[1][:step], ratio)
            for step, (before, after) in enumerate(zip(*equilibrium), 1)]


def charges_differ(charge: Runs, equilibrium: Runs, values: Values) -> str:
    """What the differing charges of the two runs make of the metric; empty where it is nothing to speak of."""
    effect = pressure.start_pressure_effect(charge[0], charge[1], pressure.bowl_ratio(charge[0][0], equilibrium[0][0]))
    if abs(effect) < EFFECT_PSI:
        return ""
    return sentence("verdict.charges_differ", about=f"{rounding.round_to(effect, 2, values.rounding):+}")


def contradiction(charge: Runs, equilibrium: Runs, values: Values) -> str:
    """Where the gains fall from one step to the next, or begin below run 1: why, and what to look at; empty where they don't.

    Air that gets past the seal lowers the highest step most, a bowl that was not let down to nothing lifts the first.
    """
    found = [Decimal(0), *gains(charge, equilibrium)]
    for step in (3, 2, 1):
        if found[step] - found[step - 1] <= -TELLS_PSI:
            told = {"less": _shown(found[step]), "more": _shown(found[step - 1]), "here": f"{values.target(step):f}",
                    "before": f"{values.target(step - 1):f}" if step > 1 else "", "by": _shown(-found[step])}
            return sentence("verdict.gains_fall" if step > 1 else "verdict.gains_below", **told)
    return ""


def _shown(gain: Decimal) -> str:
    return f"{rounding.round_to(gain, 2):f}"


def far(step: int, value: Decimal, taken: Taken, values: Values) -> bool:
    """Whether an equilibrium of run 2 is further from run 1's than where the metric is as high as is usual.

    The bowl air that lifts E1.3 by that much lifts the earlier steps by less.
    """
    charges = [taken[name] for name in ("charge.1.1", "charge.1.2", "charge.1.3") if name in taken]
    before, last = taken.get(f"equilibrium.1.{step}"), taken.get("equilibrium.1.3")
    if before is None or last is None or len(charges) < 3 or last >= charges[2]:  # a bowl without air is like no other
        return False
    all_air, less_air = (pressure.lone_ratio(charges, one) for one in (last, last + values.metric_high_psi))
    most = pressure.last_equilibrium(charges[:step], less_air) - pressure.last_equilibrium(charges[:step], all_air)
    return abs(value - before) > most


def beyond_override(charge: Runs, values: Values) -> str:
    """The first charge so far off that nobody may use it knowingly; empty where there is none."""
    for run, three in enumerate(charge, 1):
        for step, value in enumerate(three, 1):
            off = abs(value - values.target(step))
            if off > max(OVERRIDE_WITHIN_PSI, values.band_psi):
                return sentence("verdict.charge_beyond", place=f"{run}.{step}", value=f"{value:f}", by=f"{off:f}",
                                most=f"{OVERRIDE_WITHIN_PSI:f}")
    return ""


# --- the water that the bowl is filled up with, where a thermometer is there ---------------------------------------------------

COOLING_PSI = Decimal("0.16")
"""A degree C of gas between the runs, at the third step (derived, trade facts 1c)."""
ALIKE_C = Decimal("0.6")
"""Waters no further apart are the same to a thermometer that is read to a degree F or half a degree C (ours)."""


def water_effect(taken: Taken, settings: Values) -> Decimal | None:
    """At most so much, psi, the metric is too high (or below 0: too low) where the water of run 2 is warmer or colder than that of
    run 1, as if all gas took its temperature; None where it is not, or not known."""
    first, second = taken.get("water.1"), taken.get("water.2")
    if first is None or second is None:
        return None
    apart = units.convert_difference(second - first, units.unit("temperature", settings.units), units.unit("temperature", units.SI))
    return None if abs(apart) <= ALIKE_C else apart * COOLING_PSI


def water_apart(taken: Taken, settings: Values) -> str:
    """What to say of that; empty where there is nothing."""
    effect = water_effect(taken, settings)
    if effect is None:
        return ""
    return sentence("verdict.water_warmer" if effect > 0 else "verdict.water_colder", about=f"{rounding.round_to(abs(effect), 2)}",
                    by=f"{abs(taken['water.2'] - taken['water.1']):f}", unit=SPOKEN_UNITS[units.unit("temperature", settings.units)])


def _water_doubts(value: Decimal, taken: Taken, settings: Values) -> Iterator[Doubt]:
    if why := water_apart({**taken, "water.2": value}, settings):
        yield Doubt(DOUBTFUL, f"{value:f}: {why}", "water")


def water_wanted(_taken: Taken, settings: Values, _marks: Marks) -> Judgement:
    """Whether its temperature is read."""
    return Judgement("read" if settings.water_temperature_read else "unread", "")


_WATER = in_units(span("33", "120", "40", "95"), span("0.5", "49", "4", "35"))
WATER = {"water.1": ranged(_WATER), "water.2": ranged(_WATER, later=_water_doubts)}
