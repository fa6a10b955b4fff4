"""The load's ticket: which load it is, how old, what was added to it on site. Every line of it may be left out."""
from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal

from assistant.core.assessment import NONE, Assessment, ResultSpec, assessed, result
from assistant.core.doubt import IMPOSSIBLE, Doubt
from assistant.core.judgement import Judgement, Marks, Taken, whole
from assistant.core.language import sentence
from assistant.core.methods.method import InRound, Method, in_units, own, ranged, span
from assistant.core.methods.provenance import common, memory
from assistant.core.methods.values import Values
from assistant.core.phrases import time_of_day
from assistant.core.steps import BATCHED, NUMBER, PLACED, VOLUME

MOST_REVOLUTIONS = Decimal(300)
"""Of the drum, unless the job says otherwise (from memory, about 85 % sure: older editions of C94, newer ones leave it out)."""

WATER = ResultSpec(name="site_water", inch_pound=("gal/yd3", "0.01"), si=("L/m3", "0.1"), limited=True,
                   own_limits=lambda settings: settings.limits.get("site_water", (None, None)),
                   source=common("water added on site / volume of the load"), reported=common("0.01 gal/yd3 or 0.1 L/m3"))
REVOLUTIONS = ResultSpec(name="drum_revolutions", inch_pound=("", "1"), limited=True,
                         own_limits=lambda settings: settings.limits.get("drum_revolutions", (None, MOST_REVOLUTIONS)),
                         source=common("as the drum's counter shows"), reported=common("a count"))
"""Neither is a property of the concrete: a check test changes nothing of it."""


def assess(taken: Taken, settings: Values) -> Assessment:
    """Water per volume of the load against the job's allowance, and the drum's revolutions."""
    water, volume, turned = (taken.get(f"ticket.{name}") for name in ("water", "volume", "revolutions"))
    results, warnings = [], []
    if water is not None and volume:
        results.append(result(WATER, water / volume, settings))
    elif water and settings.limits.get(WATER.name):
        warnings.append(sentence("ticket.no_volume"))
    if turned is not None:
        results.append(result(REVOLUTIONS, turned, settings))
    return assessed(results, replace(settings, limits={**settings.limits, REVOLUTIONS.name: REVOLUTIONS.limits(settings)}),
                    warnings=warnings)


def _ticket(taken: Taken, settings: Values, marks: Marks) -> Judgement:
    found = assess(taken, settings)
    judged = whole(found, marks)
    if judged.verdict != NONE:
        return judged
    # Who named no limit needs not to be told so of a slip of paper.
    words = " ".join(sentence("verdict.warning", warning=one) for one in judged.warnings)
    return replace(judged, words=words, why=sentence("ticket.taken"))


def _water(taken: Taken, _settings: Values, _marks: Marks) -> Judgement:
    """Whether to ask when it was added; nothing is said."""
    return Judgement("some" if taken.get("ticket.water") else "none", "")


def labels(taken: Taken, settings: Values) -> Mapping[str, str]:
    """What every test on this load carries."""
    def plain(name: str) -> str:
        return f"{taken[f'ticket.{name}']:f}" if f"ticket.{name}" in taken else ""
    found = {"ticket": plain("number"), "truck": plain("truck"), "load": plain("load"), "batched_at": _clock(taken, "batched"),
             "revolutions": plain("revolutions"), "location": plain("location"),
             "volume_m3" if settings.si else "volume_yd3": plain("volume")}
    if (water := taken.get("ticket.water")) is not None:
        at = _clock(taken, "water_at")
        amount = f"{water:f} {'L' if settings.si else 'gal'}"
        found["water_added"] = sentence("ticket.water_at", amount=amount, time=at) if at else amount
    return {key: text for key, text in found.items() if text}


def _clock(taken: Taken, name: str) -> str:
    value = taken.get(f"ticket.{name}")
    return "" if value is None else time_of_day(value)


def _no_time(value: Decimal, _taken: Taken, _settings: Values) -> Iterator[Doubt]:
    if value % 100 > 59:
        yield Doubt(IMPOSSIBLE, sentence("ticket.no_time", value=f"{value:f}"), "time")


_NUMBER = ranged(in_units(span("0", "99999999", "0", "99999999")))
_TIME = ranged(in_units(span("0", "2359", "0", "2359")), sooner=_no_time, time_of_day=True)

METHOD = Method(
    name="delivery", results=(WATER, REVOLUTIONS), rules={"delivery": _ticket, "delivery_water": _water}, labels=labels,
    readings={
        "ticket.number": _NUMBER, "ticket.truck": _NUMBER, "ticket.load": ranged(in_units(span("1", "9999", "1", "300"))),
        "ticket.batched": _TIME,
        "ticket.water": ranged(in_units(span("0", "100", "0", "30"), span("0", "400", "0", "120"))), "ticket.water_at": _TIME,
        "ticket.revolutions": ranged(in_units(span("0", "2000", "10", "300"))),
        "ticket.volume": ranged(in_units(span("0.1", "20", "1", "14"), span("0.1", "15", "0.5", "11"))),
        "ticket.location": ranged(in_units(span("0", "999999", "0", "999999")))},
    values=(own("discharge_within_s", "5400 5400", "1800 14400"),),
    words=lambda settings: {"water_places": "0" if settings.si else "1"},
    roles={"ticket.batched": BATCHED, "ticket.load": NUMBER, "ticket.volume": VOLUME, "results": PLACED}, round=InRound(takes_s=60, usual=False, before_sample=("delivery",), again=True),
    sources={"ticket_order": common("the lines of a delivery ticket, in the order in which most have them"),
             "most_revolutions": memory("C94, older editions: at most 300 revolutions; newer ones leave it to the purchaser", 85)})
