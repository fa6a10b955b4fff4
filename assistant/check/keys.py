"""Every key pressed once, as asked: which ones come, and what their order tells of the wiring."""
from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from assistant.check.finding import Finding
from assistant.check.talk import TERMINAL, Talk
from hardware.buttons import NAMES as BUTTONS
from hardware.keypad import HELD
from hardware.wiring.header import named

KEY_S = 8.0
"""A key is waited for so long. Ours."""
NOTHING = 4
"""After so many keys in a row that give nothing, the others aren't asked for."""
MISTAKES = 3
"""So many wrong keys are asked a second time, since a finger may slip; after that it is the wiring."""

Got = Mapping[str, str | None]
"""Key that was asked for -> what came, None for nothing."""

PAD = {**{digit: digit for digit in "0123456789"}, "*": "the point", "#": "Enter", "A": "/", "B": "*", "C": "-", "D": "+"}
"""What is printed on the keys of a USB pad."""


def walk(talk: Talk, device: str, asked: Sequence[tuple[str, str]], within_s: float = KEY_S) -> dict[str, str | None]:
    """Ask for each (key, its name) in turn; what came of each. Enter or C in the terminal passes over one."""
    got: dict[str, str | None] = {}
    mistakes = 0
    talk.silent()  # the first key's name would cut off what this is about
    talk.forget()
    for key, called in asked:
        press = f"hold {called} down for a second and a half" if key.endswith("-held") else f"press {called}"
        talk.tell(f"  {press}", aloud=press)
        came = _one(talk, device, within_s)
        if came not in (None, key) and mistakes < MISTAKES:
            mistakes += 1
            talk.tell(f"  that gave {_said(came)}; once more: {press}")
            came = _one(talk, device, within_s)
        got[key] = came
        talk.cue("key_click" if came == key else "refused")
        if came != key:
            talk.show(f"  {_said(came)} came")
        if len(got) >= NOTHING and not any(got.values()):
            break
    return got


def _one(talk: Talk, device: str, within_s: float) -> str | None:
    while (came := talk.wait_key(within_s)) is not None:
        source, name = came
        if source == device:
            return name
        if source == TERMINAL and name in ("#", "C"):
            return None
    return None


def _said(key: str | None) -> str:
    return "nothing" if key is None else key.replace("-held", " held")


# --- the matrix keypad -----------------------------------------------------------------------------------------------------

def asked_of_keypad(legend: Sequence[str]) -> list[tuple[str, str]]:
    """Row by row, then those with a second meaning, held."""
    keys = [key for line in legend for key in line]
    return [*((key, key) for key in keys), *((HELD[key], key) for key in keys if key in HELD)]


def keypad(settings: Mapping[str, Any], got: Got) -> Finding:
    """What is wrong with a keypad of the section [keypad], from what came of each key."""
    legend, rows, columns = settings["legend"].split(), list(settings["rows"]), list(settings["columns"])
    if not any(got.values()):
        return Finding("keypad", False, "No key comes: look at its plug, and at the pins that [keypad] names.")
    if all(key == came for key, came in got.items()):
        return Finding("keypad", True, f"All {len(got)} presses came, {sum(key in HELD.values() for key in got)} of them held.")
    if other := other_order(legend, rows, columns, got):
        return Finding("keypad", False, f"The wires are in another order. In station.toml, [keypad], write rows = {other[0]} and "
                                        f"columns = {other[1]}.")
    wrong: list[str] = []
    silent = {key for key, came in got.items() if came is None}
    for what, lines, pins in (("row", legend, rows), ("column", list(map("".join, zip(*legend, strict=True))), columns)):
        for line, pin in zip(lines, pins, strict=True):
            if set(line) <= silent and len(line) > 1:
                wrong.append(f"No key of the {what} {' '.join(line)} comes: its wire to {named(pin)}, is off.")
                silent -= {*line, *(HELD[key] for key in line if key in HELD)}
    silent -= {HELD[key] for key in silent if key in HELD}  # it can't be held either
    wrong += [_alone(key, came) for key, came in got.items() if key in silent or came not in (None, key)]
    return Finding("keypad", False, " ".join(wrong))


def _alone(key: str, came: str | None) -> str:
    if came is None:
        return f"{_said(key).capitalize()} gives nothing: press harder; if that helps, its contact is worn or wet."
    if key.endswith("-held"):
        return f"{_said(key)} gives {_said(came)}: hold it longer."
    return f"{key} gives {_said(came)}."


Pins = tuple[list[int], list[int]]
"""rows, columns"""


