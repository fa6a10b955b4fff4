"""Every figure of the wiring pages as one sentence, with its arithmetic and how far it can be trusted."""
from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal as D
from typing import Any

from assistant.core.methods.provenance import COMMON, DERIVED, MEMORY, Provenance
from hardware.wiring import electrics as e


@dataclass(frozen=True)
class Fact:
    """One sentence that carries its numbers, and how far it can be trusted."""
    words: str
    standing: Provenance

    def line(self) -> str:
        return f"{self.words} *({self.standing})*"


def facts(settings: Mapping[str, Mapping[str, Any]]) -> dict[str, Fact]:
    """By name, for a station's settings."""
    return {**_pins(), **_pedal(settings["pedal"]["release_ms"]), **_loads(), **_serial(), **_transducer(settings["gauge"])}


def _derived(words: str, how: str) -> Fact:
    return Fact(words, Provenance(DERIVED, how))


def _common(words: str, how: str = "usual practice") -> Fact:
    return Fact(words, Provenance(COMMON, how))


def _memory(words: str, of: str, sure: int) -> Fact:
    return Fact(words, Provenance(MEMORY, of, sure))


def _k(ohm: D) -> str:
    return f"{ohm / 1000:f}"


def _pins() -> dict[str, Fact]:
    closed_ua = e.PIN_V / e.PULL_UP_OHM * 1_000_000
    return {
        "pin_level": _memory("A pin works with 0 and 3.3 V. It does not bear 5 V.", "the Pi's documentation", 95),
        "pin_current": _memory(f"A pin gives about {e.PIN_MA} mA as it starts, all pins together about 50 mA.",
                               "the Pi's documentation, for a Pi 4; a Pi 5 is taken to be alike", 75),
        "pull_up": _memory(f"The pull-up inside the Pi is about {_k(e.PULL_UP_OHM)} kilohm, so nothing needs to be added.",
                           "the chip's data sheet gives 50 to 65 kilohm for a Pi 4", 80),
        "pull_up_current": _derived(f"Through a closed contact flow {closed_ua:.0f} microamperes: any contact that is clean "
                                    "and sealed will do.", f"{e.PIN_V} V / {_k(e.PULL_UP_OHM)} kilohm"),
    }


def _pedal(release_ms: int) -> dict[str, Fact]:
    pressed_v = e.PIN_V * e.SERIES_OHM / (e.PULL_UP_OHM + e.SERIES_OHM)
    drawn_ma, edge_ms = e.PIN_V / e.SERIES_OHM * 1000, (e.PULL_UP_OHM + e.SERIES_OHM) * e.PEDAL_FARAD * 1000
    return {
        "pedal_low": _derived(f"Pressed, the pin sees {pressed_v:.2f} V, well below the {e.LOW_V} V of a sure low.",
                              f"{e.PIN_V} V x {_k(e.SERIES_OHM)} / ({_k(e.PULL_UP_OHM)} + {_k(e.SERIES_OHM)})"),
        "pedal_series": _derived(f"Were the pin an output by mistake, a press would draw {drawn_ma:.1f} mA and burn nothing.",
                                 f"{e.PIN_V} V / {_k(e.SERIES_OHM)} kilohm"),
        "pedal_time": _derived(f"The capacitor slows the edge to about {edge_ms:.0f} ms, far below the {release_ms} ms of "
                               "the station's own debouncing.", f"{_k(e.PULL_UP_OHM + e.SERIES_OHM)} kilohm x 100 nF"),
    }


