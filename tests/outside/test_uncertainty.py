"""How much a small error matters. Source of every figure: derived (ideal gas, r = 1 unless said).

The figures explain why E1.3 and E2.3 are read back twice; they are checked here from the formulas themselves.
"""

from decimal import Decimal as D

import numpy as np
import pytest

from assistant.core.methods import pressure, sequential

CHARGES = (D("14.5"), D(30), D(45))
BOWL_ML = D("7079")  # 0.25 ft3
CHAMBER_RATIO = D("0.06")


def metric(first: D, second: D, charges=CHARGES) -> D:
    """Metric when the bowl air is `first` chamber volumes in run 1 and `second` in run 2."""
    return pressure.last_equilibrium(charges, second) - pressure.last_equilibrium(charges, first)


def test_one_percent_of_the_bowl_air_lost() -> None:
    assert metric(D(1), D("0.99")) == pytest.approx(D("0.10"), abs=D("0.005"))
    lost_ml = CHAMBER_RATIO * BOWL_ML * D("0.01")  # r = 1: the bowl air is as much as the chamber holds
    assert lost_ml == pytest.approx(D(4), abs=D("0.3"))
    assert lost_ml / BOWL_ML * 100 == pytest.approx(D("0.06"))


@pytest.mark.parametrize("ratio, percent", [("0.5", "3.0"), ("1.0", "1.9"), ("1.5", "1.7")])
def test_loss_that_gives_the_usual_limit(ratio: str, percent: str) -> None:
    r = D(ratio)
    assert metric(r, r * (1 - D(percent) / 100)) == pytest.approx(D("0.20"), abs=D("0.005"))


def test_trapped_air_moves_the_metric_either_way() -> None:
    trapped = D(4) / BOWL_ML / CHAMBER_RATIO  # 4 mL in chamber volumes
    assert metric(D(1), 1 + trapped) == pytest.approx(D("-0.10"), abs=D("0.006"))  # run 2 only: falsely good
    assert metric(1 + trapped, D(1)) == pytest.approx(D("0.10"), abs=D("0.006"))  # run 1 only: falsely bad


@pytest.mark.parametrize("step, effect", [(3, "0.025"), (2, "0.013"), (1, "0.006")])
def test_a_start_off_by_five_hundredths(step: int, effect: str) -> None:
    off = list(CHARGES)
    off[step - 1] += D("0.05")
    assert pressure.start_pressure_effect(CHARGES, off, D(1)) == pytest.approx(D(effect), abs=D("0.0006"))


def test_all_six_starts_in_the_worst_senses() -> None:
    low, high = ([c + off for c in CHARGES] for off in (D("-0.05"), D("0.05")))
    assert pressure.start_pressure_effect(low, high, D(1)) == pytest.approx(D("0.09"), abs=D("0.005"))


@pytest.mark.parametrize("gauge, change", [("31.81", "0.16"), ("45", "0.20")])
def test_one_degree_celsius(gauge: str, change: str) -> None:
    """A closed volume of gas at about 20 C: absolute pressure goes with absolute temperature."""
    absolute = D(gauge) + D("14.696")
    assert absolute / D("293.15") == pytest.approx(D(change), abs=D("0.005"))


@pytest.mark.parametrize("ratio, second, third", [("0.5", "1.7", "2.1"), ("1.0", "2.1", "2.9"),
                                                  ("1.5", "2.3", "3.4")])
def test_a_loss_grows_from_step_to_step(ratio: str, second: str, third: str) -> None:
    """The model behind the check that run 2 less run 1 rises: about 1 : 2.1 : 2.9 at r = 1."""
    r = D(ratio)
    gains = [metric(r, r * D("0.99"), CHARGES[:steps]) for steps in (1, 2, 3)]
    assert gains[1] / gains[0] == pytest.approx(D(second), abs=D("0.06"))
    assert gains[2] / gains[0] == pytest.approx(D(third), abs=D("0.06"))


@pytest.mark.parametrize("ratio, resolution, start", [(0.5, 0.01, 0.05), (1.0, 0.01, 0.05), (1.5, 0.01, 0.05), (1.0, 0.1, 0.0),
                                                      (1.0, 0.01, 0.0)])
def test_the_metrics_uncertainty_against_simulated_errors(ratio: float, resolution: float, start: float) -> None:
    """200,000 tests with errors of the stated kind, by numpy from the mass balance alone; two standard deviations."""
    rng, held = np.random.default_rng(7), []
    for _run in (1, 2):
        bowl = np.zeros(200_000)
        for charge in (14.5, 30.0, 45.0):  # the bowl's gas at `bowl` and one chamber at the charge share their gas
            bowl = (charge + rng.uniform(-start, start, bowl.size) + ratio * bowl) / (1 + ratio)
        held.append(bowl + rng.uniform(-resolution / 2, resolution / 2, bowl.size))
    ours = sequential.metric_uncertainty(D(str(ratio)), D(str(resolution)), D(str(start)))
    assert float(ours) == pytest.approx(2 * np.std(held[1] - held[0]), rel=0.01)


@pytest.mark.parametrize("ratio", ["0.5", "1.0", "1.5", "2.0"])
def test_the_gauge_alone_gives_a_hundredth(ratio: str) -> None:
    """Derived: charges that are recorded are known to half a step."""
    assert round(sequential.metric_uncertainty(D(ratio)), 2) == D("0.01")
