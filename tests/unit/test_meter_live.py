"""The simulated meter at a real one's pace."""

import threading
from decimal import Decimal

import pytest

from hardware.meter import Meter
from hardware.meter_live import LivePractice
from hardware.terminal import METER_KEYS


def test_it_lives_by_the_clock_it_is_given():
    meter = Meter(noise_psi=0)
    live = LivePractice(meter)
    live.tick(1000.0)
    assert meter.time_s == 0
    live.tick(1002.5)
    assert meter.time_s == pytest.approx(2.5)
    live.tick(900.0)  # back: no time passes, and it goes on from there
    live.tick(901.0)
    assert meter.time_s == pytest.approx(3.5)
    live.tick(1e9)
    assert meter.time_s < 4000


def test_every_key_of_the_terminal_is_an_action():
    live = LivePractice(Meter())
    for action in METER_KEYS.values():
        assert isinstance(live.act(action), str)
    with pytest.raises(ValueError, match="knows no action 'kick'"):
        live.act("kick")


def test_a_step_by_keys_alone():
    live = LivePractice(Meter(6.0, 0.20, noise_psi=0))
    now = 0.0

    def wait(seconds: float) -> None:
        nonlocal now
        for _ in range(int(seconds * 10)):
            now += 0.1
            live.tick(now)

    wait(1)
    assert live.act("flood").startswith("Much air") and live.act("flood") and live.act("flood")
    assert live.act("petcocks") == "Petcocks closed."
    while live.gauge() < Decimal("14.2"):
        live.act("pump")
        wait(0.5)
    wait(8)
    while abs(live.gauge() - Decimal("14.50")) > Decimal("0.03"):
        live.act("fine_bleed" if live.gauge() > Decimal("14.50") else "fine_pump")
        wait(0.5)
    wait(8)
    assert live.state() == "lever released, petcocks closed, lid on"
    live.act("lever_down")
    assert live.state() == "lever HELD, petcocks closed, lid on"
    for _ in range(20):
        live.act("strike")
        wait(0.5)
    wait(10)
    assert live.gauge() == pytest.approx(Decimal("7.25"), abs=Decimal("0.04"))
    assert live.act("unclamp").startswith("DANGER")
    live.act("lever_up")
    assert "sprays" in live.act("petcocks")
    wait(15)
    while live.gauge() > 0:
        live.act("bleed")
        wait(0.5)
    assert live.act("unclamp").startswith("The lid is off")
    assert live.act("unclamp").startswith("A fresh bowl")


def test_threads_may_share_it():
    meter = Meter(noise_psi=0)
    live = LivePractice(meter)

    def ticks() -> None:
        for at in range(2000):
            live.tick(at * 0.01)

    def strokes() -> None:
        for _ in range(1000):
            live.act("fine_pump")

    threads = [threading.Thread(target=work) for work in (ticks, strokes, strokes)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert meter.time_s == pytest.approx(19.99)
    assert meter.chamber_psi == pytest.approx(60.0, abs=1.0)  # 2,000 strokes of about 0.03 psi
