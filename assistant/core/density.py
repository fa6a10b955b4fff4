"""Density, yield, gravimetric air and cement content (C138 / T 121): formulas and a whole test's assessment.

Masses and volumes are all inch-pound (lb, ft3; yields in yd3) or all SI (kg, m3), as `Settings.units` says. Standings are
in `standing.TABLE` under the results' names. Nothing is rounded on the way.
"""

from decimal import Decimal

from assistant.core import rounding, units
from assistant.core.assessment import Assessment, Result, assessed, result
from assistant.core.language import sentence
from assistant.core.settings import Settings

NORMAL = {units.INCH_POUND: (Decimal(140), Decimal(150)), units.SI: (Decimal(2240), Decimal(2400))}
"""The sanity band of normal weight concrete, lb/ft3 (published second-hand) and kg/m3 (converted, to 10)."""
HEAVIEST = {units.INCH_POUND: Decimal(250), units.SI: Decimal(4000)}
"""Heavier than heavyweight concrete (ours): near 290 lb/ft3 the tare or the volume is usually wrong (published second-hand)."""


def density(gross: Decimal, tare: Decimal, volume: Decimal) -> Decimal:
    """D = (Mc - Mm) / Vm."""
    return (gross - tare) / volume


def produced(batch_mass: Decimal, density: Decimal, system: str) -> Decimal:
    """Yield Y = M / D, in yd3 (D in lb/ft3) or m3."""
    return batch_mass / density / (units.YARD3_IN_FOOT3 if system == units.INCH_POUND else 1)


def gravimetric_air(theoretical: Decimal, density: Decimal) -> Decimal:
    """A = 100 (T - D) / T, %. Negative where T, the volume, the tare or the moisture is wrong."""
    return 100 * (theoretical - density) / theoretical


def absolute_volume(mass: Decimal, relative_density: Decimal, water_density: Decimal = Decimal("62.4")) -> Decimal:
    """Volume of a material without voids: mass / (relative density x water's density, 62.4 lb/ft3 by default)."""
    return mass / (relative_density * water_density)


def free_water(mass: Decimal, free_moisture_pct: Decimal) -> Decimal:
    """Water on the surface of an aggregate: its mass x free moisture / 100."""
    return mass * free_moisture_pct / 100


def assess(gross: Decimal, tare: Decimal, volume: Decimal | None, settings: Settings) -> Assessment:
    """All results that the settings' batch amounts allow. Never raises on any readings of 0 or above."""
    names = ["density", *(["yield", "cement_content"][:1 + bool(settings.amount("cementitious"))] if settings.amount("batch_mass")
                          else [])]
    invalid = ""
    if volume is None:
        invalid = sentence("density.no_volume", key="measure_volume_m3" if settings.si else "measure_volume_ft3")
    elif volume <= 0:
        invalid = sentence("density.volume_zero")
    elif gross <= tare:
        invalid = sentence("density.tare_over_gross", tare=f"{tare:f}", gross=f"{gross:f}")
    if invalid or volume is None:
        return assessed([result(name, None, settings) for name in names], settings, [invalid])
    found = density(gross, tare, volume)
    warned = _warnings(found, settings)
    if found > HEAVIEST[settings.units]:
        return assessed([result(name, None, settings) for name in names], settings, warned)
    return assessed(_results(found, settings, warned), settings, (), warned)


def _results(found: Decimal, settings: Settings, warned: list[str]) -> list[Result]:
    values: dict[str, Decimal] = {"density": found}
    mass, designed, solid, cement = map(settings.amount, ("batch_mass", "design_yield", "air_free_volume", "cementitious"))
    if mass is not None:
        values["yield"] = produced(mass, found, settings.units)
        if designed is not None:
            values["relative_yield"] = values["yield"] / designed
        if solid is not None:
            values["theoretical_density"] = mass / solid
            values["gravimetric_air"] = gravimetric_air(values["theoretical_density"], found)
            if values["gravimetric_air"] < 0:
                warned.append(sentence("density.air_negative"))
        if cement is not None:
            values["cement_content"] = cement / values["yield"]
    elif designed is not None or solid is not None or cement is not None:
        warned.append(sentence("density.no_batch_mass"))
    return [result(name, value, settings) for name, value in values.items()]


def _warnings(found: Decimal, settings: Settings) -> list[str]:
    low, high = NORMAL[settings.units]
    shown = result("density", found, settings)
    fields = {"value": shown.rounded, "unit": shown.unit, "low": low, "high": high}
    if found > HEAVIEST[settings.units]:
        return [sentence("density.far_too_heavy", **fields)]
    if not low <= rounding.round_to(found, 0, settings.rounding) <= high:
        return [sentence("density.not_normal", **fields)]
    return []
