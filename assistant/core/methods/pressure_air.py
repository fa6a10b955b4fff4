"""Air content by the pressure method (C231 / T 152): what the gauge reads, less what the aggregate itself holds."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal

from assistant.core.assessment import Assessment, assessed, result
from assistant.core.doubt import DOUBTFUL, Doubt
from assistant.core.judgement import Taken
from assistant.core.language import sentence
from assistant.core.methods.method import InRound, Method, in_units, ranged, rule, span, vessel_ft3
from assistant.core.methods.pressure_meter import AIR_CHECKS, AIR_CONTENT, SETTLE, aggregate_correction, no_correction, refuses
from assistant.core.methods.provenance import memory, published, second_hand
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

TYPE_B = published("Illinois Modified T 152 checklist, 2009: gauge reading less the aggregate correction")
TYPE_A = memory("h1 - h2 less the aggregate correction", 85)


def _under_the_water(value: Decimal, taken: Taken, _settings: Values) -> Iterator[Doubt]:
    """Where water was drawn off before, for the aggregate correction."""
    if value < taken.get("water.drawn", value):
        yield Doubt(DOUBTFUL, sentence("fresh.under_water", value=f"{value:f}"), "range")


READING = ranged(in_units(span("0", "30", "1", "12")), later=_under_the_water, example="6.2")
"""Air on the gauge, %."""


def assess(reading: Decimal, settings: Values, after_release: Decimal | None = None) -> Assessment:
    """Air content, %: the gauge's reading (Type B), or reading less the one after release (Type A), less the correction."""
    apparent = reading if after_release is None else reading - after_release
    correction = aggregate_correction(settings)
    air = apparent - correction
    found = replace(result(AIR_CONTENT, air if 0 <= air <= 100 else None, settings),
                    standing=str(TYPE_B if after_release is None else TYPE_A))
    invalid = []
    if air < 0:
        invalid.append(sentence("air.negative", reading=f"{apparent:f}", correction=f"{correction:f}"))
    elif air > 100:
        invalid.append(sentence("air.over"))
    warned = [sentence("air.unusual", air=found.rounded)] if found.rounded is not None and not (
        settings.air_low_pct <= found.rounded <= settings.air_high_pct) else []
    return assessed([found], settings, invalid, [*warned, *no_correction(settings)])


def work(given: WorkInput) -> Assessment:
    given.keys(("reading_pct",), ("after_release_pct", "aggregate_correction_pct", *given.COMMON))
    job = given.settings(("aggregate_correction_pct",), (AIR_CONTENT,))
    return assess(given.reading("reading_pct"), job, given.optional("after_release_pct"))


METHOD = Method(
    name="pressure-air", needs=("rod",), on_meter=True,
    readings={"air.reading": READING}, results=(AIR_CONTENT,), work=work, air_meter=True,
    counts_for=("sample", "air"),
    rules={"pressure_air": rule(lambda taken, settings: assess(taken["air.reading"], settings))},
    values=(SETTLE, *AIR_CHECKS), lacks=no_correction, refuses=refuses,
    round=InRound(concrete_ft3=lambda settings: vessel_ft3(settings, "bowl_volume"), takes_s=240, begins_s=10,
                  within="start_within_s", full_at="full", usual=False, retested=True, compared=True),
    sources={"type_b_air": TYPE_B, "type_a_air": TYPE_A,
             "air_reading_range": second_hand("Concrete Construction on C231-04: the gauge reaches at least 8 %")})
