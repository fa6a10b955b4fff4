"""Density, yield, gravimetric air and cement content (C138 / T 121): a measure is weighed empty and full.

Masses and volumes are all inch-pound (lb, ft3; yields in yd3) or all SI (kg, m3), as the units of the job say. Nothing is rounded
on the way.
"""
from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any

from assistant.core import rounding
from assistant.core.assessment import UNITS, Assessment, Precision, Result, ResultSpec, assessed, result
from assistant.core.doubt import DOUBTFUL, Doubt
from assistant.core.judgement import Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import InRound, Method, Pair, in_units, not_above, not_below, ranged, rule, span, vessel_ft3
from assistant.core.methods.provenance import Provenance, common, memory, published, second_hand
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

NORMAL = {units.INCH_POUND: (Decimal(140), Decimal(150)), units.SI: (Decimal(2240), Decimal(2400))}
"""The sanity band of normal weight concrete, lb/ft3 (published second-hand) and kg/m3 (converted, to 10)."""
HEAVIEST = {units.INCH_POUND: Decimal(250), units.SI: Decimal(4000)}
"""Heavier than heavyweight concrete (ours): near 290 lb/ft3 the tare or the volume is usually wrong (published second-hand)."""

MASS_PLACES = 2
"""Decimals of a mass, lb or kg, where nobody says what the scale shows. Ours: C138-17 4.1 wants a scale to 0.1 lb (45 g) or finer."""

HALF_FOOT3 = Decimal("0.5")
"""25 strokes a layer up to this volume, 50 above (published second-hand)."""


def _result(name: str, us: tuple[str, str], si: tuple[str, str] | None, source: Provenance, reported: Provenance,
            **more: Any) -> ResultSpec:
    return ResultSpec(name=name, inch_pound=us, si=si, source=source, reported=reported, limited=True, **more)


RESULTS = {one.name: one for one in (
    _result("density", ("lb/ft3", "0.1"), ("kg/m3", "1"), second_hand("C138: (full less empty) / volume of the measure"),
            memory("0.1 lb/ft3 or 1 kg/m3", 60),
            precision=Precision(((Decimal(0), Decimal("2.31")),), memory("C138: two people 2.31 lb/ft3", 85)), charted=True,
            highest_limit=((Decimal(50), Decimal(250)), (Decimal(700), Decimal(4000)))),
    _result("yield", ("yd3", "0.01"), ("m3", "0.01"),
            published("C138-17 notes: mass of all that was batched / density (/ 27 for cubic yards)"), memory("0.01", 60)),
    _result("relative_yield", ("", "0.01"), None,
            second_hand("C138: yield / design yield; over 1.00 is more concrete than designed"), memory("0.01", 60)),
    _result("theoretical_density", ("lb/ft3", "0.1"), ("kg/m3", "1"),
            published("C138-17 note: mass batched / its volume without air"), memory("as density", 60)),
    _result("gravimetric_air", ("%", "0.1"), None,
            second_hand("C138: 100 (T - D) / T; a negative value is flagged, never clamped"), memory("0.1 %", 60)),
    _result("cement_content", ("lb/yd3", "1"), ("kg/m3", "1"),
            second_hand("C138: cementitious mass / yield, the yield unrounded"), common("1 lb/yd3 or 1 kg/m3")))}


def density(gross: Decimal, tare: Decimal, volume: Decimal) -> Decimal:
    """D = (Mc - Mm) / Vm."""
    return (gross - tare) / volume


def produced(batch_mass: Decimal, density: Decimal, system: str) -> Decimal:
    """Yield Y = M / D, in yd3 (D in lb/ft3) or m3."""
    return batch_mass / density / (units.YARD3_IN_FOOT3 if system == units.INCH_POUND else 1)


def gravimetric_air(theoretical: Decimal, density: Decimal) -> Decimal:
    """A = 100 (T - D) / T, %. Negative where T, the volume, the tare or the moisture is wrong."""
    return 100 * (theoretical - density) / theoretical


def assess(gross: Decimal, tare: Decimal, volume: Decimal | None, settings: Values) -> Assessment:
    """All results that the settings' batch amounts allow. Never raises on any readings of 0 or above."""
    names = ["density", *(["yield", "cement_content"][:1 + bool(settings.amount("cementitious"))] if settings.amount("batch_mass")
                          else [])]
    invalid = ""
    if volume is None:
        invalid = sentence("density.no_volume", key="measure_volume_m3" if settings.si else "measure_volume_ft3")
    elif volume <= 0:
        invalid = sentence("density.volume_zero")
    elif gross <= tare:
        invalid = sentence("density.tare_over_gross", tare=f"{tare:f}", gross=f"{gross:f}")
    if invalid or volume is None:
        return assessed([result(RESULTS[name], None, settings) for name in names], settings, [invalid])
    found = density(gross, tare, volume)
    warned = _warnings(found, settings)
    if found > HEAVIEST[settings.units]:
        return assessed([result(RESULTS[name], None, settings) for name in names], settings, warned)
    return assessed(_results(found, settings, warned), settings, (), warned)


