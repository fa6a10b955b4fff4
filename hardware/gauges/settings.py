"""[gauge] in the station's settings, made into one kind of gauge. What is missing has its default."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from hardware.gauges.line import LineGauge
from hardware.gauges.pattern import Pattern, unescaped
from hardware.gauges.polled import PolledGauge
from hardware.gauges.sample import GaugeSettingsError
from hardware.gauges.serial_port import SerialPort
from hardware.gauges.source import Clock, Pause, Source
from hardware.gauges.transducer import Transducer, TwoPoints

DEFAULTS: Mapping[str, Any] = {
    "kind": "", "port": "", "baud": 9600, "frame": "8N1", "unit": "psi", "scale": 1, "lowest_psi": -2, "highest_psi": 60,
    "pattern": "{value}", "decimals": 2,
    "ask": "", "every_ms": 100, "answer_ms": 300,
    "device": 1, "function": 3, "register": 0, "type": "float32", "words": "big",
    "channel": 0, "supply_channel": -1, "select": 0, "reads": 16,
    "low_ratio": 0.1, "low_psi": 0, "high_ratio": 0.9, "high_psi": 60,
}


def source_for(settings: Mapping[str, Any], clock: Clock) -> Callable[[Pause], Source]:
    """What makes the source, once it knows how to pause. Raises GaugeSettingsError."""
    if unknown := [key for key in settings if key not in DEFAULTS]:
        raise GaugeSettingsError(f"[gauge] has no key {unknown[0]!r}; its keys are {', '.join(DEFAULTS)}.")
    s = {**DEFAULTS, **settings}
    kinds = {"line": _line, "polled": _polled, "modbus": _modbus, "transducer": _transducer}
    if s["kind"] not in kinds:
        raise GaugeSettingsError(f'[gauge] kind = {s["kind"]!r}: it must be one of {", ".join(kinds)}, or "" for no gauge.')
    limits(settings)
    return kinds[s["kind"]](s, clock)


def limits(settings: Mapping[str, Any]) -> tuple[Decimal, Decimal]:
    """The lowest and the highest psi that this gauge can show."""
    s = {**DEFAULTS, **settings}
    lowest, highest = decimal_of(s, "lowest_psi"), decimal_of(s, "highest_psi")
    if lowest >= highest:
        raise GaugeSettingsError(f"[gauge] lowest_psi = {lowest} must be below highest_psi = {highest}.")
    return lowest, highest


def decimal_of(settings: Mapping[str, Any], key: str) -> Decimal:
    """As it is written: 0.1 is one tenth, not the nearest binary fraction."""
    value = settings[key]
    try:
        if isinstance(value, bool):
            raise InvalidOperation
        found = Decimal(str(value))
        if found.is_finite():
            return found
    except InvalidOperation:
        pass
    raise GaugeSettingsError(f"[gauge] {key} = {value!r}: it must be a number.")


def _pattern(s: Mapping[str, Any]) -> Pattern:
    return Pattern(s["pattern"], s["unit"], s["decimals"], _scale(s))


def _scale(s: Mapping[str, Any]) -> Decimal:
    if not (scale := decimal_of(s, "scale")):
        raise GaugeSettingsError("[gauge] scale = 0: it must be what the gauge's number is multiplied by, such as 0.01.")
    return scale


def _port(s: Mapping[str, Any]) -> SerialPort:
    return SerialPort(s["port"], s["baud"], s["frame"])


def _line(s: Mapping[str, Any], clock: Clock) -> Callable[[Pause], Source]:
    pattern = _pattern(s)
    return lambda pause: LineGauge(_port(s), pattern, clock)


def _polled(s: Mapping[str, Any], clock: Clock) -> Callable[[Pause], Source]:
    pattern, request = _pattern(s), unescaped(s["ask"], "ask")
    if not request:
        raise GaugeSettingsError(r"[gauge] ask is empty: a polled gauge needs what it is asked with, such as 'P\r'.")
    return lambda pause: PolledGauge(_port(s), pattern, request, s["every_ms"] / 1000, s["answer_ms"] / 1000, clock, pause)


def _modbus(s: Mapping[str, Any], clock: Clock) -> Callable[[Pause], Source]:
    try:
        from hardware.gauges.modbus import ModbusGauge, Registers
    except ImportError:
        raise GaugeSettingsError("The Python package pymodbus is missing, so there is no gauge on Modbus: "
                                 "run the set-up again.") from None
    if s["unit"] == "line":
        raise GaugeSettingsError('[gauge] unit = "line" is for lines that name their unit; on Modbus say psi, kPa, bar or mbar.')
    registers = Registers(s["device"], s["function"], s["register"], s["type"], s["words"], _scale(s), s["unit"])
    return lambda pause: ModbusGauge(_port(s), registers, s["every_ms"] / 1000, s["answer_ms"] / 1000, clock, pause)


def _transducer(s: Mapping[str, Any], clock: Clock) -> Callable[[Pause], Source]:
    points = TwoPoints(*(decimal_of(s, key) for key in ("low_ratio", "low_psi", "high_ratio", "high_psi")))
    if not 0 <= points.low_ratio < points.high_ratio <= 1:
        raise GaugeSettingsError(f"[gauge] low_ratio = {points.low_ratio} and high_ratio = {points.high_ratio}: "
                                 "they must rise, from 0 to 1.")
    if points.low_psi == points.high_psi:
        raise GaugeSettingsError(f"[gauge] low_psi and high_psi are both {points.low_psi}: two different pressures are needed.")
    supply = None if s["supply_channel"] < 0 else s["supply_channel"]
    if supply == s["channel"]:
        raise GaugeSettingsError(f"[gauge] channel and supply_channel are both {supply}: they must differ.")
    return lambda pause: Transducer(points, s["channel"], supply, s["select"], s["reads"], s["every_ms"] / 1000, clock, pause)
