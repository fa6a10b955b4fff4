"""How often a chart in perfect control gives a signal: samples until the first, on average.

Source: Champ and Woodall, "Exact results for Shewhart control charts with supplementary runs rules", Technometrics 29 (1987), which
gives 225.44, 166.05, 152.73 and 91.75 for one point beyond three standard deviations together with two of three beyond two, with
four of five beyond one, with eight on one side, and with all (from memory, about 90 % sure; that a simulation of our rules comes to
the same says more).
"""
from __future__ import annotations

import random

import pytest

from assistant.core.charts import Levels, runs

CHARTS = 1500


@pytest.mark.parametrize("rules, published", [
    ({"run_beyond_warning": 2}, 225.44), ({"run_beyond_half": 4}, 166.05), ({"run_one_side": 8}, 152.73),
    ({"run_beyond_warning": 2, "run_beyond_half": 4, "run_one_side": 8}, 91.75)])
def test_samples_until_a_false_alarm(rules: dict[str, int], published: float) -> None:
    """Each sample a normal deviate, the action level at three standard deviations and the warning at two. One standard error of the
    mean of 1,500 charts is 2.6 % of it."""
    chance = random.Random(1987)
    levels = Levels(warning=2, **{name: rules.get(name, 0) for name in ("run_one_side", "run_beyond_warning", "run_beyond_half")})

    def first() -> int:
        drawn: list[float] = []

        def deviates():
            while True:
                drawn.append(chance.gauss(0, 1))
                if abs(drawn[-1]) >= 3:  # the action level itself
                    return
                yield drawn[-1]
        next(runs(deviates(), levels), None)
        return len(drawn)
    mean = sum(first() for _ in range(CHARTS)) / CHARTS
    assert mean == pytest.approx(published, rel=0.08)
