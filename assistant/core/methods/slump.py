"""Slump (C143 / T 119): how far the concrete settles when the mould is lifted off it, and what is a slump that counts."""
from __future__ import annotations

from decimal import Decimal

from assistant.core import phrases
from assistant.core.assessment import Assessment, Chart, Precision, ResultSpec, assessed, result
from assistant.core.language import sentence
from assistant.core.methods import units
from assistant.core.methods.method import InRound, Method, Span, in_units, own, ranged, rule, timely
from assistant.core.methods.provenance import memory, published, second_hand
from assistant.core.methods.values import Values
from assistant.core.methods.work_input import WorkInput

MOULD = {units.INCH_POUND: Decimal(12), units.SI: Decimal(300)}
"""Height of the mould, in. and mm (published second-hand): no slump can be more."""
CONE_FT3 = Decimal("3.14159265358979323846264338328") / 12 * 12 * (8 * 8 + 8 * 4 + 4 * 4) / 1728
"""Of the mould, 12 in. high, 8 and 4 in. across (published second-hand), by the volume of a frustum: 0.2036 cubic feet."""
VALID = {units.INCH_POUND: (Decimal("0.5"), Decimal(9)), units.SI: (Decimal(15), Decimal(230))}
"""The test says something from about 1/2 to 9 in. (published second-hand); mm from memory."""
LIFT_S = (Decimal(3), Decimal(7))
"""5 s, give or take 2, to lift the mould (published second-hand)."""
USUAL_S = 150
"""Seconds for the whole test that have a name of their own: "two and a half minutes"."""

SLUMP = ResultSpec(
    name="slump", inch_pound=("in.", "0.25"), si=("mm", "5"), limited=True, charted=True,
    highest_limit=((Decimal("0.5"), Decimal(12)), (Decimal(15), Decimal(305))),
    check_test=True,
    source=second_hand("C143: from the mould's height to the displaced original centre"),
    reported=second_hand("C143: nearest 1/4 in.; 5 mm from memory"),
    precision=Precision(((Decimal("1.2"), Decimal("0.82")), (Decimal("3.4"), Decimal("1.10")), (Decimal("6.5"), Decimal("1.50"))),
                        memory("C143-20 multi-laboratory d2s 0.82, 1.10, 1.50 in. at 1.2, 3.4, 6.5 in.", 85)),
    chart=Chart(published("UFGS 03700: range of two consecutive slumps not over 2 in.; other levels are the job's own"),
                range_over=True))

READING = ranged(in_units(*(Span(Decimal(0), MOULD[system], *VALID[system], Decimal(step))
                            for system, step in ((units.INCH_POUND, "0.25"), (units.SI, "5")))), example="4.25")


def assess(value: Decimal | None, settings: Values, stood: bool = True, lift_s: Decimal | None = None,
           whole_s: Decimal | None = None) -> Assessment:
    """A slump in in. or mm, as the job's units are; None: none was measured.

    stood: it did not shear or fall to one side. lift_s, whole_s: how long the lift and the whole test took, if known.
    """
    low, high = VALID[settings.units]
    invalid, warned = [], []
    if not stood:
        invalid.append(sentence("slump.sheared"))
    if value is None:
        invalid.append(sentence("slump.not_measured"))
    elif not 0 <= value <= MOULD[settings.units]:
        invalid.append(sentence("slump.impossible", value=f"{value:f}"))
    elif value > high:
        warned.append(sentence("slump.too_wet", value=f"{value:f}", limit=high))
    elif value < low:
        warned.append(sentence("slump.too_stiff", value=f"{value:f}", limit=low))
    if whole_s is not None and whole_s > settings.slump_s:
        invalid.append(sentence("slump.late", seconds=f"{whole_s:f}", limit=f"{settings.slump_s:f}"))
    if lift_s is not None and not LIFT_S[0] <= lift_s <= LIFT_S[1]:
        invalid.append(sentence("slump.lift", seconds=f"{lift_s:f}", low=LIFT_S[0], high=LIFT_S[1]))
    return assessed([result(SLUMP, None if invalid else value, settings)], settings, invalid, warned)


def work(given: WorkInput) -> Assessment:
    system, (key,) = given.one_system(("slump_in",), ("slump_mm",))
    given.keys((key,), ("sheared", "lift_s", "whole_s", *given.COMMON))
    return assess(given.reading(key), given.settings((), (SLUMP,), system), not given.yes_or_no("sheared", False),
                  given.optional("lift_s"), given.optional("whole_s"))


def words(settings: Values) -> dict[str, str]:
    return {"slump_places": "0" if settings.si else "2",
            "lift_beats_s": f"{settings.lift_s - 1:f}",  # the end sounds one beat after the last
            "slump_within": sentence("slump.usual_time") if settings.slump_s == USUAL_S else phrases.duration(float(settings.slump_s))}


METHOD = Method(
    name="slump", needs=("cone", "rod"), readings={"slump": READING}, results=(SLUMP,), words=words, work=work,
    counts_for=("sample", "slump"),
    rules={"timely": timely, "slump": rule(lambda taken, settings: assess(taken.get("slump"), settings))},
    values=(own("slump_s", "60 150", "60 300"), own("lift_s", "5 5", "3 7")),
    round=InRound(concrete_ft3=lambda _settings: CONE_FT3, takes_s=130, begins_s=14, within="start_within_s", retested=True,
                  compared=True),
    sources={"slump_range": second_hand("C143: valid about 1/2 to 9 in.; sheared or collapsed: discard, another portion"),
             "two_slump_old": second_hand("C143-98: two people 0.83 in., from slumps of 1 1/2 to 2 3/4 in.")})
