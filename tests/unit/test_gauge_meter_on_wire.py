"""The simulated meter speaks over a wire as each kind: what is read is what its gauge shows, to the hundredth."""

from __future__ import annotations

import pytest

from hardware.gauges.pty_gauge import KINDS, PtyGauge
from hardware.meter import Crew, Meter
from hardware.meter_live import LivePractice
from tests.unit.gauge_wire import Told, told_by


@pytest.mark.parametrize("kind", KINDS)
def test_a_charge_and_an_equilibrium_by_wire(kind):
    meter, told = Meter(6.0, 0.20, noise_psi=0), Told()
    crew, wire = Crew(meter), PtyGauge(kind, LivePractice(meter).gauge)
    gauge = told_by(wire.settings, told)
    try:
        told.more_samples(1)
        crew.flood()
        for target in (14.5, 30.0):
            shown = crew.do_step(target)[1]  # no time passes on the meter while it is read
            told.wait(lambda shown=shown: told.psi()[-1:] == [shown])
            assert told.more_samples(2)[-1].psi == shown == meter.gauge()
    finally:
        gauge.close()
        wire.stop()
