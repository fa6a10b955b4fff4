"""What this station remembers about itself: ``~/.config/bowlside/station.toml``, one section a device or model.

    [voice]
    name = "en-us"          # as the synthesiser names it
    rate_wpm = 190
    wording = "terse"

    [hearing]
    model = "/home/pi/models/small-en"      # or "own", see bowlside voice use

Jobs have files of their own; nothing here changes a result. A missing file or key means the default.
"""
from __future__ import annotations

import json
import os
import re
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assistant.core.methods.values import unknown
from assistant.files import by_hand
from assistant.files.refusal import Refusal
from hardware import buttons

Value = str | int | float | bool | Sequence[int]


class StationSettingsError(Refusal):
    """The file can't be used or written. str() is one sentence: file, key, value, what is allowed."""


@dataclass(frozen=True)
class Key:
    """One setting: its default, whether a value is right, and the words for what is."""
    default: Value
    right: Callable[[Any], bool]
    allowed: str


def text(default: str = "") -> Key:
    """Any text without control characters."""
    return Key(default, lambda value: isinstance(value, str) and value.isprintable(), "a text in quotes")


def number(default: int, low: int, high: int, unit: str, or_zero: str = "") -> Key:
    """A whole number; ``or_zero``: what 0 means, where it is allowed beside the range."""
    return Key(default, lambda value: type(value) is int and (low <= value <= high or value == 0 and bool(or_zero)),
               f"a whole number from {low} to {high} ({unit}){f', or 0 for {or_zero}' if or_zero else ''}")


def switch(default: bool) -> Key:
    return Key(default, lambda value: type(value) is bool, "true or false")


def one_of(default: str, *others: str) -> Key:
    names = (default, *others)
    return Key(default, lambda value: isinstance(value, str) and value in names, f"one of {', '.join(map(json.dumps, names))}")


def figure(default: int | float, low: float, high: float, unit: str) -> Key:
    """A number with or without decimals."""
    return Key(default, lambda value: type(value) in (int, float) and low <= value <= high,
               f"a number from {low:g} to {high:g}{unit and f' ({unit})'}")


def pin(default: int) -> Key:
    """One pin of the header, by its BCM number. 0 and 1 belong to add-on boards."""
    return number(default, 2, 27, "BCM")


def pins(*default: int) -> Key:
    """Pins of the header, in order, each once."""
    return Key(default, lambda value: isinstance(value, list | tuple) and 1 <= len(value) <= 8 and len(set(value)) == len(value)
               and all(type(one) is int and 2 <= one <= 27 for one in value),
               "a list of 1 to 8 different whole numbers from 2 to 27 (BCM)")


