"""Readings of a meter whose gauge shows psi: what any pressure of it can be, and where a charge stands."""
from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal

from assistant.core.assessment import Chart, Precision, ResultSpec
from assistant.core.doubt import IMPOSSIBLE, Doubt, no_number
from assistant.core.judgement import Taken
from assistant.core.language import sentence
from assistant.core.methods.method import Band, Pair, Reading, Span, own, ranged
from assistant.core.methods.provenance import memory, published, second_hand
from assistant.core.methods.values import Values

RESOLUTION = Decimal("0.01")
"""The gauge reads to 0.01 psi (from memory, 50-80 % sure)."""
FAR_PSI = Decimal(1)
"""A reading further off than this is more likely a slip (common practice, no source)."""
NEAR_CHARGE_PSI = Decimal("0.5")
"""A pump stroke too many or too few (ours)."""

AIR_CONTENT = ResultSpec(
    name="air_content", inch_pound=("%", "0.1"), limited=True, charted=True, last_place_decides=True,
    any_limit=(Decimal(1), Decimal(12)),  # outside, readings are doubted (derived)
    check_test=True,
    source=memory("100 k (P - E) / E at run 1 step 1, less the aggregate correction; Boyle's law in gauge pressures "
                  "gives the formula, the standard's own equation was not seen", 85),
    reported=memory("air content to the nearest 0.1 %", 85),
    precision=Precision(((Decimal(0), Decimal("0.8")),), second_hand("C231 Type A: two people 0.8 %, training slides")),
    chart=Chart(published("UFGS 03373: warn at 1.0, act at 1.5 points from mid, at act a second test, their average; range of "
                          "two tests: warn at 2.0, act at 3.0"), averaged=True))
"""Of every test that measures it; one by a gauge in percent has a source of its own."""

PLACEHOLDER_RATIO = Decimal("0.06")
"""Chamber volume / bowl volume of no meter that was measured: a guess (common practice, no source), for a first look."""


def chamber_ratio(values: Values) -> Decimal:
    return PLACEHOLDER_RATIO if values.chamber_ratio is None else values.chamber_ratio


def aggregate_correction(values: Values) -> Decimal:
    """%; 0.0 where nobody gave one, which is said (`no_correction`)."""
    return Decimal("0.0") if values.aggregate_correction_pct is None else values.aggregate_correction_pct


def no_correction(values: Values) -> Iterator[str]:
    """What to say where no aggregate correction was given. T 152 wants one for all concrete; of 1,200 laboratories a fifth had a
    finding, mostly this one (published: AASHTO re:source newsletter, April 2015)."""
    if values.aggregate_correction_pct is None:
        yield sentence("air.no_correction")


def refuses(values: Values) -> str:
    """A job may forbid an air test without an aggregate correction."""
    missing = values.aggregate_correction_required and values.aggregate_correction_pct is None
    return sentence("air.refused") if missing else ""


SETTLE = own("settle_s", "5 60", "2 120")
AIR_CHECKS = (own("air_low_pct", "1 100", "0 100", check=True), own("air_high_pct", "0 12", "0 24", check=True))


def said(ident: str, value: Decimal, **fields: object) -> str:
    return sentence(f"doubt.{ident}", value=f"{value:f}", **fields)


def impossible(value: Decimal, values: Values, zero: bool = False) -> Iterator[Doubt]:
    """No pressure that this meter could hold; `zero`: none at all is one."""
    none = no_number(value)
    if none:
        yield none
    elif value < 0 and zero:
        yield Doubt(IMPOSSIBLE, said("below_zero", value), "order")
    elif value <= 0 and not zero:
        yield Doubt(IMPOSSIBLE, said("no_pressure", value), "order")
    elif value > values.max_psi:
        yield Doubt(IMPOSSIBLE, said("over_maximum", value), "order")


def in_band(off: Decimal, inside: bool) -> Band:
    """The band of a charge that is `off` psi from where it belongs."""
    if inside:
        return Band("in_band", abs(off), sentence("band.inside"))
    state = "over" if off > 0 else "under"
    little = "_little" if abs(off) < FAR_PSI else ""
    return Band(state, abs(off), sentence(f"band.{state}{little}", by=f"{abs(off):f}"))


def around(psi: Decimal) -> Pair:
    return psi - NEAR_CHARGE_PSI, psi + NEAR_CHARGE_PSI


def near(target: Callable[[Values], Decimal], own_gauge: bool = True) -> Reading:
    """A pressure that is meant to lie at a target, and has no band."""
    return ranged(lambda values: Span(RESOLUTION, values.max_psi, *around(target(values))), own_gauge=own_gauge)


def passes(taken: Taken, kind: str) -> list[Decimal]:
    """The readings "KIND.1" to "KIND.3"."""
    return [taken[f"{kind}.{number}"] for number in (1, 2, 3)]
