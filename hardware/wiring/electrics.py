"""The sizes of the parts and how they come about. Volts, ohms, milliamperes; exact Decimal. facts.py says them in words."""
from __future__ import annotations

from decimal import Decimal as D

PIN_V = D("3.3")
PIN_MA = D(8)           # what a pin gives as it starts
PULL_UP_OHM = D(50_000)  # inside the Pi
LOW_V = D("0.8")        # below this a pin certainly reads low
SUPPLY_V, SUPPLY_MOST_V = D(5), D("5.25")
CONVERTER_OVER_V = D("0.6")  # over its supply, that an input of the converter bears
COUNTS = 1023

LED_V, LED_MA = D(2), D(5)
JUNCTION_V, FORCED_GAIN, MOST_GAIN = D("0.7"), 10, 20
BASE_OHM, BASE_DOWN_OHM = D(1000), D(10_000)
SERIES_OHM, PEDAL_FARAD = D(1000), D("100e-9")
UPPER_OHM, LOWER_OHM, INPUT_FARAD = D(10_000), D(15_000), D("100e-9")
TERMINATION_OHM = D(120)

_E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)


def at_least(ohm: D) -> D:
    """The next of the twelve common values of a decade (E12, IEC 60063) that is no smaller. ``ohm`` 1 to 1 000 000."""
    for decade in range(6):
        for value in _E12:
            if value * D(10) ** (decade - 1) >= ohm:
                return value * D(10) ** (decade - 1)
    raise ValueError(f"{ohm} ohm is no common resistor: give 1 to 1,000,000.")


def led_resistor(supply_v: D = PIN_V, led_v: D = LED_V, ma: D = LED_MA) -> D:
    """ohm, for about ``ma`` through an LED. ValueError where the supply can't light it."""
    if supply_v <= led_v:
        raise ValueError(f"an LED of {led_v} V does not light from {supply_v} V: switch it from 5 V through a transistor.")
    return at_least((supply_v - led_v) / ma * 1000)


def divided(volts: D, upper: D = UPPER_OHM, lower: D = LOWER_OHM) -> D:
    """What comes out of a divider, V."""
    return volts * lower / (upper + lower)


def side_by_side(*ohms: D) -> D:
    """Resistors in parallel, ohm."""
    return 1 / sum((1 / one for one in ohms), D(0))


def count_psi(span_psi: D, span_ratio: D) -> D:
    """psi of one count, where a ratiometric transducer goes through the divider and the converter counts to 3.3 V."""
    return span_psi / (divided(SUPPLY_V * span_ratio) / PIN_V * COUNTS)