def _results(found: Decimal, settings: Values, warned: list[str]) -> list[Result]:
    values: dict[str, Decimal] = {"density": found}
    mass, designed, solid, cement = map(settings.amount, ("batch_mass", "design_yield", "air_free_volume", "cementitious"))
    if mass is not None:
        values["yield"] = produced(mass, found, settings.units)
        if designed is not None:
            values["relative_yield"] = values["yield"] / designed
        if solid is not None:
            values["theoretical_density"] = mass / solid
            values["gravimetric_air"] = gravimetric_air(values["theoretical_density"], found)
            if values["gravimetric_air"] < 0:
                warned.append(sentence("density.air_negative"))
        if cement is not None:
            values["cement_content"] = cement / values["yield"]
    elif designed is not None or solid is not None or cement is not None:
        warned.append(sentence("density.no_batch_mass"))
    return [result(RESULTS[name], value, settings) for name, value in values.items()]


def _warnings(found: Decimal, settings: Values) -> list[str]:
    low, high = NORMAL[settings.units]
    shown = result(RESULTS["density"], found, settings)
    fields = {"value": shown.rounded, "unit": shown.unit, "low": low, "high": high}
    if found > HEAVIEST[settings.units]:
        return [sentence("density.far_too_heavy", **fields)]
    if not low <= rounding.round_to(found, 0, settings.rounding) <= high:
        return [sentence("density.not_normal", **fields)]
    return []


# --- the readings -------------------------------------------------------------------------------------------------------

def _of_density(gross: Decimal, taken: Taken, settings: Values) -> Iterator[Doubt]:
    volume = settings.amount("measure_volume")
    if volume is None or "tare" not in taken:
        return
    low, high = NORMAL[settings.units]
    found = density(gross, taken["tare"], volume)
    if not low <= found <= high:
        shown = result(RESULTS["density"], found, settings)
        yield Doubt(DOUBTFUL, sentence("fresh.density", value=f"{gross:f}", density=shown.rounded,
                                       unit=sentence(f"unit.{UNITS[shown.unit]}")), "density")


def _likely_gross(taken: Taken, settings: Values) -> Pair | None:
    volume = settings.amount("measure_volume")
    if volume is None or "tare" not in taken:
        return None
    low, high = NORMAL[settings.units]
    return taken["tare"] + low * volume, taken["tare"] + high * volume


READINGS = {
    "tare": ranged(in_units(span("0.1", "500", "1", "80"), span("0.05", "250", "0.5", "40")),
                   order=not_above("gross", "fresh.over_gross"), example="7.8"),
    "gross": ranged(in_units(span("0.1", "999", "10", "300"), span("0.05", "450", "5", "140")),
                    order=not_below("tare", "fresh.under_tare"), sooner=_of_density, likely=_likely_gross, example="43.0",
                    narrowed=lambda taken, ends: (max(ends[0], taken.get("tare", ends[0])), ends[1])),
}


def _measure(_taken: Taken, settings: Values, _marks: Marks) -> Judgement:
    """Whether the job knows the volume of the measure."""
    return Judgement("unknown" if settings.amount("measure_volume") is None else "known", "")


def words(settings: Values) -> dict[str, str]:
    volume = settings.amount("measure_volume")
    large = None if volume is None else volume > HALF_FOOT3 * (units.FOOT3_IN_M3 if settings.si else 1)
    strokes = {None: "density.strokes", False: "density.strokes_small", True: "density.strokes_large"}[large]
    scale = settings.amount("scale")
    return {"mass_places": str(MASS_PLACES if scale is None else rounding.last_place(scale.normalize())),
            "measure_strokes": sentence(strokes)}


_WEIGHED = {units.INCH_POUND: ("gross_lb", "tare_lb", "volume_ft3"), units.SI: ("gross_kg", "tare_kg", "volume_m3")}
_BATCH = {units.INCH_POUND: ("batch_mass_lb", "design_yield_yd3", "air_free_volume_ft3", "cementitious_lb"),
          units.SI: ("batch_mass_kg", "design_yield_m3", "air_free_volume_m3", "cementitious_kg")}


def work(given: WorkInput) -> Assessment:
    system, _ = given.one_system(*(_WEIGHED[each] + _BATCH[each] for each in units.SYSTEMS))
    given.keys(_WEIGHED[system], _BATCH[system] + given.COMMON)
    job = given.settings(_BATCH[system], tuple(RESULTS.values()), system)
    gross, tare, volume = map(given.reading, _WEIGHED[system])
    return assess(gross, tare, volume, job)


METHOD = Method(
    name="density", needs=("scale", "measure", "rod"),
    readings=READINGS, results=tuple(RESULTS.values()), words=words, work=work, counts_for=("sample", "density"),
    rules={"measure": _measure, "density": rule(lambda taken, settings: assess(
        taken["gross"], taken["tare"], settings.amount("measure_volume"), settings))},
    round=InRound(concrete_ft3=lambda settings: vessel_ft3(settings, "measure_volume"), takes_s=160, begins_s=32,
                  within="start_within_s", compared=True, in_bowl="method"),
    sources={"in_air_bowl": second_hand("C138: the bowl of an air meter may be the measure; it is struck off and weighed, then closed"),
             "density_band":
             second_hand("140 to 150 lb/ft3 for normal weight; near 290 usually the tare or volume is wrong")})