def _loads() -> dict[str, Fact]:
    """Lamp and buzzer."""
    led, drop_v, base_ma = e.led_resistor(), e.PIN_V - e.LED_V, (e.PIN_V - e.JUNCTION_V) / e.BASE_OHM * 1000
    return {
        "led": _derived(f"A red or yellow LED: {led:f} ohm, {drop_v / led * 1000:.1f} mA.",
                        f"({e.PIN_V} - {e.LED_V} V) / {e.LED_MA} mA = {drop_v / e.LED_MA * 1000:.0f} ohm, the next common "
                        "value up"),
        "led_blue": _common("A white, blue or bright green LED needs about 3 V and is dim or dark from a pin: use the "
                            "transistor and 5 V.", "usual for such LEDs"),
        "base": _derived(f"The base takes {base_ma:.1f} mA, so the transistor is fully on up to about "
                         f"{base_ma * e.FORCED_GAIN:.0f} mA "
                         f"and serves to {base_ma * e.MOST_GAIN:.0f} mA.",
                         f"({e.PIN_V} - {e.JUNCTION_V} V) / {_k(e.BASE_OHM)} kilohm; a gain of {e.FORCED_GAIN} counted on "
                         f"for fully on, {e.MOST_GAIN} at most"),
        "base_down": _common(f"{_k(e.BASE_DOWN_OHM)} kilohm from base to ground keeps it off while the Pi starts."),
        "flyback": _common("A coil that is switched off gives a pulse that kills the transistor: the diode takes it."),
    }


def _serial() -> dict[str, Fact]:
    both = e.side_by_side(e.TERMINATION_OHM, e.TERMINATION_OHM)
    return {
        "rs232_level": _memory("RS-232 swings between about -12 and +12 V.", "TIA-232: 5 to 15 V either way", 90),
        "de9": _memory("On the 9-pin plug of a computer's side 2 is data in, 3 data out, 5 ground; on an instrument 2 and 3 "
                       "may be either way.", "TIA-574", 95),
        "termination": _derived(f"With {e.TERMINATION_OHM} ohm at both ends the pair sees {both:.0f} ohm.", "two in parallel"),
        "termination_when": _common("Below about 20 m at 9600 bits a second the bus works without them; then leave both "
                                    "out, never one."),
    }


def _transducer(gauge: Mapping[str, Any]) -> dict[str, Fact]:
    low_psi, high_psi, low, high = (D(str(gauge[key])) for key in ("low_psi", "high_psi", "low_ratio", "high_ratio"))
    upper, lower, source = _k(e.UPPER_OHM), _k(e.LOWER_OHM), e.side_by_side(e.UPPER_OHM, e.LOWER_OHM)
    corner_hz = 1 / (2 * D("3.14159265") * source * e.INPUT_FARAD)
    span_v, count = e.divided(e.SUPPLY_V * (high - low)), e.count_psi(high_psi - low_psi, high - low)
    bears_v = e.PIN_V + e.CONVERTER_OVER_V
    return {
        "divider": _derived(f"{upper} over {lower} kilohm makes {e.divided(D(1)):.2f} of the voltage: {e.SUPPLY_V} V become "
                            f"{e.divided(e.SUPPLY_V):.2f} V, and a supply of {e.SUPPLY_MOST_V} V still only "
                            f"{e.divided(e.SUPPLY_MOST_V):.2f} V.", f"{lower} / ({upper} + {lower}); to stay below {e.PIN_V} V"),
        "divider_without": _derived(f"Without the divider up to {e.SUPPLY_MOST_V * high:.2f} V would reach an input that bears "
                                    f"{bears_v:.1f} V.",
                                    f"{e.SUPPLY_MOST_V} V x {high}; the converter bears {e.CONVERTER_OVER_V} V over its supply"),
        "divider_match": _derived("With 1 % resistors the two dividers may differ by 1.6 %; the two-point calibration takes "
                                  "that out, as long as it is done with these same resistors.",
                                  f"{e.UPPER_OHM / (e.UPPER_OHM + e.LOWER_OHM):f} x 2 % each, twice"),
        "input_filter": _derived(f"With 100 nF the input sees {source / 1000:.1f} kilohm and lets pass what is slower than "
                                 f"{corner_hz:.0f} Hz.", f"{upper} and {lower} kilohm side by side; 1 / (2 pi R C)"),
        "count": _derived(f"One count is {count:.2f} psi over {high_psi - low_psi:f} psi. The method is read to 0.01 psi: "
                          "take this gauge as a guide, and enter the meter's own.",
                          f"{high_psi - low_psi:f} psi / ({span_v:.2f} V / {e.PIN_V} V x {e.COUNTS})"),
        "converter_pins": _memory("The converter's pins: 1 to 8 are channels 0 to 7; 9 digital ground, 10 select, 11 data "
                                  "in, 12 data out, 13 clock, 14 analogue ground, 15 reference, 16 supply.",
                                  "MCP3008 data sheet, 16-pin package", 95),
    }