KNOWN: Mapping[str, Mapping[str, Key]] = {
    "voice": {
        "name": text("en-us"),
        "rate_wpm": number(0, 80, 300, "words a minute", "the pace of the wording"),
        "volume": number(100, 0, 100, "percent"),
        "click": switch(True),
        "wording": one_of("normal", "terse", "coaching"),
        "driver": text("bowlside"),
    },
    "hearing": {
        "model": text(),
        "barge_in": switch(False),
    },
    "screen": {
        "daylight": switch(False),
    },
    # What the crew's board may see: whether it is written, and where (empty: see assistant/board/place.py).
    "board": {
        "publish": switch(False),
        "folder": text(),
    },
    # The pins leave alone those of SPI (7 to 11), I2C (2, 3), the serial port (14, 15) and I2S (18 to 21). Lamp and buzzer are on
    # pins that a Pi pulls low until somebody drives them.
    "keypad": {
        "kind": one_of("", "matrix"),
        "rows": pins(5, 6, 13, 26),
        "columns": pins(16, 17, 22, 23),
        "legend": Key("123A 456B 789C *0#D", lambda value: isinstance(value, str) and bool(value.split())
                      and set(value) <= set("0123456789*#ABCD "),
                      "a text a row, parted by spaces, of the keys 0 to 9 * # A B C D"),
        "scan_ms": number(5, 2, 20, "milliseconds"),
        "looks": number(3, 2, 6, "looks in a row"),
        "release_ms": number(80, 20, 400, "milliseconds"),
        "hold_ms": number(1000, 400, 3000, "milliseconds"),
        "stuck_s": number(8, 4, 60, "seconds"),
    },
    "usb_pad": {
        "kind": one_of("", "usb"),
        "device": text(),
        "release_ms": number(80, 20, 400, "milliseconds"),
        "hold_ms": number(1000, 400, 3000, "milliseconds"),
        "stuck_s": number(8, 4, 60, "seconds"),
    },
    "pedal": {
        "kind": one_of("", "button"),
        "pin": pin(24),
        "does": one_of("next", "talk"),
        "release_ms": number(80, 20, 400, "milliseconds"),
        "hold_ms": number(700, 400, 3000, "milliseconds"),
        "stuck_s": number(30, 4, 120, "seconds"),
    },
    "buttons": {  # in the place of the keypad: nobody needs both
        "kind": one_of("", "pins", "usb"),
        "pins": Key((5, 6, 13), lambda value: pins().right(value) and len(value) == 3,
                    "a list of 3 different whole numbers from 2 to 27 (BCM): yes, no, say again"),
        "device": text(),
        "keys": Key("a b c", buttons.three, "the names of 3 different keys, parted by spaces: yes, no, say again"),
        "release_ms": number(80, 20, 400, "milliseconds"),
        "hold_ms": number(700, 400, 3000, "milliseconds"),
        "stuck_s": number(30, 4, 120, "seconds"),
    },
    "lamp": {
        "kind": one_of("", "led"),
        "pin": pin(25),
        "active_high": switch(True),
    },
    "buzzer": {
        "kind": one_of("", "active", "passive"),
        "pin": pin(12),
        "active_high": switch(True),
        "hertz": number(2000, 500, 4000, "hertz, for a passive one"),
    },
    # What each kind reads: hardware/gauges/settings.py; the pattern: hardware/gauges/pattern.py.
    "gauge": {
        "kind": one_of("", "line", "polled", "modbus", "transducer"),
        "port": text(),
        "baud": number(9600, 300, 921600, "bits a second"),
        "frame": one_of("8N1", "8N2", "8E1", "8O1", "7E1", "7O1", "7N2"),
        "unit": one_of("psi", "kPa", "bar", "mbar", "line"),
        "scale": figure(1, -1000, 1000, ""),
        "lowest_psi": figure(-2, -15, 60, "psi"),
        "highest_psi": figure(60, 0, 1000, "psi"),
        "pattern": text("{value}"),
        "decimals": number(2, 0, 6, "digits"),
        "ask": text(),
        "every_ms": number(100, 20, 1000, "milliseconds"),
        "answer_ms": number(300, 20, 1000, "milliseconds"),
        "device": number(1, 1, 247, "its number on the bus"),
        "function": number(3, 3, 4, "3 holding registers, 4 input registers"),
        "register": number(0, 0, 65535, "counted from 0"),
        "type": one_of("float32", "int16", "uint16", "int32", "uint32"),
        "words": one_of("big", "little"),
        "channel": number(0, 0, 7, "of the converter"),
        "supply_channel": number(-1, -1, 7, "of the converter; -1 for none"),
        "select": number(0, 0, 1, "chip select of SPI"),
        "reads": number(16, 1, 1000, "conversions a reading"),
        "low_ratio": figure(0.1, 0, 1, "share of the supply"),
        "low_psi": figure(0, -15, 1000, "psi"),
        "high_ratio": figure(0.9, 0, 1, "share of the supply"),
        "high_psi": figure(60, -15, 1000, "psi"),
    },
}


GONE = frozenset({("hearing", "technician")})
"""Keys of earlier versions: a file that has them is read as ever, and `unused` says that they do nothing."""


def default_path() -> Path:
    """``$XDG_CONFIG_HOME/bowlside/station.toml``, or in ``~/.config``. (XDG Base Directory Specification 0.8)"""
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "bowlside" / "station.toml"


def read(path: Path | None = None) -> dict[str, dict[str, Any]]:
    """Every section with every key, defaults filled in. Raises StationSettingsError for a file that can't be right."""
    path = path or default_path()
    found = _checked(_text_of(path), path)
    return {section: {key: found.get(section, {}).get(key, rule.default) for key, rule in keys.items()}
            for section, keys in KNOWN.items()}


