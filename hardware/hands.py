"""Everything that a hand or a foot touches, and the lamp and buzzer that answer: opened as the station's settings say.

A device that can't be opened is told in one sentence, and the others are opened all the same.
"""
from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from hardware.header import PINS, open_header, opened_of, timing
from hardware.header_process import SECTIONS, HeaderProcess
from hardware.pins import mocked
from hardware.ports import HandDevice, Trouble

PIN_SECTIONS = ("keypad", "pedal", "buttons", "lamp", "buzzer")


OTHERS = ("usb", "led", "active", "passive")
"""Kinds that this process opens itself."""


def open_all(settings: Mapping[str, Mapping[str, Any]], on_key: Callable[[str], None], on_trouble: Trouble,
             on_lost: Callable[[str, str], None], on_back: Callable[[str], None], on_talk: Callable[[bool], None] = lambda on: None) -> list[HandDevice]:
    """The devices whose section has a `kind`, in no order. Returns at once, never raises. Callbacks come from any thread
    and must only post.

    settings   as assistant.station.station_settings.read() gives them
    on_key     a key of the key map: 0-9 * # A B C D A-held B-held D-held
    on_lost, on_back  what hangs on USB was pulled, by its section and with a sentence, and works again
    on_talk    a talk pedal was pressed (True) or let go

    What has keys on the header is one device of the list, watched by a process of its own; on gpiozero's mock pins it is in this one.
    """
    clash = pins_twice(settings)
    if clash:
        on_trouble(clash)
    opened: list[HandDevice] = []
    if any(settings.get(name, {}).get("kind") in PINS for name in SECTIONS):
        given = (settings, on_key, on_trouble, on_talk)
        opened = [*open_header(*given).values()] if mocked() else [HeaderProcess(*given)]
    return [*opened, *opened_of(settings, on_trouble, {
        "usb_pad": lambda found: _usb_pad(found, on_key, on_trouble, on_lost, on_back),
        "buttons": lambda found: _usb_pad(found, on_key, on_trouble, on_lost, on_back, "buttons"),
        "lamp": lambda found: _lamp(found, on_trouble), "buzzer": lambda found: _buzzer(found, on_trouble)}, OTHERS).values()]


def pins_of(section: Mapping[str, Any]) -> list[int]:
    """The BCM numbers that a device of this section takes."""
    return [] if section.get("kind") == "usb" else [
        *section.get("rows", ()), *section.get("columns", ()), *section.get("pins", ()), *([section["pin"]] if "pin" in section else [])]


def pins_twice(settings: Mapping[str, Mapping[str, Any]]) -> str:
    """One sentence, or nothing. gpiozero refuses the second one anyway, but can't say whose pin it is."""
    owner: dict[int, str] = {}
    for name in PIN_SECTIONS:
        section = settings.get(name, {})
        for number in pins_of(section) if section.get("kind") else ():
            if number in owner:
                return (f"Pin {number} is set for [{owner[number]}] and for [{name}] in station.toml: "
                        "give one of them another pin.")
            owner[number] = name
    return ""


def _usb_pad(found: Mapping[str, Any], on_key: Callable[[str], None], on_trouble: Trouble, on_lost: Callable[[str, str], None],
             on_back: Callable[[str], None], section: str = "usb_pad") -> HandDevice:
    from hardware import buttons, usb_pad
    if not found["device"]:
        raise ValueError(f"[{section}] device is not set; take its name in /dev/input/by-id that ends in -event-kbd")
    codes, called = (buttons.codes(found["keys"]), "pad of buttons") if section == "buttons" else (usb_pad.CODES, "USB pad")
    return usb_pad.UsbPad(found["device"], on_key, on_trouble, lambda words: on_lost(section, words), lambda: on_back(section),
                          timing(found), codes=codes, called=called, section=section)


def _lamp(found: Mapping[str, Any], on_trouble: Trouble) -> HandDevice:
    from hardware.lamp import Lamp
    return Lamp(found["pin"], on_trouble, found["active_high"])


def _buzzer(found: Mapping[str, Any], on_trouble: Trouble) -> HandDevice:
    from hardware.buzzer import Buzzer
    return Buzzer(found["pin"], on_trouble, found["active_high"], found["hertz"] if found["kind"] == "passive" else None)
