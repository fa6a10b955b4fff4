"""Inch-pound and SI: the units of a job, and conversion at the edges. Nothing is converted between reading and result.

Factors are exact by definition: the international yard and pound agreement (1959), the standard gravity of the 3rd CGPM
(1901), and the Fahrenheit scale as 9/5 of a degree Celsius from 32. Checked against pint in tests/outside/test_units.py.
"""

from decimal import ROUND_HALF_EVEN, Decimal

from assistant.core.language import CURRENT, sentence

INCH_POUND, SI = "inch-pound", "si"
SYSTEMS = (INCH_POUND, SI)

POUND_IN_KG = Decimal("0.45359237")
INCH_IN_MM = Decimal("25.4")
GALLON_IN_L = 231 * Decimal("0.254") ** 3
"""US gallon: 231 cubic inches."""
FOOT3_IN_M3 = Decimal("0.3048") ** 3
YARD3_IN_FOOT3 = 27
PSI_IN_KPA = POUND_IN_KG * Decimal("9.80665") / Decimal("0.0254") ** 2 / 1000
"""1 psi = 6.894757... kPa."""

_FACTORS = {
    ("lb", "kg"): POUND_IN_KG, ("in.", "mm"): INCH_IN_MM, ("ft3", "m3"): FOOT3_IN_M3,
    ("yd3", "m3"): YARD3_IN_FOOT3 * FOOT3_IN_M3, ("psi", "kPa"): PSI_IN_KPA,
    ("gal", "L"): GALLON_IN_L, ("mph", "km/h"): 5280 * 12 * INCH_IN_MM / 1_000_000, ("gal/yd3", "L/m3"): GALLON_IN_L / (YARD3_IN_FOOT3 * FOOT3_IN_M3),
    ("lb/ft3", "kg/m3"): POUND_IN_KG / FOOT3_IN_M3, ("lb/yd3", "kg/m3"): POUND_IN_KG / (YARD3_IN_FOOT3 * FOOT3_IN_M3),
}

_OF = {"mass": ("lb", "kg"), "length": ("in.", "mm"), "volume": ("ft3", "m3"), "yield": ("yd3", "m3"),
       "density": ("lb/ft3", "kg/m3"), "content": ("lb/yd3", "kg/m3"), "water": ("gal", "L"), "speed": ("mph", "km/h"), "dose": ("gal/yd3", "L/m3"),
       "temperature": ("\u00b0F", "\u00b0C")}
"""What a quantity is read or reported in, inch-pound and SI."""

def kpa(psi: Decimal) -> Decimal:
    return psi * PSI_IN_KPA


def psi(kpa: Decimal) -> Decimal:
    return kpa / PSI_IN_KPA


def unit(quantity: str, system: str) -> str:
    """The unit of "mass", "length", "volume", "yield", "density", "content" or "temperature" in a system."""
    return _OF[quantity][system == SI]


def convert(value: Decimal, frm: str, to: str) -> Decimal:
    """`value` in another unit of the same quantity. ValueError where there is no such conversion."""
    if frm == to:
        return value
    if (frm, to) == _OF["temperature"]:
        return (value - 32) * 5 / 9
    if (to, frm) == _OF["temperature"]:
        return value * 9 / 5 + 32
    if (frm, to) in _FACTORS:
        return value * _FACTORS[frm, to]
    if (to, frm) in _FACTORS:
        return value / _FACTORS[to, frm]
    raise ValueError(f"{frm} can't be converted to {to}")


def convert_difference(value: Decimal, frm: str, to: str) -> Decimal:
    """A difference of two values: of temperatures it has no offset."""
    zero = Decimal(0)
    return convert(value, frm, to) - (convert(zero, frm, to) if (frm in _OF["temperature"]) else zero)


def other(frm: str, quantity: str = "") -> str | None:
    """The unit of the other system, for a form that wants both; None where both use the same (%).

    kg/m3 and m3 stand for two units each: `quantity` ("density", "content", "yield", "volume") tells which.
    """
    if quantity in _OF and frm in _OF[quantity]:
        return _OF[quantity][1 - _OF[quantity].index(frm)]
    for pair in (*_OF.values(), ("psi", "kPa")):
        if frm in pair:
            return pair[1 - pair.index(frm)]
    return None


def volume_words(foot3: Decimal, system: str, step: str, rounding: str = ROUND_HALF_EVEN) -> str:
    """A volume of concrete as it is said: in cubic feet to ``step``, or in whole litres."""
    if system == SI:
        return sentence("amount.liters", volume=(foot3 * FOOT3_IN_M3 * 1000).quantize(Decimal(1), rounding))
    return sentence("amount.cubic_feet", volume=foot3.quantize(Decimal(step), rounding))


def words(system: str) -> dict[str, str]:
    """Units and amounts by name, for the braces of a procedure file: {mass_unit}, {cover} ..."""
    ending = "_si" if system == SI else "_us"
    amounts = (ident[len("amount."):-len(ending)] for ident in CURRENT.sentences
               if ident.startswith("amount.") and ident.endswith(ending))
    return {f"{name}_unit": pair[system == SI] for name, pair in _OF.items()} | {
        name: sentence(f"amount.{name}{ending}") for name in amounts}
