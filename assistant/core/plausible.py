"""Can this reading be true, and where does it most likely lie? Each method says it of its own readings; here it is asked.

A hard doubt (impossible) refuses a reading, a soft one (doubtful) asks for it to be confirmed. Nothing here changes a reading.
"""
from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from assistant.core.doubt import DOUBTFUL, IMPOSSIBLE, Doubt, no_number
from assistant.core.events import RULES
from assistant.core.judgement import Taken
from assistant.core.methods import registry
from assistant.core.methods.method import Band
from assistant.core.methods.values import Values

__all__ = ["DOUBTFUL", "IMPOSSIBLE", "Band", "band", "doubts", "likely_range", "plausible_range", "reading"]

FINEST = Decimal("0.01")
"""No instrument here is read finer."""


def reading(name: str, value: Decimal, taken: Taken, settings: Values, rules: int = RULES) -> Doubt | None:
    """The first doubt about a reading, the hard rules before the soft ones; None when it is plausible.

    `taken` holds the readings taken so far by name; a rule whose other readings are missing is left out. `rules`: by which the
    test is led.
    """
    return next((doubt for doubt in doubts(name, value, taken, settings, rules) if doubt.since <= rules), None)


def doubts(name: str, value: Decimal, taken: Taken, settings: Values, rules: int = RULES) -> Iterator[Doubt]:
    """Every doubt, in order. An impossible reading has just the one. ValueError: no method has such a reading."""
    none = no_number(value, rules)
    yield from [none] if none else registry.reading(name).doubts(value, taken, settings)


def plausible_range(name: str, taken: Taken, settings: Values) -> tuple[Decimal, Decimal]:
    """The lowest and highest reading that the hard rules allow, both included, for the listening grammar."""
    return registry.reading(name).possible(taken, settings)


def likely_range(name: str, taken: Taken, settings: Values) -> tuple[Decimal, Decimal] | None:
    """The lowest and highest likely value, in the reading's unit, within what is plausible; None where nothing is known.

    The ear uses it to rank what it may have heard, never to make a value of something else: what lies outside is understood too,
    it only has to be heard more surely. Nothing of it is ever spoken or shown: people read what they expect.
    """
    found = registry.reading(name).likely(taken, settings)
    if found is None:
        return None
    least, most = plausible_range(name, taken, settings)
    low, high = max(found[0], least), min(found[1], most)
    return (low.quantize(FINEST), high.quantize(FINEST)) if low < high else None


def band(name: str, value: Decimal, settings: Values) -> Band:
    """Where a charge stands. ValueError on any reading without a band."""
    its = registry.reading(name).band
    if its is None:
        raise ValueError(f"{name} has no band")
    return its(value, settings)