def unused(path: Path | None = None) -> list[str]:
    """A sentence for each key in the file that does nothing any more. Raises StationSettingsError."""
    path = path or default_path()
    found = _checked(_text_of(path), path)
    voices = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local/share") / "bowlside" / "voices"
    return [f"{path}: [{section}] {key} is no longer used, since no speech model is fitted to one voice any more; take that line "
            f"out, and delete {voices} if it is there." for section, key in GONE if key in found.get(section, {})]


def check(section: str, key: str, value: Any, where: object = "") -> None:
    """Raises StationSettingsError unless ``value`` is allowed there; ``where`` opens the sentence (a file, an option)."""
    opening = f"{where}: " if where else ""
    if section not in KNOWN:
        raise StationSettingsError(f"{opening}there is no section [{section}]; the sections are {', '.join(KNOWN)}.")
    keys = KNOWN[section]
    if key not in keys:
        raise StationSettingsError(f"{opening}[{section}] {unknown(key, keys)}.")
    if not keys[key].right(value):
        raise StationSettingsError(f"{opening}[{section}] {key} = {_toml(value)} is not allowed; it must be {keys[key].allowed}.")


def write(section: str, key: str, value: Value, path: Path | None = None) -> None:
    """Remember one value; everything else in the file, comments too, stays as it is.

    Raises StationSettingsError if the value is not allowed or the file can't be read or written.
    """
    path = (path or default_path()).resolve()  # a link stays one
    check(section, key, value, path)
    before = _text_of(path)
    _checked(before, path)
    after = _with_line(before, section, key, f"{key} = {_toml(value)}")
    _checked(after, path)  # never leave a file behind that the next start refuses
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=path.parent, prefix=path.name, delete=False) as out:
            out.write(after)
            _as_before(out.fileno(), path)
            out.flush()
            os.fsync(out.fileno())  # or a power cut may leave the new file, and nothing in it
        os.replace(out.name, path)  # the old file or the new one, never half of one
    except OSError as error:
        raise StationSettingsError(f"{path} can't be written ({error.strerror}): {key} is not remembered.") from None


def _as_before(file: int, path: Path) -> None:
    """With the mode and the owner of the file in whose place it comes, else the folder's: a station that runs as a user of its
    own must be able to read what root has it remember."""
    like = (path if path.exists() else path.parent).stat()
    os.fchmod(file, like.st_mode & 0o666 if path.exists() else like.st_mode & 0o644)
    if os.geteuid() == 0:
        os.fchown(file, like.st_uid, like.st_gid)


def _text_of(path: Path) -> str:
    try:
        return by_hand.text(path)
    except by_hand.Missing:
        return ""
    except by_hand.Unreadable as why:
        raise StationSettingsError(f"{path} can't be read: {why}. Mend it, or remove it to go back to the defaults.") from None


def _checked(source: str, path: Path) -> dict[str, dict[str, Any]]:
    try:
        found = by_hand.toml(source)
    except by_hand.Unreadable as why:
        raise StationSettingsError(f"{path} can't be read: {why}. Mend it, or remove it to go back to the defaults.") from None
    for section, table in found.items():
        if not isinstance(table, dict):
            raise StationSettingsError(f"{path}: {section} stands outside any section; the sections are {', '.join(KNOWN)}.")
        if section not in KNOWN:
            check(section, "", None, path)
        for key, value in table.items():
            if (section, key) not in GONE:
                check(section, key, value, path)
    return found


def _with_line(source: str, section: str, key: str, line: str) -> str:
    """The file with ``line`` in place of that key's, after its section's heading, or in a new section at the end."""
    lines = source.splitlines()
    head = next((n for n, one in enumerate(lines) if re.match(rf"\s*\[\s*{section}\s*\]", one)), None)
    if head is None:
        return "\n".join([*lines, *([""] if lines else []), f"[{section}]", line, ""])
    for n in range(head + 1, len(lines)):
        if re.match(r"\s*\[", lines[n]):
            break
        if re.match(rf"\s*{key}\s*=", lines[n]):
            lines[n] = line
            return "\n".join([*lines, ""])
    lines.insert(head + 1, line)
    return "\n".join([*lines, ""])


def _toml(value: Any) -> str:
    """As it would stand in the file: JSON's texts, numbers and truth values are TOML's."""
    return json.dumps(value, ensure_ascii=False, default=str)
