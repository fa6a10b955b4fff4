"""Temperature of the concrete (C1064 / T 309): what it can be, and in which scale it was read."""

from decimal import Decimal

from assistant.core import units
from assistant.core.assessment import Assessment, assessed, result
from assistant.core.language import sentence
from assistant.core.settings import Settings

POSSIBLE = {units.INCH_POUND: (Decimal(32), Decimal(120)), units.SI: (Decimal(0), Decimal(49))}
"""From freezing (derived) to the end of the range that a device is checked for (published: C1064-03, 30 to 120 F)."""
USUAL = {units.INCH_POUND: (Decimal(40), Decimal(100)), units.SI: (Decimal(5), Decimal(38))}
"""Outside it a reading is confirmed (ours): placing limits lie between 40 and 95 F."""


def doubt(value: Decimal, settings: Settings) -> str:
    """Why a reading can't be the concrete's temperature, naming the other scale where that would explain it; else empty."""
    low, high = POSSIBLE[settings.units]
    if low <= value <= high:
        return ""
    side = "below" if value < low else "above"
    other_low, other_high = POSSIBLE[units.INCH_POUND if settings.si else units.SI]
    if other_low <= value <= other_high:
        return sentence(f"temperature.scale_{'si' if settings.si else 'us'}", value=f"{value:f}")
    return sentence(f"temperature.{side}", value=f"{value:f}", unit=units.unit("temperature", settings.units))


def assess(value: Decimal, settings: Settings, waited_s: Decimal | None = None) -> Assessment:
    """A reading in the job's scale; waited_s: how long the thermometer stood in the concrete, if known."""
    invalid = [why for why in [doubt(value, settings)] if why]
    if waited_s is not None and waited_s < settings.thermometer_s:
        invalid.append(sentence("temperature.too_soon", seconds=f"{waited_s:f}", needed=f"{settings.thermometer_s:f}"))
    return assessed([result("temperature", None if invalid else value, settings)], settings, invalid)
