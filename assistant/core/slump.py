"""Slump (C143 / T 119): what is a slump that counts."""

from decimal import Decimal

from assistant.core import units
from assistant.core.assessment import Assessment, assessed, result
from assistant.core.language import sentence
from assistant.core.settings import Settings

MOULD = {units.INCH_POUND: Decimal(12), units.SI: Decimal(300)}
"""Height of the mould, in. and mm (published second-hand): no slump can be more."""
VALID = {units.INCH_POUND: (Decimal("0.5"), Decimal(9)), units.SI: (Decimal(15), Decimal(230))}
"""The test says something from about 1/2 to 9 in. (published second-hand); mm from memory."""
LIFT_S = (Decimal(3), Decimal(7))
"""5 s, give or take 2, to lift the mould (published second-hand)."""


def assess(value: Decimal | None, settings: Settings, stood: bool = True, lift_s: Decimal | None = None,
           whole_s: Decimal | None = None) -> Assessment:
    """A slump in in. or mm, as the job's units are; None: none was measured.

    stood: it did not shear or fall to one side. lift_s, whole_s: how long the lift and the whole test took, if known.
    """
    low, high = VALID[settings.units]
    invalid, warned = [], []
    if not stood:
        invalid.append(sentence("slump.sheared"))
    if value is None:
        invalid.append(sentence("slump.not_measured"))
    elif not 0 <= value <= MOULD[settings.units]:
        invalid.append(sentence("slump.impossible", value=f"{value:f}"))
    elif value > high:
        warned.append(sentence("slump.too_wet", value=f"{value:f}", limit=high))
    elif value < low:
        warned.append(sentence("slump.too_stiff", value=f"{value:f}", limit=low))
    if whole_s is not None and whole_s > settings.slump_s:
        invalid.append(sentence("slump.late", seconds=f"{whole_s:f}", limit=f"{settings.slump_s:f}"))
    if lift_s is not None and not LIFT_S[0] <= lift_s <= LIFT_S[1]:
        invalid.append(sentence("slump.lift", seconds=f"{lift_s:f}", low=LIFT_S[0], high=LIFT_S[1]))
    return assessed([result("slump", None if invalid else value, settings)], settings, invalid, warned)
