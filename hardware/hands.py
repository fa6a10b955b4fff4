"""Everything that a hand or a foot touches, and the lamp and buzzer that answer: opened as the station's settings say.

A device that can't be opened is told in one sentence, and the others are opened all the same.
"""
from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from hardware.debounce import Timing
from hardware.ports import Device, Trouble

PIN_SECTIONS = ("keypad", "pedal", "lamp", "buzzer")


def open_all(settings: Mapping[str, Mapping[str, Any]], on_key: Callable[[str], None], on_trouble: Trouble, on_lost: Trouble,
             on_back: Callable[[], None], on_talk: Callable[[bool], None] = lambda on: None) -> list[Device]:
    """The devices whose section has a `kind`, in no order. Never raises. Callbacks come from any thread and must only post.

    settings   as assistant.station_settings.read() gives them
    on_key     a key of the key map: 0-9 * # A B C D A-held C-held
    on_lost, on_back  the USB pad was pulled, and works again
    on_talk    a talk pedal was pressed (True) or let go
    """
    opened: list[Device] = []

    def try_to(section: str, make: Callable[[Mapping[str, Any]], Device]) -> None:
        found = settings.get(section, {})
        if not found.get("kind"):
            return
        try:
            opened.append(make(found))
        except Exception as error:  # noqa: BLE001  one device never stops the others, whatever its library raises
            on_trouble(_sentence(section, error))

    clash = _pins_twice(settings)
    if clash:
        on_trouble(clash)
    try_to("keypad", lambda found: _keypad(found, on_key, on_trouble))
    try_to("usb_pad", lambda found: _usb_pad(found, on_key, on_trouble, on_lost, on_back))
    try_to("pedal", lambda found: _pedal(found, on_key, on_trouble, on_talk))
    try_to("lamp", lambda found: _lamp(found, on_trouble))
    try_to("buzzer", lambda found: _buzzer(found, on_trouble))
    return opened


def pins_of(section: Mapping[str, Any]) -> list[int]:
    """The BCM numbers that a device of this section takes."""
    return [*section.get("rows", ()), *section.get("columns", ()), *([section["pin"]] if "pin" in section else [])]


def _pins_twice(settings: Mapping[str, Mapping[str, Any]]) -> str:
    """One sentence, or nothing. gpiozero refuses the second one anyway, but can't say whose pin it is."""
    owner: dict[int, str] = {}
    for name in PIN_SECTIONS:
        section = settings.get(name, {})
        for number in pins_of(section) if section.get("kind") else ():
            if number in owner:
                return f"Pin {number} is set for [{owner[number]}] and for [{name}] in station.toml: give one of them another pin."
            owner[number] = name
    return ""


def _sentence(section: str, error: Exception) -> str:
    said = str(error) or type(error).__name__
    return said if said.startswith("The ") else f"The {section.replace('_', ' ')} can't be used: {said.splitlines()[0].rstrip('.')}."


def _timing(found: Mapping[str, Any], looks: int = 3) -> Timing:
    return Timing(found.get("looks", looks), found["release_ms"] / 1000, found["hold_ms"] / 1000, float(found["stuck_s"]))


def _keypad(found: Mapping[str, Any], on_key: Callable[[str], None], on_trouble: Trouble) -> Device:
    from hardware.keypad import Keypad
    legend = found["legend"].split()
    rows, columns = found["rows"], found["columns"]
    if len(legend) != len(rows) or {len(line) for line in legend} != {len(columns)}:
        raise ValueError(f"its legend \"{found['legend']}\" is not {len(rows)} rows of {len(columns)} keys, as its pins are")
    return Keypad(rows, columns, on_key, on_trouble, legend, _timing(found), found["scan_ms"] / 1000)


def _usb_pad(found: Mapping[str, Any], on_key: Callable[[str], None], on_trouble: Trouble, on_lost: Trouble,
             on_back: Callable[[], None]) -> Device:
    from hardware.usb_pad import UsbPad
    if not found["device"]:
        raise ValueError("[usb_pad] device is not set; take its name in /dev/input/by-id that ends in -event-kbd")
    return UsbPad(found["device"], on_key, on_trouble, on_lost, on_back, _timing(found))


def _pedal(found: Mapping[str, Any], on_key: Callable[[str], None], on_trouble: Trouble, on_talk: Callable[[bool], None]) -> Device:
    from hardware.pedal import Pedal
    return Pedal(found["pin"], on_key, on_trouble, on_talk if found["does"] == "talk" else None, _timing(found))


def _lamp(found: Mapping[str, Any], on_trouble: Trouble) -> Device:
    from hardware.lamp import Lamp
    return Lamp(found["pin"], on_trouble, found["active_high"])


def _buzzer(found: Mapping[str, Any], on_trouble: Trouble) -> Device:
    from hardware.buzzer import Buzzer
    return Buzzer(found["pin"], on_trouble, found["active_high"], found["hertz"] if found["kind"] == "passive" else None)
