"""Temperature of the concrete (C1064 / T 309): what it can be, and in which scale it was read."""
from __future__ import annotations

from decimal import Decimal

from assistant.core.assessment import Assessment, Precision, ResultSpec, assessed, result
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import InRound, Method, Span, in_units, own, ranged, rule
from assistant.core.methods.provenance import published, second_hand
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

POSSIBLE = {units.INCH_POUND: (Decimal(32), Decimal(120)), units.SI: (Decimal(0), Decimal(49))}
"""From freezing (derived) to the end of the range that a device is checked for (published: C1064-03, 30 to 120 F)."""
USUAL = {units.INCH_POUND: (Decimal(40), Decimal(100)), units.SI: (Decimal(5), Decimal(38))}
"""Outside it a reading is confirmed (ours): placing limits lie between 40 and 95 F."""

TEMPERATURE = ResultSpec(
    name="temperature", inch_pound=("\u00b0F", "1"), si=("\u00b0C", "0.5"), limited=True,
    highest_limit=((Decimal(45), Decimal(130)), (Decimal(4), Decimal(50))),
    source=published("C1064-03 4.1-4.3 and an agency's checklist of 2014: read in place"),
    reported=published("C1064-03: nearest 1 F or 0.5 C"),
    precision=Precision(((Decimal(0), Decimal("1.9")),), second_hand("C1064: two people 1.9 F, training slides")))


def doubt(value: Decimal, settings: Values) -> str:
    """Why a reading can't be the concrete's temperature, naming the other scale where that would explain it; else empty."""
    low, high = POSSIBLE[settings.units]
    if low <= value <= high:
        return ""
    side = "below" if value < low else "above"
    other_low, other_high = POSSIBLE[units.INCH_POUND if settings.si else units.SI]
    if other_low <= value <= other_high:
        return sentence(f"temperature.scale_{'si' if settings.si else 'us'}", value=f"{value:f}")
    return sentence(f"temperature.{side}", value=f"{value:f}", unit=units.unit("temperature", settings.units))


def assess(value: Decimal, settings: Values, waited_s: Decimal | None = None) -> Assessment:
    """A reading in the job's scale; waited_s: how long the thermometer stood in the concrete, if known."""
    invalid = [why for why in [doubt(value, settings)] if why]
    if waited_s is not None and waited_s < settings.thermometer_s:
        invalid.append(sentence("temperature.too_soon", seconds=f"{waited_s:f}", needed=f"{settings.thermometer_s:f}"))
    return assessed([result(TEMPERATURE, None if invalid else value, settings)], settings, invalid)


def work(given: WorkInput) -> Assessment:
    system, (key,) = given.one_system(("temperature_f",), ("temperature_c",))
    given.keys((key,), ("waited_s", *given.COMMON))
    return assess(given.reading(key), given.settings((), (TEMPERATURE,), system), given.optional("waited_s"))


METHOD = Method(
    name="temperature", needs=("thermometer",), results=(TEMPERATURE,), work=work,
    counts_for=("temperature",),  # alone it asks for no composite sample (C1064, second-hand)
    readings={"temperature": ranged(in_units(*(Span(*POSSIBLE[one], *USUAL[one]) for one in units.SYSTEMS)), outside=doubt,
                                    example="68")},
    rules={"temperature": rule(lambda taken, settings: assess(taken["temperature"], settings))},
    words=lambda settings: {"temperature_places": "1" if settings.si else "0"},
    values=(own("thermometer_s", "120 300", "60 600"),),
    round=InRound(takes_s=150, within="start_within_s", by_end=True, compared=True, stands="thermometer_s"),
    sources={"temperature_range":
             published("C1064-03: a device for 30 to 120 F; below freezing no concrete is fresh: derived"),
             "temperature_completed": second_hand("C1064: completed, not only begun, within 5 minutes of sampling")})
