"""The aggregate correction (C231 / T 152): air that a meter finds within the aggregate, which is none of the concrete's."""
from __future__ import annotations

from decimal import Decimal

from assistant.core import rounding
from assistant.core.assessment import Assessment, ResultSpec, assessed, result
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import Method, in_units, ranged, rule, span
from assistant.core.methods.pressure_air import READING
from assistant.core.methods.provenance import common, memory, second_hand
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

UNUSUAL = (Decimal("0.1"), Decimal("0.5"))
"""Typical corrections, % (from memory, about 90 % sure)."""

CORRECTION = ResultSpec(
    name="aggregate_correction", inch_pound=("%", "0.1"), limited=True,
    source=memory("Type B: reading less the water withdrawn, % of the bowl", 90),
    reported=second_hand("C231: the gauge is readable to 0.1 %"))
FINE, COARSE = (ResultSpec(name=name, inch_pound=("lb", "0.01"), si=("kg", "0.01"), source=source,
                           reported=common("0.01 lb or kg"))
                for name, source in (("fine_sample", memory("Fs = (S / B) Fb, moist masses", 90)),
                                     ("coarse_sample", memory("Cs = (S / B) Cb, moist masses", 90))))


def sample_masses(settings: Values) -> tuple[Decimal, Decimal] | None:
    """Fine and coarse aggregate for the bowl, Fs = (S / B) Fb and Cs = (S / B) Cb, in lb or kg; None where the job has
    not all of bowl_volume, batch_volume, fine_aggregate and coarse_aggregate."""
    bowl, batch, fine, coarse = map(settings.amount, ("bowl_volume", "batch_volume", "fine_aggregate", "coarse_aggregate"))
    if bowl is None or batch is None or fine is None or coarse is None:
        return None
    return bowl / batch * fine, bowl / batch * coarse


def correction(reading: Decimal, withdrawn: Decimal, settings: Values) -> Assessment:
    """Aggregate correction G, % of the bowl: what the Type B gauge reads less the water that was drawn off."""
    factor = reading - withdrawn
    invalid = [sentence("aggregate.negative")] if factor < 0 else []
    found = result(CORRECTION, None if invalid else factor, settings)
    warned = [sentence("aggregate.unusual", factor=found.rounded)] if found.value is not None and not (
        UNUSUAL[0] <= found.value <= UNUSUAL[1]) else []
    return assessed([found], settings, invalid, warned)


def words(settings: Values) -> dict[str, str]:
    masses = sample_masses(settings)
    return {"aggregate_sample": sentence("aggregate.no_masses") if masses is None else sentence(
        "aggregate.masses", fine=rounding.round_to(masses[0], 2), coarse=rounding.round_to(masses[1], 2),
        unit=sentence("unit.kg" if settings.si else "unit.lb"))}


_AMOUNTS = {units.INCH_POUND: ("bowl_volume_ft3", "batch_volume_ft3", "fine_aggregate_lb", "coarse_aggregate_lb"),
            units.SI: ("bowl_volume_m3", "batch_volume_m3", "fine_aggregate_kg", "coarse_aggregate_kg")}


def work(given: WorkInput) -> Assessment:
    """Either the masses to weigh, or the correction from the meter's reading, or both."""
    system, amounts = given.one_system(*_AMOUNTS.values())
    read = ("reading_pct", "withdrawn_pct")
    wanted = tuple(key for group in (amounts, read) if any(one in given for one in group) for key in group) or read
    given.keys(wanted, (*amounts, *read, *given.COMMON))
    job = given.settings(amounts, (CORRECTION,), system)
    masses = sample_masses(job)
    weighed = [] if masses is None else [result(spec, mass, job) for spec, mass in zip((FINE, COARSE), masses)]
    if "reading_pct" not in given:
        return assessed(weighed, Values(units=system))
    reading, withdrawn = map(given.reading, read)
    done = correction(reading, withdrawn, job)
    return Assessment((*weighed, *done.results), done.warnings, done.verdict, done.why)


METHOD = Method(
    name="aggregate-correction", on_meter=True, results=(CORRECTION, FINE, COARSE), words=words, work=work,
    readings={"air.reading": READING, "water.drawn": ranged(in_units(span("0", "20", "2", "8")))},
    rules={"aggregate_correction": rule(lambda taken, settings: correction(
        taken["air.reading"], taken["water.drawn"], settings))})
