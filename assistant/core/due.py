"""How many samples a day's volume asks for. (Published, UFGS 03311: one composite for each 100 yd3 or part of it, of each mix
on each day; under 50 yd3 the strength test may be waived. Every figure is the job's.)"""
from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

from assistant.core.language import sentence


@dataclass(frozen=True)
class Due:
    needed: int
    """Samples that the volume placed so far asks for."""
    taken: int
    due: bool
    next_at_yd3: Decimal | None
    """The sample after those needed, or taken if they are more, is due as soon as more than this has been placed; None: volume
    asks for none."""
    words: str
    """One sentence, to be said or shown."""


def sample_due(placed_yd3: Decimal, taken: int, every_yd3: Decimal | None = None, at_least_per_day: int = 0,
               waived_under_yd3: Decimal | None = None) -> Due:
    """Whether a sample is due, from cubic yards placed today (the load being placed included) and samples taken.

    ValueError: a negative volume or count, or ``every_yd3`` not above zero.
    """
    if placed_yd3 < 0 or taken < 0 or (every_yd3 is not None and every_yd3 <= 0):
        raise ValueError("volume and samples must not be negative, and every_yd3 must be above zero")
    volume = f"{placed_yd3:f}"
    if placed_yd3 == 0:
        return Due(0, taken, False, Decimal(0), sentence("due.nothing"))
    if waived_under_yd3 is not None and placed_yd3 < waived_under_yd3:
        return Due(0, taken, False, waived_under_yd3, sentence("due.waived", volume=volume, under=f"{waived_under_yd3:f}"))
    by_volume = int((placed_yd3 / every_yd3).to_integral_value(ROUND_CEILING)) if every_yd3 is not None else 0
    needed = max(by_volume, at_least_per_day)
    following = None if every_yd3 is None else max(needed, taken) * every_yd3
    words = sentence("due.due" if taken < needed else "due.done", volume=volume, needed=needed, taken=taken)
    if following is not None:
        words += " " + sentence("due.next", volume=f"{following:f}")
    return Due(needed, taken, taken < needed, following, words)
