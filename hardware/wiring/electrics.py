"""The sizes of the parts, each with its arithmetic and its standing. Volts, ohms, milliamperes; exact Decimal."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal as D
from typing import Any

from assistant.core.standing import COMMON, DERIVED, MEMORY, Standing, text

PIN_V = D("3.3")
PIN_MA = D(8)           # what a pin gives as it starts
PULL_UP_OHM = D(50_000)  # inside the Pi
LOW_V = D("0.8")        # below this a pin certainly reads low
SUPPLY_V, SUPPLY_MOST_V = D(5), D("5.25")
CONVERTER_OVER_V = D("0.6")  # over its supply, that an input of the converter bears
COUNTS = 1023

LED_V, LED_MA = D(2), D(5)
JUNCTION_V, FORCED_GAIN = D("0.7"), 10
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
    return 1 / sum(1 / one for one in ohms)


def count_psi(span_psi: D, span_ratio: D) -> D:
    """psi of one count, where a ratiometric transducer goes through the divider and the converter counts to 3.3 V."""
    return span_psi / (divided(SUPPLY_V * span_ratio) / PIN_V * COUNTS)


@dataclass(frozen=True)
class Fact:
    """One sentence that carries its numbers, and how far it can be trusted."""
    words: str
    standing: Standing

    def line(self) -> str:
        return f"{self.words} *({text(self.standing)})*"


def facts(settings: Mapping[str, Mapping[str, Any]]) -> dict[str, Fact]:
    """Every figure of the pages, by name, for a station's settings."""
    gauge = {key: D(str(settings["gauge"][key])) for key in ("low_psi", "high_psi", "low_ratio", "high_ratio")}
    span_psi, span_ratio = gauge["high_psi"] - gauge["low_psi"], gauge["high_ratio"] - gauge["low_ratio"]
    led = led_resistor()
    base_ma = (PIN_V - JUNCTION_V) / BASE_OHM * 1000
    pressed = PIN_V * SERIES_OHM / (PULL_UP_OHM + SERIES_OHM)
    source = side_by_side(UPPER_OHM, LOWER_OHM)
    corner = 1 / (2 * D("3.14159265") * source * INPUT_FARAD)
    most = SUPPLY_MOST_V * gauge["high_ratio"]

    def derived(words: str, how: str) -> Fact:
        return Fact(words, Standing(DERIVED, how))

    return {
        "pin_level": Fact("A pin works with 0 and 3.3 V. It does not bear 5 V.", Standing(MEMORY, "the Pi's documentation", 95)),
        "pin_current": Fact(f"A pin gives about {PIN_MA} mA as it starts, all pins together about 50 mA.",
                            Standing(MEMORY, "the Pi's documentation, for a Pi 4; a Pi 5 is taken to be alike", 75)),
        "pull_up": Fact(f"The pull-up inside the Pi is about {PULL_UP_OHM / 1000:f} kilohm, so nothing needs to be added.",
                        Standing(MEMORY, "the chip's data sheet gives 50 to 65 kilohm for a Pi 4", 80)),
        "pull_up_current": derived(f"Through a closed contact flow {PIN_V / PULL_UP_OHM * 1000000:.0f} microamperes: any contact that is "
                                   "clean and sealed will do.", f"{PIN_V} V / {PULL_UP_OHM / 1000:f} kilohm"),
        "pedal_low": derived(f"Pressed, the pin sees {pressed:.2f} V, well below the {LOW_V} V of a sure low.",
                             f"{PIN_V} V x {SERIES_OHM / 1000:f} / ({PULL_UP_OHM / 1000:f} + {SERIES_OHM / 1000:f})"),
        "pedal_series": derived(f"Were the pin an output by mistake, a press would draw {PIN_V / SERIES_OHM * 1000:.1f} mA and burn nothing.",
                                f"{PIN_V} V / {SERIES_OHM / 1000:f} kilohm"),
        "pedal_time": derived(f"The capacitor slows the edge to about {(PULL_UP_OHM + SERIES_OHM) * PEDAL_FARAD * 1000:.0f} ms, far below "
                              f"the {settings['pedal']['release_ms']} ms of the station's own debouncing.", "51 kilohm x 100 nF"),
        "led": derived(f"A red or yellow LED: {led:f} ohm, {(PIN_V - LED_V) / led * 1000:.1f} mA.",
                       f"({PIN_V} - {LED_V} V) / {LED_MA} mA = {(PIN_V - LED_V) / LED_MA * 1000:.0f} ohm, the next common value up"),
        "led_blue": Fact("A white, blue or bright green LED needs about 3 V and is dim or dark from a pin: use the transistor and 5 V.",
                         Standing(COMMON, "usual for such LEDs")),
        "base": derived(f"The base takes {base_ma:.1f} mA, so the transistor is fully on up to about {base_ma * FORCED_GAIN:.0f} mA and "
                        f"serves to {base_ma * 20:.0f} mA.",
                        f"({PIN_V} - {JUNCTION_V} V) / {BASE_OHM / 1000:f} kilohm; a gain of {FORCED_GAIN} counted on for fully on, 20 at most"),
        "base_down": Fact(f"{BASE_DOWN_OHM / 1000:f} kilohm from base to ground keeps it off while the Pi starts.",
                          Standing(COMMON, "usual practice")),
        "flyback": Fact("A coil that is switched off gives a pulse that kills the transistor: the diode takes it.",
                        Standing(COMMON, "usual practice")),
        "divider": derived(f"{UPPER_OHM / 1000:f} over {LOWER_OHM / 1000:f} kilohm makes {divided(D(1)):.2f} of the voltage: {SUPPLY_V} V "
                           f"become {divided(SUPPLY_V):.2f} V, and a supply of {SUPPLY_MOST_V} V still only {divided(SUPPLY_MOST_V):.2f} V.",
                           f"{LOWER_OHM / 1000:f} / ({UPPER_OHM / 1000:f} + {LOWER_OHM / 1000:f}); to stay below {PIN_V} V"),
        "divider_without": derived(f"Without the divider up to {most:.2f} V would reach an input that bears {PIN_V + CONVERTER_OVER_V:.1f} V.",
                                   f"{SUPPLY_MOST_V} V x {gauge['high_ratio']}; the converter bears {CONVERTER_OVER_V} V over its supply"),
        "divider_match": derived("With 1 % resistors the two dividers may differ by 1.6 %; the two-point calibration takes that out, "
                                 "as long as it is done with these same resistors.",
                                 f"{UPPER_OHM / (UPPER_OHM + LOWER_OHM):f} x 2 % each, twice"),
        "input_filter": derived(f"With 100 nF the input sees {source / 1000:.1f} kilohm and lets pass what is slower than {corner:.0f} Hz.",
                                "10 and 15 kilohm side by side; 1 / (2 pi R C)"),
        "count": derived(f"One count is {count_psi(span_psi, span_ratio):.2f} psi over {span_psi:f} psi. The method is read to 0.01 psi: "
                         "take this gauge as a guide, and enter the meter's own.",
                         f"{span_psi:f} psi / ({divided(SUPPLY_V * span_ratio):.2f} V / {PIN_V} V x {COUNTS})"),
        "termination": derived(f"With {TERMINATION_OHM} ohm at both ends the pair sees {side_by_side(TERMINATION_OHM, TERMINATION_OHM):.0f} ohm.",
                               "two in parallel"),
        "termination_when": Fact("Below about 20 m at 9600 bits a second the bus works without them; then leave both out, never one.",
                                 Standing(COMMON, "usual practice")),
        "de9": Fact("On the 9-pin plug of a computer's side 2 is data in, 3 data out, 5 ground; on an instrument 2 and 3 may be either way.",
                    Standing(MEMORY, "TIA-574", 95)),
        "rs232_level": Fact("RS-232 swings between about -12 and +12 V.", Standing(MEMORY, "TIA-232: 5 to 15 V either way", 90)),
        "converter_pins": Fact("The converter's pins: 1 to 8 are channels 0 to 7; 9 digital ground, 10 select, 11 data in, 12 data out, "
                               "13 clock, 14 analogue ground, 15 reference, 16 supply.",
                               Standing(MEMORY, "MCP3008 data sheet, 16-pin package", 95)),
    }
