"""Unit conversion against pint (its own definition file), and the rounded pairs that the trade quotes."""

from decimal import Decimal

import pytest

from assistant.core import rounding, units

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
