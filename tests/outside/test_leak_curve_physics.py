"""The two shapes of the leak curve against real air and an integrated leak."""
from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from assistant.core.methods.leak_curve import PSI_PER_C, fit

CoolProp = pytest.importorskip("CoolProp.CoolProp", reason="CoolProp is missing: pip install CoolProp")

PSI_PA = 6894.757293168361
ATMOSPHERE_PA = 101325.0
CHAMBER_M3 = 0.06 * 7.079e-3
GAS = 287.05  # J/(kg K) of dry air


@pytest.mark.parametrize("celsius", [5, 20, 35])
def test_pressure_a_degree_is_that_of_real_air(celsius: float) -> None:
    """Source: CoolProp, "Air" at constant density, near 46 psi gauge. The constant is for 20 C and ideal gas."""
    kelvin = celsius + 273.15
    density = CoolProp.PropsSI("D", "T", kelvin, "P", 46 * PSI_PA + ATMOSPHERE_PA, "Air")
    rise = (CoolProp.PropsSI("P", "T", kelvin + 0.5, "D", density, "Air")
            - CoolProp.PropsSI("P", "T", kelvin - 0.5, "D", density, "Air")) / PSI_PA
    assert float(PSI_PER_C) == pytest.approx(rise, rel=0.01 if celsius == 20 else 0.08)


def choked(pa: float, kelvin: float, hole_m2: float) -> float:
    """kg/s of real air through a choked hole. Source: CoolProp's isentropic critical flow, found by the largest flux."""
    h0, s0 = (CoolProp.PropsSI(one, "T", kelvin, "P", pa, "Air") for one in ("H", "S"))
    flux = []
    for ratio in np.linspace(0.45, 0.62, 35):
        h, density = (CoolProp.PropsSI(one, "P", ratio * pa, "S", s0, "Air") for one in ("H", "D"))
        flux.append(density * math.sqrt(2 * (h0 - h)))
    return hole_m2 * max(flux)


def orifice(psi_per_min: float, kelvin: float = 293.15) -> np.ndarray:
    """Gauge psi each second for 300 s: a chamber at constant temperature, leaking through a hole that loses so much at first."""
    start = 45.2 * PSI_PA + ATMOSPHERE_PA
    per_area = choked(start, kelvin, 1.0)
    hole = psi_per_min * PSI_PA / 60 * CHAMBER_M3 / (GAS * kelvin) / per_area
    share = hole * per_area / start  # the flux of a choked hole goes with the pressure; checked below
    solved = solve_ivp(lambda _, pa: -share * pa * GAS * kelvin / CHAMBER_M3, (0, 300), [start], t_eval=range(301),
                       rtol=1e-10, atol=1e-6)
    return (solved.y[0] - ATMOSPHERE_PA) / PSI_PA


def capillary(psi_per_min: float) -> np.ndarray:
    """The same through a long scratch: laminar, so with p squared less the atmosphere's (Poiseuille, isothermal, ideal gas)."""
    start = 45.2 * PSI_PA + ATMOSPHERE_PA
    share = psi_per_min * PSI_PA / 60 / (start ** 2 - ATMOSPHERE_PA ** 2)
    solved = solve_ivp(lambda _, pa: -share * (pa ** 2 - ATMOSPHERE_PA ** 2), (0, 300), [start], t_eval=range(301),
                       rtol=1e-10, atol=1e-6)
    return (solved.y[0] - ATMOSPHERE_PA) / PSI_PA


def off_the_line(psi: np.ndarray) -> float:
    t = np.arange(301.0)
    return float(np.abs(psi - np.polyval(np.polyfit(t, psi, 1), t)).max())


def test_the_flow_through_a_choked_hole_goes_with_the_pressure() -> None:
    """What the line rests on; the hole stays choked far below: the critical ratio of air is 0.528."""
    start, end = 45.2 * PSI_PA + ATMOSPHERE_PA, 40.0 * PSI_PA + ATMOSPHERE_PA
    assert choked(end, 293.15, 1.0) / choked(start, 293.15, 1.0) == pytest.approx(end / start, rel=1e-3)
    assert ATMOSPHERE_PA / end < 0.5


@pytest.mark.parametrize("leak, most", [(0.02, 0.0001), (0.1, 0.001), (0.5, 0.02)])
@pytest.mark.parametrize("way", [orifice, capillary])
def test_five_minutes_of_a_leak_are_nearly_a_straight_line(way, leak: float, most: float) -> None:
    """At 0.1 psi a minute the line is off by a tenth of the gauge's step at most; (leak t)^2 / 8p says as much."""
    assert 0 < off_the_line(way(leak)) < most


@pytest.mark.parametrize("way", [orifice, capillary])
@pytest.mark.parametrize("leak", [0.02, 0.05, 0.1])
def test_the_fit_finds_a_leak_that_was_integrated(way, leak: float) -> None:
    """With cooling on top and the gauge's steps; the mean over the hold is a little less than the first minute's."""
    t = np.arange(301.0)
    rng = np.random.default_rng(1)
    psi = way(leak) + 0.3 * np.exp(-t / 50) + rng.normal(0, 0.005, 301)
    found = fit([(float(s), Decimal(f"{p:.2f}")) for s, p in zip(t, psi)])
    assert float(found.leak_psi_per_min) == pytest.approx(leak, abs=3 * float(found.leak_error))
    assert float(found.leak_error) < 0.002
    assert found.kind == ("leaking" if leak > 0.03 else "cooling" if found.kind == "cooling" else "unclear")
