"""The pages: the words of pages/*.md, with pins, figures and parts filled in from the settings and the arithmetic.

In a page, {section.key} is a setting, {pins:...} a table of header pins, {facts:...} a list of figures with their arithmetic.
"""
from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

from hardware.wiring import sheets
from hardware.wiring.electrics import led_resistor
from hardware.wiring.facts import facts
from hardware.wiring.header import SPI_CLOCK, SPI_MISO, SPI_MOSI, SPI_SELECT, nearest, place

Settings = Mapping[str, Mapping[str, Any]]

DEVICES: Mapping[str, tuple[tuple[str, str], ...]] = {
    "keypad": (("keypad", "matrix"),),
    "usb_pad": (("usb_pad", "usb"),),
    "pedal": (("pedal", "button"),),
    "buttons": (("buttons", "pins"), ("buttons", "usb")),
    "lamp": (("lamp", "led"),),
    "buzzer": (("buzzer", "active"), ("buzzer", "passive")),
    "gauge_serial": (("gauge", "line"), ("gauge", "polled")),
    "gauge_modbus": (("gauge", "modbus"),),
    "gauge_transducer": (("gauge", "transducer"),),
    "sound": (("voice", ""), ("hearing", "")),
}
"""Page -> the sections of the settings, and their kinds, that it wires."""
_FIELD = re.compile(r"\{(\w+)(?:([.:])([\w.,]+))?\}")
_PART = re.compile(r"^\| (?!Part|---)(.+) \| (\d+) \|$", re.MULTILINE)


def page(name: str, settings: Settings) -> str:
    """One page as Markdown. KeyError for a device or a field that is not known: a mistake of ours."""
    known = facts(settings)
    ways: dict[str, Callable[[str], str]] = {
        "pins": lambda what: _pins(what, settings),
        "facts": lambda names: "\n".join(f"- {known[one].line()}" for one in names.split(",")),
        "contents": lambda _: "\n".join(f"- [{title(one)}]({one}.md)" for one in DEVICES),
        "parts": lambda _: _all_parts(),
        "led_ohm": lambda _: f"{led_resistor():f}",
    }

    def filled(found: re.Match[str]) -> str:
        group, mark, rest = found.groups()
        return str(settings[group][rest]) if mark == "." else ways[group](rest or "")

    return _FIELD.sub(filled, source(name))


def source(name: str) -> str:
    """A page before anything is filled in."""
    return files("hardware.wiring").joinpath("pages", f"{name}.md").read_text(encoding="utf-8")


def title(name: str) -> str:
    return source(name).splitlines()[0].removeprefix("# ")


def write(folder: Path, settings: Settings) -> list[Path]:
    """All pages and drawings into ``folder``, which is made. OSError where that can't be."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name in ("index", *DEVICES):
        written.append(folder / f"{name}.md")
        written[-1].write_text(page(name, settings), encoding="utf-8")
    for name, draw in {**sheets.SHEETS, "header": sheets.header}.items():
        written.append(folder / f"{name}.svg")
        written[-1].write_text(draw(settings).svg(), encoding="utf-8")
    return written


def _pins(what: str, settings: Settings) -> str:
    if what == "spi":
        select = SPI_SELECT[settings["gauge"]["select"]]
        rows = [("13 clock", SPI_CLOCK), ("12 data out", SPI_MISO), ("11 data in", SPI_MOSI), ("10 select", select)]
    else:
        rows = []
        for one in what.split(","):
            section, key = one.split(".")
            value = settings[section][key]
            if isinstance(value, list | tuple):
                names = sheets.BUTTONS if section == "buttons" else [f"{key[:-1]} {n}" for n in range(1, len(value) + 1)]
                rows += zip(names, value, strict=True)
            else:
                rows.append(("signal", value))
    lines = ["| | BCM | header pin |", "|---|---|---|", *(f"| {name} | GPIO {bcm} | {place(bcm)} |" for name, bcm in rows)]
    if what == "spi":
        lines += ["| 15, 16 (reference, supply) | 3.3 V | 17 |", f"| 9, 14 (grounds) | ground | {nearest('GND', SPI_CLOCK)} |"]
    elif len(rows) == 1 or what == "buttons.pins":
        lines.append(f"| ground | | {nearest('GND', rows[-1][1])} |")
    return "\n".join(lines)


def _all_parts() -> str:
    lines = ["| For | Part | Number |", "|---|---|---|"]
    return "\n".join([*lines, *(f"| {title(name)} | {part} | {number} |" for name in DEVICES for part, number in parts(name))])


def parts(name: str) -> list[tuple[str, int]]:
    """The bill of parts of one page."""
    table = source(name).split("## Parts")[1].replace("{led_ohm}", f"{led_resistor():f}")
    return [(part, int(number)) for part, number in _PART.findall(table)]
