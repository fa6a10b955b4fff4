"""Percent within limits against scipy's beta distribution, and against rows of the published table.

Sources: scipy.stats.beta, the exact form; MIL-STD-414 and ANSI/ASQ Z1.9, Table B-5 (variability unknown, standard deviation
method), seen in a transcription of it, so second-hand.
"""
from __future__ import annotations

from decimal import Decimal as D

import numpy as np
import pytest
from scipy import stats

from assistant.report import acceptance


@pytest.mark.parametrize("count", [*range(3, 26), 30, 35, 40, 50, 75, 100, 150, 200])
def test_against_the_beta_distribution(count: int) -> None:
    """The share beyond is I_x(n/2 - 1, n/2 - 1) with x = max(0, 1/2 - Q √n / (2 (n - 1)))."""
    for index in np.linspace(-4, 4, 161):
        x = min(1.0, max(0.0, 0.5 - index * np.sqrt(count) / (2 * (count - 1))))
        exact = 1 - stats.beta.cdf(x, count / 2 - 1, count / 2 - 1)
        assert acceptance.within(float(index), count) == pytest.approx(exact, abs=1e-12)


@pytest.mark.parametrize("index, beyond", [
    ("1.50", {3: "0.000", 4: "0.000", 5: "3.799", 7: "5.282", 10: "5.875"}),
    ("1.60", {5: "2.026", 7: "3.827", 10: "4.537"}), ("1.75", {5: "0.192", 7: "2.106", 10: "2.925"}),
    ("1.90", {5: "0.000", 7: "0.930", 10: "1.746"})])
def test_against_the_published_table(index: str, beyond: dict[int, str]) -> None:
    """Percent nonconforming, to its last place."""
    for count, percent in beyond.items():
        found = D(100 * (1 - acceptance.within(float(index), count)))
        assert round(found, 3) == D(percent), (index, count)


def test_it_is_without_bias_of_normal_lots() -> None:
    """That is what the estimate is for: on average over lots of five from a known normal population it gives the share that lies
    within. 40,000 lots, by numpy; one standard error is about 0.09 points."""
    values = np.random.default_rng(7).normal(6.0, 0.9, (40_000, 5))
    low, high = 4.5, 7.5
    means, deviations = values.mean(axis=1), values.std(axis=1, ddof=1)
    found = [100 * (acceptance.within((mean - low) / s, 5) + acceptance.within((high - mean) / s, 5) - 1)
             for mean, s in zip(means, deviations)]
    known = 100 * (stats.norm.cdf(1.5 / 0.9) - stats.norm.cdf(-1.5 / 0.9))
    assert np.mean(found) == pytest.approx(known, abs=0.35)
