"""The physics of the pressure meter: rigid vessel, constant temperature, ideal gas.

All pressures are gauge pressures in psi, as `Decimal`. Atmospheric pressure cancels (Boyle's law on both
sides of the valve), so nothing here depends on the altitude. Standing: derived; the ideal gas against real
air is checked in tests/outside.

    ratio          bowl air volume / chamber volume (r)
    chamber_ratio  chamber volume / bowl volume (k)
"""

from collections.abc import Sequence
from decimal import Decimal


def equilibrium(charge: Decimal, before: Decimal, ratio: Decimal) -> Decimal:
    """The pressure after the lever opens: chamber at `charge`, bowl air at `before` (0 at the first step)."""
    return (charge + ratio * before) / (1 + ratio)


def bowl_ratio(charge: Decimal, equilibrium: Decimal, before: Decimal = Decimal(0)) -> Decimal:
    """The inverse: r from one step, the same at every step for an ideal gas. Needs before < equilibrium."""
    return (charge - equilibrium) / (equilibrium - before)


def air_content(charge: Decimal, equilibrium: Decimal, chamber_ratio: Decimal,
                correction: Decimal) -> Decimal:
    """Air content of the concrete, % of the bowl, from the first step of the first run (bowl at 0 before it).

    `correction` is the aggregate correction, %. Not rounded.
    """
    return 100 * chamber_ratio * (charge - equilibrium) / equilibrium - correction


def chamber_ratio_from(known_air: Decimal, charge: Decimal, equilibrium: Decimal) -> Decimal:
    """Calibration: k from a vessel that holds `known_air` % of air."""
    return known_air * equilibrium / (100 * (charge - equilibrium))


def system_air_metric(first: Decimal, second: Decimal) -> Decimal:
    """E2.3 - E1.3, psi (from memory, about 90 % sure). Exact; no correction of any kind enters."""
    return second - first


def last_equilibrium(charges: Sequence[Decimal], ratio: Decimal) -> Decimal:
    """The pressure after the last of `charges`, the bowl at 0 before the first and never let down between."""
    pressure = Decimal(0)
    for charge in charges:
        pressure = equilibrium(charge, pressure, ratio)
    return pressure


def start_pressure_effect(first: Sequence[Decimal], second: Sequence[Decimal], ratio: Decimal) -> Decimal:
    """How much of the metric, psi, the differing charges of the two runs would produce on their own.

    The ideal model with the same bowl air in both runs. Shown as a warning; the metric is never corrected.
    """
    differences = [b - a for a, b in zip(first, second, strict=True)]
    return last_equilibrium(differences, ratio)  # the last equilibrium is linear in the charges


def lone_ratio(charges: Sequence[Decimal], value: Decimal) -> Decimal:
    """The bowl ratio r = Va / Vc at which these charges (psi), one after the other, end at the equilibrium ``value``, psi.

    So each step of a run gives the air by itself, with no reading but its own (trade.md 8, derived): they must agree. 0 or
    1000 where no ratio between gives it. The equilibrium falls as r grows, so halving finds it, to 1e-9.
    """
    low, high = Decimal(0), Decimal(1000)
    for _ in range(40):
        ratio = (low + high) / 2
        low, high = (ratio, high) if last_equilibrium(charges, ratio) > value else (low, ratio)
    return low
