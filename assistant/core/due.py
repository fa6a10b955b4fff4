"""How many samples a day's volume asks for. (Published, UFGS 03311: one composite for each 100 yd3 or part of it, of each mix
on each day; under 50 yd3 the strength test may be waived, not the sample. Every figure is the job's.)"""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, Decimal
from typing import Any

from assistant.core.assessment import UNITS
from assistant.core.language import sentence
from assistant.core.methods import units

WHOLLY_WAIVED = ("strength",)
"""Under its volume not even one a day is asked for (UFGS 03311, published: the strength test may be waived, not the sample)."""


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


def told(rules: Sequence[Mapping[str, Any]], volume: Decimal, unit: str, taken: Mapping[str, Decimal],
         number: Decimal | None = None) -> str:
    """What is due with a load of ``volume``, in ``unit``, and at which load the next is, if those to come are as large.

    rules   what the record has before this load, for each frequency: ``of`` what, ``unit``, ``every``, ``at_least_per_day``,
            ``waived_under``, ``wholly``, samples ``taken``, and ``loads``, the volume of each load
    taken   the readings of its ticket, by which a load that was read off before counts once
    number  of this load in the day, if known
    """
    now: list[str] = []
    following: dict[int, list[str]] = {}
    for rule in rules:
        size = units.convert(volume, unit, rule["unit"])
        again = {f"{name} {value:f}" for name, value in taken.items()}
        placed = size + sum((Decimal(each) for name, each in rule["loads"].items() if name not in again), Decimal(0))
        every, waived = (None if rule[key] is None else Decimal(rule[key]) for key in ("every", "waived_under"))
        found = sample_due(placed, rule["taken"], every, rule["at_least_per_day"], waived, rule["unit"], rule["wholly"])
        if found.due:
            now.append(sentence(f"due.of_{rule['of']}"))
        if found.next_at is not None and size:
            following.setdefault(int(max(found.next_at - placed, Decimal(0)) // size) + 1, []).append(
                sentence(f"due.of_{rule['of']}"))
    words = [sentence("due.now", what=_listed(now))] if now else []
    if following:
        loads = min(following)
        what = _listed(following[loads])
        if number is not None:
            words.append(sentence("due.at_load", what=what, load=f"{number + loads:f}"))
        else:
            words.append(sentence("due.next_load", what=what) if loads == 1 else sentence("due.in_loads", what=what, count=loads))
    return " ".join(words)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else sentence("round.and", first=", ".join(words[:-1]), last=words[-1])
