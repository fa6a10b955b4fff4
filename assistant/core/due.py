"""How many samples a day's volume asks for. (Published, UFGS 03311: one composite for each 100 yd3 or part of it, of each mix
on each day; under 50 yd3 the strength test may be waived, not the sample. Every figure is the job's.)"""
from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal

from assistant.core.assessment import UNITS
from assistant.core.language import sentence


@dataclass(frozen=True)
class Due:
    needed: int
    """Samples that the volume placed so far, and the day, ask for."""
    taken: int
    due: bool
    next_at: Decimal | None
    """The sample after those needed, or taken if they are more, is due as soon as more than this has been placed; None: volume
    asks for none."""
    words: str
    """One sentence, to be said or shown."""


def sample_due(placed: Decimal, taken: int, every: Decimal | None = None, at_least_per_day: int = 0,
               waived_under: Decimal | None = None, unit: str = "yd3", wholly: bool = False) -> Due:
    """Whether a sample is due, from the volume placed today (the load being placed included) and samples taken.

    All volumes are in ``unit``, yd3 or m3. Below ``waived_under`` the volume asks for none; ``at_least_per_day`` still does,
    unless the waiver is ``wholly``. ValueError: a negative volume or count, or ``every`` not above zero.
    """
    if placed < 0 or taken < 0 or (every is not None and every <= 0):
        raise ValueError("volume and samples must not be negative, and every must be above zero")
    volume, unit = f"{placed:f}", sentence(f"unit.{UNITS[unit]}")
    if placed == 0:
        return Due(0, taken, False, Decimal(0), sentence("due.nothing"))
    waived = waived_under if waived_under is not None and placed < waived_under else None
    if waived is not None and (wholly or not at_least_per_day):
        return Due(0, taken, False, waived, sentence("due.waived", volume=volume, unit=unit, under=f"{waived:f}"))
    by_volume = 0 if waived is not None or every is None else int((placed / every).to_integral_value(ROUND_CEILING))
    needed = max(by_volume, at_least_per_day)
    following = None if every is None else max(max(needed, taken) * every, every if waived is None else waived)
    words = sentence("due.due" if taken < needed else "due.done", volume=volume, unit=unit, needed=needed, taken=taken)
    if waived is not None:
        words += " " + sentence("due.day_only", unit=unit, under=f"{waived:f}", day=at_least_per_day)
    if following is not None:
        words += " " + sentence("due.next", volume=f"{following:f}", unit=unit)
    return Due(needed, taken, taken < needed, following, words)
