"""Cylinders picked up for the laboratory: which set, how many, and who took them."""
from __future__ import annotations

from assistant.core.assessment import NONE
from assistant.core.judgement import Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods.cylinders import SET
from assistant.core.methods.method import Method, in_units, ranged, span
from assistant.core.methods.provenance import memory
from assistant.core.methods.values import Values


def _picked_up(_taken: Taken, _settings: Values, _marks: Marks) -> Judgement:
    """It has no result; that it happened is what counts."""
    return Judgement("gone", "", (), NONE, sentence("cylinders.gone"))


METHOD = Method(
    name="pick-up", rules={"pick_up": _picked_up},
    readings={"cylinder.set": SET, "picked.count": ranged(in_units(span("1", "24", "1", "12"))),
              "picked.by": ranged(in_units(span("0", "99999999", "0", "99999999")))},
    sources={"pick_up": memory("C31: not moved before 8 h after final set, at most 4 h on the road, cushioned and kept from drying", 90)})
