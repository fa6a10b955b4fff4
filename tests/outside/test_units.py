"""Unit conversion against pint (its own definition file), and the rounded pairs that the trade quotes."""

from decimal import Decimal

import pytest

from assistant.core import rounding
from assistant.core.methods import density, units
from assistant.core.methods.registry import in_other_units
from assistant.core.settings import Settings

pint = pytest.importorskip("pint", reason="pint is missing: pip install pint")


@pytest.fixture(scope="module")
def registry():
    return pint.UnitRegistry()


@pytest.mark.parametrize("psi", ["0.01", "0.20", "7.25", "14.5", "30", "45", "59.99"])
def test_psi_to_kpa_agrees_with_pint(registry, psi: str) -> None:
    theirs = registry.Quantity(float(psi), "psi").to("kPa").magnitude
    assert float(units.kpa(Decimal(psi))) == pytest.approx(theirs, rel=1e-12)
    assert units.psi(units.kpa(Decimal(psi))) == pytest.approx(Decimal(psi), rel=Decimal("1e-24"))


@pytest.mark.parametrize("psi, kpa, places", [("0.20", "1.38", 2), ("14.5", "100", 0), ("30", "207", 0),
                                              ("45", "310", 0)])
def test_the_quoted_pairs(psi: str, kpa: str, places: int) -> None:
    """Source: from memory (about 90 % sure), as papers on the method give them; pint confirms above."""
    assert rounding.round_to(units.kpa(Decimal(psi)), places) == Decimal(kpa)


PAIRS = [("lb", "kg", "pound", "kilogram"), ("in.", "mm", "inch", "millimeter"), ("ft3", "m3", "foot**3", "meter**3"),
         ("yd3", "m3", "yard**3", "meter**3"), ("lb/ft3", "kg/m3", "pound/foot**3", "kilogram/meter**3"),
         ("lb/yd3", "kg/m3", "pound/yard**3", "kilogram/meter**3"), ("psi", "kPa", "psi", "kPa"),
         ("\u00b0F", "\u00b0C", "degF", "degC")]


@pytest.mark.parametrize("ours, si, pints, pints_si", PAIRS, ids=[one[0] for one in PAIRS])
@pytest.mark.parametrize("value", ["0.25", "36.06", "72", "144.6", "3978"])
def test_every_pair_agrees_with_pint_both_ways(registry, ours: str, si: str, pints: str, pints_si: str, value: str) -> None:
    there = units.convert(Decimal(value), ours, si)
    assert float(there) == pytest.approx(registry.Quantity(float(value), pints).to(pints_si).magnitude, rel=1e-12)
    assert units.convert(there, si, ours) == pytest.approx(Decimal(value), rel=Decimal("1e-24"))


@pytest.mark.parametrize("name, readings, si", [("density", ("54.1", "18.6", "0.250"), False),
                                                ("density", ("24.539", "8.437", "0.0070792"), True)])
def test_a_result_in_both_systems_agrees_with_pint(registry, name: str, readings: tuple[str, ...], si: bool) -> None:
    """One weighing, in pounds and in kilograms: the two jobs' results and what each shows beside its own agree."""
    done = density.assess(*map(Decimal, readings), Settings.from_mapping({"units": "si" if si else "inch-pound"}))
    mine = done.results[0]
    other = in_other_units(mine, rounding.HALF_EVEN)
    frm, to = ("kilogram/meter**3", "pound/foot**3") if si else ("pound/foot**3", "kilogram/meter**3")
    theirs = registry.Quantity(float(mine.value), frm).to(to).magnitude
    assert float(other.value) == pytest.approx(theirs, rel=1e-12)
    assert {mine.rounded, other.rounded} == {Decimal("142.0"), Decimal(2275)}


def test_what_has_no_other_unit() -> None:
    assert units.other("%") is None and units.other("kg/m3", "content") == "lb/yd3"
    assert units.other("kg/m3", "density") == "lb/ft3"
    with pytest.raises(ValueError, match="can't be converted"):
        units.convert(Decimal(1), "lb", "mm")
