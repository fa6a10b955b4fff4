"""Where a reading most likely lies: against the sequential vectors' own readings and the air formula."""

from decimal import Decimal

import pytest

from assistant.core.methods import pressure
from assistant.core.plausible import likely_range, plausible_range
from assistant.core.settings import Settings

D = Decimal
SETTINGS = Settings.from_mapping({"chamber_ratio": "0.06", "aggregate_correction_pct": "0.3"})
WHOLE = {"leak.charge": "45.20", "leak.initial": "45.21", "leak.final": "45.15",
         "charge.1.1": "14.50", "equilibrium.1.1": "7.25", "charge.1.2": "30.00", "equilibrium.1.2": "18.63",
         "charge.1.3": "45.00", "equilibrium.1.3": "31.81", "charge.2.1": "14.50", "equilibrium.2.1": "7.32",
         "charge.2.2": "30.00", "equilibrium.2.2": "18.77", "charge.2.3": "45.00", "equilibrium.2.3": "32.01"}
"""A whole test in its order; the six equilibria are design.md's worked example."""


def test_every_reading_of_a_good_test_lies_in_its_likely_range_and_that_in_the_plausible_one():
    taken: dict[str, Decimal] = {}
    for name, text in WHOLE.items():
        low, high = likely_range(name, taken, SETTINGS)
        least, most = plausible_range(name, taken, SETTINGS)
        assert least <= low <= D(text) <= high <= most, name
        taken[name] = D(text)


@pytest.mark.parametrize("air", ["1", "6", "12"])
def test_the_first_equilibrium_covers_the_air_contents_that_are_asked_no_questions(air):
    taken = {"charge.1.1": D("14.50")}
    low, high = likely_range("equilibrium.1.1", taken, SETTINGS)
    ratio = (D(air) + SETTINGS.aggregate_correction_pct) / 100 / SETTINGS.chamber_ratio
    value = pressure.equilibrium(D("14.50"), D(0), ratio)
    assert low - D("0.01") <= value <= high + D("0.01")


def test_nothing_is_likely_where_nothing_was_read_before():
    assert likely_range("leak.final", {}, SETTINGS) is None
    assert likely_range("equilibrium.1.2", {}, SETTINGS) is None


def test_an_empty_range_is_none():
    assert likely_range("charge.1.1", {"equilibrium.1.1": D(5)}, SETTINGS) is not None
    assert likely_range("charge.1.2", {"equilibrium.1.1": D(40)}, SETTINGS) is None
