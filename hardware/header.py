"""Keypad, pedal and buttons on the header's pins, opened in this very process; and how any device is opened, or told in one sentence."""
from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

from hardware.debounce import Timing
from hardware.ports import HandDevice, Trouble

PINS = ("matrix", "button", "pins")
"""Kinds that are watched on the header's pins."""

def open_header(settings: Mapping[str, Mapping[str, Any]], on_key: Callable[[str], None], on_trouble: Trouble,
                on_talk: Callable[[bool], None] = lambda on: None) -> dict[str, HandDevice]:
    """Those of the three in this very process, by section: mock pins live in it, and hardware/header_process.py is a process for them."""
    return opened_of(settings, on_trouble, {
        "keypad": lambda found: _keypad(found, on_key, on_trouble),
        "pedal": lambda found: _pedal(found, on_key, on_trouble, on_talk),
        "buttons": lambda found: _buttons(found, on_key, on_trouble)}, PINS)


def opened_of(settings: Mapping[str, Mapping[str, Any]], on_trouble: Trouble,
              makers: Mapping[str, Callable[[Mapping[str, Any]], HandDevice]], kinds: Collection[str] = ()) -> dict[str, HandDevice]:
    """Only what is of one of ``kinds``; none named: of any."""
    opened: dict[str, HandDevice] = {}
    for section, make in makers.items():
        found = settings.get(section, {})
        if found.get("kind") and (not kinds or found["kind"] in kinds):
            try:
                opened[section] = make(found)
            except Exception as error:
                on_trouble(_sentence(section, error))
    return opened


def _sentence(section: str, error: Exception) -> str:
    said = str(error).splitlines()[0].rstrip(".") if str(error) else type(error).__name__
    what = section.replace("usb_pad", "USB pad")
    return f"{said}." if said.startswith("The ") else f"The {what} can't be used: {said}."


def timing(found: Mapping[str, Any], looks: int = 3) -> Timing:
    return Timing(found.get("looks", looks), found["release_ms"] / 1000, found["hold_ms"] / 1000, float(found["stuck_s"]))


def _keypad(found: Mapping[str, Any], on_key: Callable[[str], None], on_trouble: Trouble) -> HandDevice:
    from hardware.keypad import Keypad
    legend = found["legend"].split()
    rows, columns = found["rows"], found["columns"]
    if len(legend) != len(rows) or {len(line) for line in legend} != {len(columns)}:
        raise ValueError(f"its legend \"{found['legend']}\" is not {len(rows)} rows of {len(columns)} keys, as its pins are")
    return Keypad(rows, columns, on_key, on_trouble, legend, timing(found), found["scan_ms"] / 1000)


def _pedal(found: Mapping[str, Any], on_key: Callable[[str], None], on_trouble: Trouble,
           on_talk: Callable[[bool], None]) -> HandDevice:
    from hardware.pedal import Pedal
    return Pedal(found["pin"], on_key, on_trouble, on_talk if found["does"] == "talk" else None, timing(found))


def _buttons(found: Mapping[str, Any], on_key: Callable[[str], None], on_trouble: Trouble) -> HandDevice:
    from hardware.buttons import Buttons
    return Buttons(found["pins"], on_key, on_trouble, timing(found))
