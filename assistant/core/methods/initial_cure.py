"""The initial cure of cylinders (C31 / R 100): between which temperatures they stood, and for how long."""
from __future__ import annotations

from decimal import Decimal

from assistant.core import rounding
from assistant.core.assessment import FAIL, PASS, Assessment, ResultSpec, assessed, result
from assistant.core.judgement import Judgement, Marks, Taken, whole
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.cylinders import SET
from assistant.core.methods.method import Method, in_units, not_above, not_below, ranged, span
from assistant.core.methods.provenance import common, memory
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

STRONG_PSI = Decimal(6000)
"""From this specified strength on the initial cure is narrower (from memory, about 95 % sure)."""
CURE = {(units.INCH_POUND, False): (Decimal(60), Decimal(80)), (units.INCH_POUND, True): (Decimal(68), Decimal(78)),
        (units.SI, False): (Decimal(16), Decimal(27)), (units.SI, True): (Decimal(20), Decimal(26))}
"""Lowest and highest temperature of the initial cure by units and strength (from memory, about 95 % sure)."""
CURE_H = Decimal(48)
"""Longest initial cure, hours (from memory, about 95 % sure)."""

HIGH, LOW = (ResultSpec(name=name, inch_pound=("\u00b0F", "1"), si=("\u00b0C", "0.5"), limited=True,
                        source=memory(f"C31: {word} temperature of the initial cure is logged", 95),
                        reported=common("as the concrete's temperature"))
             for name, word in (("cure_high", "highest"), ("cure_low", "lowest")))
HOURS = ResultSpec(name="cure_hours", inch_pound=("h", "1"), limited=True, source=memory("C31: initial cure up to 48 h", 95),
                   reported=common("whole hours"))
_RESULTS = (HIGH, LOW, HOURS)


def initial_cure(high: Decimal, low: Decimal, hours: Decimal, settings: Values, rounded: bool = True) -> Assessment:
    """The log of the initial cure: highest and lowest temperature, and how long. A limit of the job's own takes the place of
    the one on the same result, and of no other. Both are compared alike; a record from before is judged with rounded false."""
    def beyond(value: Decimal, limit: Decimal, side: int) -> bool:
        compared = rounding.to_limit(value, limit, side, settings.rounding, settings.half_out) if rounded else value
        return side * (compared - limit) > 0

    strong = settings.strength_psi is not None and settings.strength_psi >= STRONG_PSI
    least, most = CURE[settings.units, strong]
    results = [result(spec, value, settings) for spec, value in zip(_RESULTS, (high, low, hours))]
    if low > high:
        return assessed([result(spec, None, settings) for spec in _RESULTS], settings, [sentence("cure.swapped")])
    done = assessed(results, settings)
    own = {name for name, pair in settings.limits.items() if pair != (None, None)}
    unit = units.unit("temperature", settings.units)
    out = [done.why] if done.verdict == FAIL else []
    out += [sentence("cure.hot", value=f"{high:f}", unit=unit, limit=most)] if "cure_high" not in own and beyond(high, most, 1) else []
    out += [sentence("cure.cold", value=f"{low:f}", unit=unit, limit=least)] if "cure_low" not in own and beyond(low, least, -1) else []
    out += [sentence("cure.long", hours=f"{hours:f}", limit=CURE_H)] if "cure_hours" not in own and beyond(hours, CURE_H, 1) else []
    ranged = not {"cure_high", "cure_low"} <= own
    warned = [sentence("cure.no_strength", limit=STRONG_PSI)] if ranged and settings.strength_psi is None else []
    inside = done.why if done.verdict == PASS else sentence("cure.inside", low=least, high=most, unit=unit)
    return Assessment(tuple(results), (*warned, *done.warnings), FAIL if out else PASS, "; ".join(out) or inside)


_STOOD = in_units(span("-40", "150", "40", "110"), span("-40", "65", "4", "43"))
READINGS = {"cylinder.set": SET,
            "cure.max": ranged(_STOOD, order=not_below("cure.min", "fresh.under_cure_min", equal=True)),
            "cure.min": ranged(_STOOD, order=not_above("cure.max", "fresh.over_cure_max", equal=True)),
            "cure.hours": ranged(in_units(span("1", "99", "8", "48")))}


def work(given: WorkInput) -> Assessment:
    system, needed = given.one_system(("highest_f", "lowest_f"), ("highest_c", "lowest_c"))
    given.keys((*needed, "hours"), ("strength_psi", *given.COMMON))
    job = given.settings(("strength_psi",), _RESULTS, system)
    high, low = map(given.signed, needed)
    return initial_cure(high, low, given.reading("hours"), job)


def _judge(taken: Taken, settings: Values, marks: Marks) -> Judgement:
    """Tests led by older rules compared the cure's own limits unrounded."""
    high, low, hours = (taken[f"cure.{name}"] for name in ("max", "min", "hours"))
    return whole(initial_cure(high, low, hours, settings, rounded=marks.rules >= 2), marks)


METHOD = Method(
    name="initial-cure", needs=("thermometer",), readings=READINGS, results=_RESULTS, work=work,
    rules={"initial_cure": _judge},
    sources={"initial_cure":
             memory("C31: 60 to 80 F, 68 to 78 F from 6000 psi on; 27 and 20 C and so on converted", 95)})
