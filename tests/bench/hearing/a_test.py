"""A sequential test that could be, invented anew for each seed: its readings in order, and what the ear is told at each."""
from __future__ import annotations

import random
from decimal import Decimal

from assistant.core.expect import Expect
from assistant.core.methods import pressure
from assistant.core.methods.pressure_meter import RESOLUTION
from assistant.core.plausible import likely_range, plausible_range
from assistant.core.settings import Settings

SETTINGS = Settings.from_mapping({"chamber_ratio": Decimal("0.06"), "aggregate_correction_pct": Decimal("0.3")})
PLACES = 2


def readings(chance: random.Random) -> list[tuple[str, Decimal]]:
    """(name, value) of the eleven or so readings of one test, as a gauge shows them: ideal gas, a metric of 0.02 to 0.40 psi,
    readings off by up to 0.03."""
    def near(value: float | Decimal, by: str) -> Decimal:
        return (Decimal(value) + Decimal(by) * Decimal(f"{chance.uniform(-1, 1):.3f}")).quantize(RESOLUTION)

    initial = near(45.25, "0.24")
    found = [("leak.charge", near(45.25, "0.24")), ("leak.initial", initial), ("leak.final", initial - near(0.06, "0.05"))]
    air, metric = Decimal(f"{chance.uniform(2.0, 9.5):.2f}"), Decimal(f"{chance.uniform(0.02, 0.40):.2f}")
    whole = 100 * SETTINGS.chamber_ratio
    ratio = pressure.bowl_ratio(Decimal("14.5"), Decimal("14.5") * whole / (air + SETTINGS.aggregate_correction_pct + whole),
                                Decimal(0))
    for run in (1, 2):
        before = Decimal(0)
        for step in (1, 2, 3):
            charge = near(SETTINGS.target(step), "0.05")
            gain = metric * Decimal(step) / 3 if run == 2 else Decimal(0)
            before = pressure.equilibrium(charge, before, ratio) + gain / 2
            found += [(f"charge.{run}.{step}", charge), (f"equilibrium.{run}.{step}", near(before, "0.03"))]
            before = found[-1][1]
    return found


def expect_at(name: str, before: dict[str, Decimal]) -> Expect:
    """What the machine tells the ear when it asks for this reading after those (assistant/core/turn.py)."""
    low, high = plausible_range(name, before, SETTINGS)
    return Expect("reading", low, high, PLACES, likely_range(name, before, SETTINGS))


def a_reading(chance: random.Random) -> tuple[str, Decimal, Expect]:
    """One reading out of a test, with what is expected there."""
    found = readings(chance)
    at = chance.randrange(len(found))
    name, value = found[at]
    return name, value, expect_at(name, dict(found[:at]))
