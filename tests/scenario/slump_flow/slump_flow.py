"""Slump flow (C1611 / T 347): the mean of two diameters of the spread, at right angles. A room of the tests' own."""
from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from assistant.core.assessment import Assessment, ResultSpec, assessed, result
from assistant.core.doubt import DOUBTFUL, Doubt
from assistant.core.judgement import Taken
from assistant.core.language import sentence
from assistant.core.methods.method import InRound, Method, in_units, ranged, rule, span
from assistant.core.methods.provenance import memory, second_hand
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

APART = {True: Decimal(50), False: Decimal(2)}
"""Diameters further apart, mm and in., are doubtful (second-hand: summaries of C1611)."""

FLOW = ResultSpec(name="slump_flow", inch_pound=("in.", "0.5"), si=("mm", "10"), limited=True, check_test=True,
                  source=second_hand("C1611: mean of the largest diameter and the one at right angles to it"),
                  reported=memory("C1611: nearest 1/2 in. or 10 mm", 70))


def apart(first: Decimal, second: Decimal, values: Values) -> bool:
    return abs(first - second) > APART[values.si]


def doubts(value: Decimal, taken: Taken, values: Values) -> Iterator[Doubt]:
    if apart(value, taken.get("flow.1", value), values):
        yield Doubt(DOUBTFUL, sentence("flow.apart", value=f"{value:f}"), "flow", True)


def assess(first: Decimal, second: Decimal, values: Values) -> Assessment:
    warned = [sentence("flow.repeat")] if apart(first, second, values) else []
    return assessed([result(FLOW, (first + second) / 2, values)], values, (), warned, bool(warned))


def work(given: WorkInput) -> Assessment:
    system, needed = given.one_system(("largest_in", "across_in"), ("largest_mm", "across_mm"))
    given.keys(needed, given.COMMON)
    return assess(*map(given.reading, needed), given.settings((), (FLOW,), system))


_SPAN = in_units(span("8", "40", "18", "32", "0.25"), span("200", "1000", "450", "810", "5"))
METHOD = Method(
    name="slump-flow", results=(FLOW,), work=work, round=InRound(takes_s=180, within="start_within_s", usual=False, retested=True),
    readings={"flow.1": ranged(_SPAN), "flow.2": ranged(_SPAN, sooner=doubts)},
    rules={"slump_flow": rule(lambda taken, values: assess(taken["flow.1"], taken["flow.2"], values))})
