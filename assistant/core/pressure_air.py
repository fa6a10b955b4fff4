"""Air content by the pressure method (C231 / T 152), and the aggregate correction that it needs."""

from dataclasses import replace
from decimal import Decimal

from assistant.core import standing
from assistant.core.assessment import Assessment, assessed, result
from assistant.core.language import sentence
from assistant.core.settings import Settings


def assess(reading: Decimal, settings: Settings, after_release: Decimal | None = None) -> Assessment:
    """Air content, %: the gauge's reading (Type B), or reading less the one after release (Type A), less the correction."""
    apparent = reading if after_release is None else reading - after_release
    air = apparent - settings.aggregate_correction_pct
    found = result("air_content", air if 0 <= air <= 100 else None, settings)
    found = replace(found, standing=standing.of("type_b_air" if after_release is None else "type_a_air"))
    invalid = []
    if air < 0:
        invalid.append(sentence("air.negative", reading=f"{apparent:f}", correction=f"{settings.aggregate_correction_pct:f}"))
    elif air > 100:
        invalid.append(sentence("air.over"))
    warned = [sentence("air.unusual", air=found.rounded)] if found.rounded is not None and not (
        settings.air_low_pct <= found.rounded <= settings.air_high_pct) else []
    return assessed([found], settings, invalid, warned)


def sample_masses(settings: Settings) -> tuple[Decimal, Decimal] | None:
    """Fine and coarse aggregate for the bowl, Fs = (S / B) Fb and Cs = (S / B) Cb, in lb or kg; None where the job has
    not all of bowl_volume, batch_volume, fine_aggregate and coarse_aggregate."""
    bowl, batch, fine, coarse = map(settings.amount, ("bowl_volume", "batch_volume", "fine_aggregate", "coarse_aggregate"))
    if bowl is None or batch is None or fine is None or coarse is None:
        return None
    return bowl / batch * fine, bowl / batch * coarse


def correction(reading: Decimal, withdrawn: Decimal, settings: Settings) -> Assessment:
    """Aggregate correction G, % of the bowl: what the Type B gauge reads less the water that was drawn off."""
    factor = reading - withdrawn
    invalid = [sentence("aggregate.negative")] if factor < 0 else []
    found = result("aggregate_correction", None if invalid else factor, settings)
    warned = [sentence("aggregate.unusual", factor=found.rounded)] if found.value is not None and not (
        UNUSUAL[0] <= found.value <= UNUSUAL[1]) else []
    return assessed([found], settings, invalid, warned)


UNUSUAL = (Decimal("0.1"), Decimal("0.5"))
"""Typical corrections, % (from memory, about 90 % sure)."""
