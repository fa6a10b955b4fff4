"""Words that the other tests' procedure files may use in braces, made from the settings."""

from decimal import Decimal

from assistant.core import phrases, pressure_air, rounding, units
from assistant.core.calibration import known_air
from assistant.core.language import sentence
from assistant.core.settings import Settings

HALF_FOOT3 = Decimal("0.5")
"""25 strokes a layer up to this volume, 50 above (published second-hand)."""
USUAL_SLUMP_S = 150
"""Seconds that have a name of their own: "two and a half minutes"."""


def of_settings(settings: Settings) -> dict[str, str]:
    found = units.words(settings.units)
    found["mass_places"], found["slump_places"], found["temperature_places"] = ("2", "0", "1") if settings.si else ("1", "2", "0")
    found["lift_beats_s"] = f"{settings.lift_s - 1:f}"  # the end sounds one beat after the last
    for name in ("start", "mould", "portions"):
        found[f"{name}_within"] = phrases.duration(getattr(settings, f"{name}_within_s"))
    usual = settings.slump_s == USUAL_SLUMP_S
    found["slump_within"] = sentence("slump.usual_time") if usual else phrases.duration(settings.slump_s)
    volume = settings.amount("measure_volume")
    large = None if volume is None else volume > HALF_FOOT3 * (units.FOOT3_IN_M3 if settings.si else 1)
    found["measure_strokes"] = sentence({None: "density.strokes", False: "density.strokes_small",
                                          True: "density.strokes_large"}[large])
    known = known_air(settings)
    found["known_air"] = sentence("calibration.unknown_air") if known is None else f"{rounding.to_step(known, Decimal('0.05'))}"
    masses = pressure_air.sample_masses(settings)
    unit = sentence("unit.kg" if settings.si else "unit.lb")
    found["aggregate_sample"] = sentence("aggregate.no_masses") if masses is None else sentence(
        "aggregate.masses", fine=rounding.round_to(masses[0], 2), coarse=rounding.round_to(masses[1], 2), unit=unit)
    return found
