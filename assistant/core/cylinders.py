"""Cylinders (C31 / R 100): how they are filled by size, and their initial cure."""

from decimal import Decimal

from assistant.core import units
from assistant.core.assessment import FAIL, PASS, Assessment, assessed, result
from assistant.core.language import sentence
from assistant.core.settings import Settings

PI = Decimal("3.14159265358979323846264338328")

STRONG_PSI = Decimal(6000)
"""From this specified strength on the initial cure is narrower (from memory, about 95 % sure)."""
CURE = {(units.INCH_POUND, False): (Decimal(60), Decimal(80)), (units.INCH_POUND, True): (Decimal(68), Decimal(78)),
        (units.SI, False): (Decimal(16), Decimal(27)), (units.SI, True): (Decimal(20), Decimal(26))}
"""Lowest and highest temperature of the initial cure by units and strength (from memory, about 95 % sure)."""
CURE_H = Decimal(48)
"""Longest initial cure, hours (from memory, about 95 % sure)."""


def volume(diameter: Decimal, height: Decimal) -> Decimal:
    """Of a cylinder, in the cube of the unit given."""
    return PI * diameter * diameter / 4 * height


def mass(diameter: Decimal, height: Decimal, density: Decimal, system: str) -> Decimal:
    """Mass of a full mould: in. and lb/ft3 give lb, mm and kg/m3 give kg."""
    return volume(diameter, height) * density / (1728 if system == units.INCH_POUND else 10**9)


def initial_cure(high: Decimal, low: Decimal, hours: Decimal, settings: Settings) -> Assessment:
    """The log of the initial cure: highest and lowest temperature, and how long. A limit of the job's own takes the place of
    the one on the same result, and of no other."""
    strong = settings.strength_psi is not None and settings.strength_psi >= STRONG_PSI
    least, most = CURE[settings.units, strong]
    results = [result(name, value, settings) for name, value in (("cure_high", high), ("cure_low", low), ("cure_hours", hours))]
    if low > high:
        return assessed([result(one.name, None, settings) for one in results], settings, [sentence("cure.swapped")])
    done = assessed(results, settings)
    own = {name for name, pair in settings.limits.items() if pair != (None, None)}
    unit = units.unit("temperature", settings.units)
    out = [done.why] if done.verdict == FAIL else []
    out += [sentence("cure.hot", value=f"{high:f}", unit=unit, limit=most)] if "cure_high" not in own and high > most else []
    out += [sentence("cure.cold", value=f"{low:f}", unit=unit, limit=least)] if "cure_low" not in own and low < least else []
    out += [sentence("cure.long", hours=f"{hours:f}", limit=CURE_H)] if "cure_hours" not in own and hours > CURE_H else []
    ranged = not {"cure_high", "cure_low"} <= own
    warned = [sentence("cure.no_strength", limit=STRONG_PSI)] if ranged and settings.strength_psi is None else []
    inside = done.why if done.verdict == PASS else sentence("cure.inside", low=least, high=most, unit=unit)
    return Assessment(tuple(results), (*warned, *done.warnings), FAIL if out else PASS, "; ".join(out) or inside)