def other_order(legend: Sequence[str], rows: list[int], columns: list[int], got: Got) -> Pins | None:
    """(rows, columns) with which every key would have come right; None where no order of the wires explains it.

    A key at (r, c) that gave the one at (r', c') lies on the pins of row r' and column c', or, with rows and columns exchanged,
    its row is on the pin of column c' and its column on that of row r'. It must be so for all keys. (Derived from the circuit.)
    """
    place = {key: (r, c) for r, line in enumerate(legend) for c, key in enumerate(line)}
    pairs = [(place[key], place.get(str(came))) for key, came in got.items() if key in place]
    if len(pairs) != len(place) or len({there for _, there in pairs}) != len(place) or None in {there for _, there in pairs}:
        return None
    for exchanged in (False, True):
        of_row: dict[int, set[int]] = {}
        of_column: dict[int, set[int]] = {}
        for (r, c), (r2, c2) in pairs:  # type: ignore[misc]
            of_row.setdefault(r, set()).add(columns[c2] if exchanged else rows[r2])
            of_column.setdefault(c, set()).add(rows[r2] if exchanged else columns[c2])
        if all(len(pins) == 1 for pins in (*of_row.values(), *of_column.values())):
            order = [of_row[r].pop() for r in sorted(of_row)], [of_column[c].pop() for c in sorted(of_column)]
            return order if order != (rows, columns) else None
    return None


# --- the USB pad -----------------------------------------------------------------------------------------------------------

def asked_of_pad() -> list[tuple[str, str]]:
    return [*PAD.items(), *((HELD[key], PAD[key]) for key in HELD)]


def usb_pad(got: Got) -> Finding:
    if not any(got.values()):
        return Finding("usb_pad", False, "No key comes: is the pad named in [usb_pad] device the one in your hand?")
    wrong = [f"{PAD[key[:1]]}{' held' if key.endswith('-held') else ''} gives {_said(came)}."
             for key, came in got.items() if came != key]
    if wrong:
        return Finding("usb_pad", False, " ".join([*wrong, "What a pad has no key for can be said, or keyed elsewhere."]))
    return Finding("usb_pad", True, f"All {len(got)} presses came.")


# --- three buttons --------------------------------------------------------------------------------------------------------

def asked_of_buttons() -> list[tuple[str, str]]:
    return [*BUTTONS.items(), *((HELD[key], BUTTONS[key]) for key in BUTTONS if key in HELD)]


def buttons(settings: Mapping[str, Any], got: Got) -> Finding:
    """What is wrong with the buttons of the section [buttons], from what came of each."""
    setting = "pins" if settings["kind"] == "pins" else "keys"
    if not any(got.values()):
        return Finding("buttons", False, f"No button comes: look at its plug, and at what [buttons] {setting} names.")
    if all(key == came for key, came in got.items()):
        return Finding("buttons", True, f"All {len(got)} presses came, {sum(key in HELD.values() for key in got)} of them held.")
    came_of = {key: came for key, came in got.items() if key in BUTTONS}
    if came_of.keys() == set(came_of.values()) == BUTTONS.keys():
        named = settings["pins"] if setting == "pins" else settings["keys"].split()
        order = [named[list(BUTTONS).index(str(came_of[key]))] for key in BUTTONS]
        if order != list(named):
            value = order if setting == "pins" else f'"{" ".join(order)}"'
            return Finding("buttons", False, f"They are in another order. In station.toml, [buttons], write {setting} = {value}.")
    wrong = [f"{BUTTONS[key[:1]]}{' held' if key.endswith('-held') else ''} gives "
             f"{'nothing' if came is None else BUTTONS[came[:1]] + ' held' * came.endswith('-held')}."
             for key, came in got.items() if came != key]
    return Finding("buttons", False, " ".join(wrong))


# --- the pedal -------------------------------------------------------------------------------------------------------------

def pedal(talk: Talk, settings: Mapping[str, Any], within_s: float = KEY_S) -> Finding:
    """A short press, then a long one."""
    where, talks = named(settings["pin"]), settings["does"] == "talk"
    long, wanted = ("hold it down and say a word", "talk") if talks else ("hold it down for a second", HELD["#"])
    talk.forget()
    talk.tell("  press the pedal shortly", aloud="Press the pedal shortly.")
    short = _one_of(talk, "pedal", within_s, {"#", HELD["#"]})
    if short is None:
        return Finding("pedal", False, f"Nothing comes of it: look at its cable; pressed, it must join {where} to ground.")
    if short != "#":
        return Finding("pedal", False, "A short press came as a long one: let it go sooner; if it is always so, its contact "
                                       "opens when pressed, and it must be one that closes.")
    talk.tell(f"  {long}", aloud=f"Now {long}.")
    held = _one_of(talk, "pedal", within_s, {"#", wanted})
    if held != wanted:
        return Finding("pedal", False, f"Held, it gave {_said(held)}: hold it longer; if it is always so, a contact is loose.")
    return Finding("pedal", True, "A short press and a long one came.")


def _one_of(talk: Talk, device: str, within_s: float, wanted: set[str]) -> str | None:
    while (came := _one(talk, device, within_s)) is not None:
        if came in wanted:
            return came
    return None
