"""Where a reading most likely lies, from the method and from what was read before.

The ear uses it to rank what it may have heard, never to make a value of something else: what lies outside is
understood too, it only has to be heard more surely. It is narrower than `plausible.plausible_range`, outside which
a reading can't be true. Nothing of it is ever spoken or shown: people read what they expect.
"""

from decimal import Decimal

from assistant.core import fresh_readings, pressure
from assistant.core.plausible import FAR_PSI, RESOLUTION, Taken, plausible_range
from assistant.core.settings import Settings

NEAR_CHARGE_PSI = Decimal("0.5")
"""A pump stroke too many or too few (ours)."""

LOWER_IN_RUN_2_PSI = Decimal("0.3")
"""Run 2 gains on run 1; a reading slip may show the reverse by a little (ours)."""


def likely_range(name: str, taken: Taken, settings: Settings) -> tuple[Decimal, Decimal] | None:
    """The lowest and highest likely value, in the reading's unit, within what is plausible; None where nothing is known.

    `name` and `taken` as for `plausible.reading`. The bands are the settings' and ours, of no published standing.
    """
    found = _range(name, taken, settings)
    if found is None:
        return None
    least, most = plausible_range(name, taken, settings)
    low, high = max(found[0], least), min(found[1], most)
    return (low.quantize(RESOLUTION), high.quantize(RESOLUTION)) if low < high else None


def _range(name: str, taken: Taken, settings: Settings) -> tuple[Decimal, Decimal] | None:
    if fresh_readings.knows(name):
        return fresh_readings.usual(name, taken, settings)
    if name in ("leak.charge", "leak.initial"):
        return settings.leak_low - NEAR_CHARGE_PSI, settings.leak_high + NEAR_CHARGE_PSI
    if name == "leak.final":
        initial = taken.get("leak.initial")
        return None if initial is None else (initial - FAR_PSI, initial + FAR_PSI)
    kind, run, step = name.split(".")
    if kind == "charge":
        target = settings.target(int(step))
        return target - NEAR_CHARGE_PSI, target + NEAR_CHARGE_PSI
    in_run_1 = taken.get(f"equilibrium.1.{step}")
    if run == "2" and in_run_1 is not None:
        return in_run_1 - LOWER_IN_RUN_2_PSI, in_run_1 + settings.metric_high_psi
    charge = taken.get(f"charge.{run}.{step}")
    if charge is None:
        return None
    if step == "1":
        return tuple(sorted(_first(charge, air, settings)  # type: ignore[return-value]
                            for air in (settings.air_low_pct, settings.air_high_pct)))
    first, first_charge, before = (taken.get(f"{name}.{run}.{at}") for name, at in (
        ("equilibrium", 1), ("charge", 1), ("equilibrium", int(step) - 1)))
    if first is None or first_charge is None or before is None or not 0 < first < first_charge:
        return None
    expected = pressure.equilibrium(charge, before, pressure.bowl_ratio(first_charge, first, Decimal(0)))
    return expected - settings.below_prediction_psi, expected + settings.above_prediction_psi


def _first(charge: Decimal, air: Decimal, settings: Settings) -> Decimal:
    """The first equilibrium that this air content, %, would give: `pressure.air_content` the other way round."""
    whole = 100 * settings.chamber_ratio
    return charge * whole / (air + settings.aggregate_correction_pct + whole)
