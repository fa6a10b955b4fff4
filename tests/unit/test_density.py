"""Density and what hangs on it: what is refused, flagged, left out. The formulas are checked in tests/outside/test_vectors.py."""

from decimal import Decimal as D

import pytest

from assistant.core.methods import density
from assistant.core.settings import Settings

ALL = {"batch_mass_lb": "3802", "design_yield_yd3": "1", "air_free_volume_ft3": "25.65", "cementitious_lb": "610"}


def assess(gross: str, tare: str = "0", volume: str | None = "0.250", **given):
    return density.assess(D(gross), D(tare), None if volume is None else D(volume), Settings.from_mapping(given))


def found(done) -> dict[str, str]:
    return {one.name: f"{one.rounded} {one.unit}".strip() for one in done.results}


def test_all_that_the_batch_allows() -> None:
    """The absolute volumes of a US Navy manual (vector DN07), at the 5 % air that they were designed for."""
    done = assess("35.2", **ALL)
    assert found(done) == {"density": "140.8 lb/ft3", "yield": "1.00 yd3", "relative_yield": "1.00",
                           "theoretical_density": "148.2 lb/ft3", "gravimetric_air": "5.0 %", "cement_content": "610 lb/yd3"}
    assert done.warnings == () and done.verdict == "none"


@pytest.mark.parametrize("left_out, gone", [("design_yield_yd3", {"relative_yield"}), ("cementitious_lb", {"cement_content"}),
                                            ("air_free_volume_ft3", {"theoretical_density", "gravimetric_air"})])
def test_what_was_not_given_is_not_made_up(left_out: str, gone: set[str]) -> None:
    given = {key: value for key, value in ALL.items() if key != left_out}
    assert set(found(assess("35.2", **ALL))) - set(found(assess("35.2", **given))) == gone


def test_a_batch_without_its_mass_is_told() -> None:
    done = assess("35.2", cementitious_lb="610")
    assert set(found(done)) == {"density"} and "batch mass" in done.warnings[0]


@pytest.mark.parametrize("gross, tare", [("18.6", "54.1"), ("18.6", "18.6")])
def test_a_tare_that_is_no_less_than_the_gross(gross: str, tare: str) -> None:
    """D = (Mc - Mm)/Vm, published in C138-17 notes, can't be 0 or less."""
    done = assess(gross, tare, **ALL)
    assert done.verdict == "invalid" and "swapped" in done.why and {one.value for one in done.results} == {None}


def test_no_volume_names_the_key_to_give() -> None:
    assert "measure_volume_ft3" in assess("35.2", volume=None).why
    assert "measure_volume_m3" in assess("15.9", volume=None, units="si").why


@pytest.mark.parametrize("gross, verdict, words", [
    ("72.5", "invalid", "usually the tare or the volume is wrong"),  # 290 lb/ft3: a study guide's example of a wrong tare
    ("62.5", "none", "usual for normal weight"), ("62.6", "invalid", "usually the tare"),  # 250.0 and 250.4
    ("37.5", "none", ""), ("37.7", "none", "usual for normal weight"), ("35.0", "none", ""), ("34.8", "none", "usual for normal"),
])
def test_the_sanity_band(gross: str, verdict: str, words: str) -> None:
    """140 to 150 lb/ft3; near 290 usually the tare or volume is wrong: second-hand, C138 training."""
    done = assess(gross)
    assert done.verdict == verdict and words in "; ".join((*done.warnings, done.why))
    assert bool(done.warnings) == (bool(words) and verdict == "none")


@pytest.mark.parametrize("gross, asked", [("15.86", False), ("15.84", True), ("16.99", False), ("17.01", True)])
def test_the_sanity_band_in_si(gross: str, asked: bool) -> None:
    """2240 to 2400 kg/m3, the same band converted; here of 0.00708 m3."""
    assert bool(assess(gross, "0", "0.00708", units="si").warnings) == asked


def test_si_is_computed_in_si() -> None:
    """The formulas of C138, second-hand; numbers invented, worked by hand."""
    done = assess("20.310", "4.020", "0.007079", units="si", batch_mass_kg="2360", design_yield_m3="1.00",
                  air_free_volume_m3="0.955", cementitious_kg="357")
    assert found(done) == {"density": "2301 kg/m3", "yield": "1.03 m3", "relative_yield": "1.03",
                           "theoretical_density": "2471 kg/m3", "gravimetric_air": "6.9 %", "cement_content": "348 kg/m3"}


def test_limits_and_their_reason() -> None:
    done = assess("35.2", **ALL, limits={"relative_yield": ["1.02", None], "density": ["138.0", "145.0"]})
    assert done.verdict == "fail" and done.why == "relative yield 1.00 is under 1.02 by 0.02"
