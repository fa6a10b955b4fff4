"""Steady or not, against simulated noise. The criterion is ours (no source); what it does to numbers is measured here."""
from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from decimal import Decimal
from statistics import median

import pytest

from hardware.gauges.steady import LEAST, LONGEST_S, STALE_S, WINDOW_S, Steady, Still

RATES = (2.0, 4.0, 10.0, 20.0)
"""Samples a second."""


def played(psi: Callable[[float], float], noise: float, rate: float, seconds: float = 20.0, seed: int = 1,
           before: float = 20.0, places: int = 2) -> Iterator[tuple[float, Still | None, Steady]]:
    """A gauge that shows ``psi(t)`` with normal noise, in steps of its last place, at uneven times."""
    chance, steady, at = random.Random(f"{seed}/{noise}/{rate}"), Steady(), -before
    while at < seconds:
        at += chance.uniform(0.9, 1.1) / rate
        steady.take(at, Decimal(f"{psi(at) + chance.gauss(0, noise):.{places}f}"))
        if at > 0:
            yield at, steady.still(at), steady


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("noise", [0.0, 0.003, 0.01])
def test_a_gauge_at_rest_is_steady_and_its_value_right(noise: float, rate: float) -> None:
    found = [still for seed in range(10) for _, still, _ in played(lambda t: 31.8123, noise, rate, seed=seed)]
    right = [still for still in found if still is not None]
    assert len(right) >= 0.75 * len(found)
    assert all(abs(still.value - Decimal("31.81")) <= Decimal("0.01") for still in right)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("noise", "slope"), [(0.0, 0.02), (0.003, 0.02), (0.01, 0.05), (0.02, 0.05), (0.02, 0.1)])
def test_a_ramp_is_not_steady(noise: float, slope: float, rate: float) -> None:
    """At worst a few samples of a ramp so slow that the value moves no more than its last two places while it is read."""
    found = [still for seed in range(10) for at, still, _ in played(lambda t: 30 + slope * max(t, 0), noise, rate, seed=seed)
             if at > 3]
    assert sum(still is not None for still in found) <= 0.002 * len(found)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("noise", [0.0, 0.003, 0.01])
def test_a_step_is_never_blended_and_soon_over(noise: float, rate: float) -> None:
    delays = []
    for seed in range(10):
        after = [(at, still) for at, still, _ in played(lambda t: 30 if t < 5 else 31, noise, rate, seed=seed)
                 if at > 5 and still is not None]
        assert all(still.value <= Decimal("30.03") or still.value >= Decimal("30.97") for _, still in after)
        delays.append(next(at for at, still in after if still.value > Decimal("30.5")) - 5)
    slow = noise > 0.003 and rate <= 4  # few samples, so more time until their middle is known
    assert WINDOW_S <= median(delays) <= (8.5 if slow else 2.9)


@pytest.mark.parametrize("noise", [0.005, 0.01, 0.02, 0.05])
def test_the_noise_is_learned_even_while_somebody_pumps(noise: float) -> None:
    """Ramps, strokes of 1 psi a second, strokes faster than they can be told from noise, after some rest: against the
    standard deviation that the noise was made with."""
    strokes = [lambda t: 30.0, lambda t: 0.5 * t, lambda t: float(int(t)), lambda t: float(int(t / 0.4)) if t > -5 else 0.0]
    for motion in strokes:
        *_, (_, _, steady) = played(motion, noise, 10.0, places=4)
        assert 0.6 * noise < steady.noise() < 1.7 * noise


def test_what_is_missing_late_or_no_number_never_counts() -> None:
    steady = Steady()
    for n in range(40):
        steady.take(n / 10, Decimal("14.50"))
    assert steady.still(3.9) is not None and steady.still(3.9 + STALE_S + 0.01) is None, "its last sample is stale"
    assert steady.latest(3.9 + STALE_S + 0.01) is None
    steady.take(10.0, Decimal("14.50"))
    assert steady.still(10.0) is None, "nobody knows what it did in the gap"
    for n in range(1, 40):
        steady.take(10 + n / 10, Decimal("NaN"))
        steady.take(9.0, Decimal("1.00"))
    assert steady.still(13.9) is None
    steady = Steady()
    for n in range(40):
        steady.take(n / 10, Decimal("14.50"))
    steady.forget()
    assert steady.still(4.0) is None


def test_a_gauge_too_slow_or_too_noisy_is_never_steady() -> None:
    slow = Steady()
    for n in range(20):
        slow.take(n * (STALE_S + 0.1), Decimal("14.50"))
        assert slow.still(n * (STALE_S + 0.1)) is None
    assert all(still is None for _, still, _ in played(lambda t: 30.0, 0.05, 10.0))
    assert LEAST / LONGEST_S < 1


def test_one_torn_frame_delays_but_does_not_shift() -> None:
    steady = Steady()
    for n in range(60):
        steady.take(n / 10, Decimal("44.98") if n != 30 else Decimal("4.498"))
        still = steady.still(n / 10)
        assert still is None or still.value == Decimal("44.98")
        assert not (30 <= n < 50 and still), "the frame is in the window"
    assert still is not None and still.spread == 0


def test_value_and_spread_are_of_the_window() -> None:
    steady = Steady()
    for n, psi in enumerate(["7.20"] * 3 + ["7.244", "7.252", "7.248", "7.251", "7.249"]):
        steady.take(float(n) / 2 if n < 3 else 10 + n / 2, Decimal(psi))
    still = steady.still(13.5)
    assert still == Still(Decimal("7.25"), Decimal("0.004"), 11.5, 13.5)
    assert steady.still(13.5, 3).value == Decimal("7.249")  # type: ignore[union-attr]
