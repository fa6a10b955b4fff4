"""Air content by the volumetric method (C173 / T 196): how far the liquid falls when the air has left the concrete.

For any aggregate, also lightweight and very porous, where the pressure method does not apply. All rules here are from memory.
"""
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from assistant.core import rounding
from assistant.core.assessment import Assessment, assessed, result
from assistant.core.judgement import Judgement, Marks, Taken
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import InRound, Method, Reading, in_units, ranged, rule, span, timely
from assistant.core.methods.pressure_meter import AIR_CONTENT
from assistant.core.methods.provenance import memory
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

STEP_PCT = Decimal("0.25")
"""The level is read to it, two levels agree within it, and it is the last place of the result (from memory, about 90 % sure)."""
CORRECTED_FROM = {units.INCH_POUND: Decimal(5), units.SI: Decimal("2.5")}
"""From so much alcohol on, pt and L, the standard's table has a correction: 2.5 L from memory, about 85 % sure; 5 pt is a little
less, so that none is left out."""
MOST_ALCOHOL = {units.INCH_POUND: "12", units.SI: "6"}
"""More than the meter can take (ours)."""
BOWL_FT3 = Decimal("0.075")
"""The smallest bowl (from memory, about 90 % sure)."""

VOLUMETRIC = memory("C173: the level, more the cups of alcohol of one percent each, less the correction for 2.5 L of alcohol or more", 90)
LEVELS = ("level.1", "level.2", "level.3")


def agreed(levels: Sequence[Decimal]) -> Decimal | None:
    """The later one of the first two in a row that agree; None: no two do."""
    return next((later for before, later in zip(levels, levels[1:]) if abs(later - before) <= STEP_PCT), None)


def assess(levels: Sequence[Decimal], alcohol: Decimal | None, cups: Decimal, settings: Values, undisturbed: bool = False) -> Assessment:
    """Air content, %, from the levels after each rolling, %, in their order, and the alcohol, pt or L as the job's units are.

    cups: of alcohol added, one percent each. undisturbed: concrete was still packed in the bowl when it was taken apart.
    """
    level = agreed(levels)
    much = alcohol is not None and alcohol >= CORRECTED_FROM[settings.units]
    correction = settings.alcohol_correction_pct if much else Decimal(0)
    air = None if level is None else level + cups - (correction or 0)
    invalid = [sentence("volumetric.undisturbed")] if undisturbed else []
    if air is None:
        invalid.append(sentence("volumetric.apart" if len(levels) > 1 else "volumetric.no_level"))
    elif air < 0:
        invalid.append(sentence("volumetric.negative", correction=f"{correction:f}"))
    its = result(AIR_CONTENT, None if invalid else air, settings,
                 sentence("volumetric.preliminary") if correction is None else "")
    if its.value is not None:
        its = replace(its, rounded=rounding.to_step(its.value, STEP_PCT, settings.rounding))
    return assessed([replace(its, standing=str(VOLUMETRIC))], settings, invalid)


def _levels(taken: Taken) -> list[Decimal]:
    return [taken[name] for name in LEVELS if name in taken]


def _agree(taken: Taken, _settings: Values, _marks: Marks) -> Judgement:
    """Whether two levels in a row agree: else it is rolled once more, and after the third there is no result."""
    levels = _levels(taken)
    if agreed(levels) is not None:
        return Judgement("agree", "")
    if len(levels) == len(LEVELS):
        return Judgement("unsettled", "")
    return Judgement("apart", sentence("volumetric.roll_again", by=f"{abs(levels[-1] - levels[-2]):f}"))


def _quarter(value: Decimal, _taken: Taken) -> str:
    return sentence("volumetric.quarter", value=f"{value:f}") if value % STEP_PCT else ""


LEVEL = ranged(in_units(span("0", "15", "1", "9")), order=_quarter, example="5.25")
READINGS: dict[str, Reading] = {
    **dict.fromkeys(LEVELS, LEVEL), "cups": ranged(in_units(span("0", "15", "1", "4")), example="1"),
    "alcohol": ranged(in_units(span("0", MOST_ALCOHOL[units.INCH_POUND], "0.5", "5"), span("0", MOST_ALCOHOL[units.SI], "0.2", "2.5")),
                      example="2.0")}


def words(settings: Values) -> dict[str, str]:
    return {"alcohol_unit": "L" if settings.si else "pt"}


def work(given: WorkInput) -> Assessment:
    system, (alcohol,) = given.one_system(("alcohol_pt",), ("alcohol_l",))
    given.keys(("levels_pct", alcohol), ("cups", "undisturbed", "alcohol_correction_pct", *given.COMMON))
    job = given.settings(("alcohol_correction_pct",), (AIR_CONTENT,), system)
    levels, cups = given.readings("levels_pct"), given.optional("cups")
    if len(levels) > len(LEVELS):
        raise ValueError(f"levels_pct has {len(levels)} readings: after the third without two that agree the test is done anew")
    if any(level % STEP_PCT for level in levels):
        raise ValueError(f"levels_pct must be read to the nearest {STEP_PCT}, such as [5.25, 5.25]")
    return assess(levels, given.reading(alcohol), Decimal(0) if cups is None else cups, job, given.yes_or_no("undisturbed", False))


METHOD = Method(
    name="volumetric-air", needs=("rod",), readings=READINGS, results=(AIR_CONTENT,), words=words, work=work,
    counts_for=("sample", "air"),
    rules={"timely": timely, "levels_agree": _agree, "volumetric_air": rule(lambda taken, settings: assess(
        _levels(taken), taken.get("alcohol"), taken.get("cups", Decimal(0)), settings))},
    round=InRound(concrete_ft3=lambda _settings: BOWL_FT3, takes_s=720, begins_s=10, within="start_within_s", usual=False,
                  retested=True, compared=True),
    sources={"volumetric_air": VOLUMETRIC,
             "volumetric_stands": memory("C173: the level moves no more than 0.25 % in 2 minutes, within 6 minutes", 85),
             "volumetric_foam": memory("C173: more foam than two full percent divisions: discarded, anew with more alcohol", 85),
             "volumetric_free": memory("C173: concrete found undisturbed in the bowl: the test is invalid", 95),
             "volumetric_agree": memory("C173: rolled again until two levels agree within 0.25 %; after the third: anew", 80),
             "volumetric_reported": memory("C173: to the nearest 0.25 %", 85)})
