"""The card of the keys: what each key does, what is said for it, and where it is on a USB pad and in a terminal.

It is made from the maps that the station itself uses, so that it can't tell anything else than the station does.

    bowlside keys            prints it
    bowlside keys FILE.svg   draws it, for printing on A5
"""
from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from textwrap import wrap

from assistant.core import answers
from assistant.core.commands import COMMANDS
from assistant.core.language import sentence
from hardware import terminal, usb_pad
from hardware.keypad import LEGEND

_DOES = {"*": "point", "#": "enter", "A": "again", "B": "erase", "C": "no", "D": "time", "#-held": "sure", "A-held": "pause",
         "B-held": "scrap", "D-held": "quiet"}
_ALSO = {"#": ("next", "yes"), "#-held": ("yes", "say_again"), "D": ("time_left", "where_are_we"),
         "A-held": ("pause", "carry_on"), "D-held": ("quiet", "talk")}
"""Keys that are more than one command."""
_PAD = {83: ".", 96: "Enter", 98: "/", 55: "*", 14: "Backspace", 74: "-", 78: "+"}
"""What is printed on a USB pad's keys, by the kernel's code."""
_TERMINAL = {"\r": "Enter", "\x7f": "Backspace"}
_READING_OUT = ("slower", "faster", "skip_to_air")
"""Only while a finished test is read out, which shows its own keys."""


@dataclass(frozen=True)
class Row:
    key: str
    does: str
    say: str
    usb_pad: str
    terminal: str


def rows() -> list[Row]:
    """One for the digits, one for each other key."""
    digits = sentence("card.digits_key")
    found = [Row(digits, sentence("card.digits"), "", digits, digits)]
    for key, does in _DOES.items():
        held, pad = key.endswith("-held"), [label for code, label in _PAD.items() if usb_pad.CODES[code] == key[:1]]
        found.append(Row(sentence("card.held", key=key[0]) if held else key, sentence(f"card.{does}"),
                         ", ".join(said for said in map(_said, commands_of(key)) if said),
                         ", ".join(sentence("card.held", key=label) for label in pad) if held else ", ".join(pad), _typed(key)))
    return found


def commands_of(key: str) -> tuple[str, ...]:
    """The commands that a key gives, by id."""
    return _ALSO.get(key) or ((answers.KEYS[key],) if key in answers.KEYS else ())


def by_voice_only() -> list[str]:
    """The commands that no key gives."""
    keyed = {command for key in answers.KEYS for command in commands_of(key)}
    return [command for command in COMMANDS if command not in keyed and command not in _READING_OUT]


def text() -> str:
    """The card for a terminal, at most 100 columns wide."""
    widths, lines = (8, 36, 19, 20, 14), []
    for row in [_heading(), *rows()]:
        cells = [wrap(one, width - 2) or [""] for one, width in zip(_cells(row), widths, strict=True)]
        for n in range(max(map(len, cells))):
            lines.append("".join((cell[n] if n < len(cell) else "").ljust(width)
                                 for cell, width in zip(cells, widths, strict=True)).rstrip())
    return "\n".join([sentence("card.title"), "", *lines, "", *_notes()])


def svg() -> str:
    """The card as a drawing, A5 across: the keypad on the left, what each key does on the right. Black on white."""
    return "\n".join([
        '<svg xmlns="http://www.w3.org/2000/svg" width="210mm" height="148mm" viewBox="0 0 210 148" font-family="sans-serif">',
        '<rect width="210" height="148" fill="white"/>', _words(8, 12, sentence("card.title"), 6, bold=True),
        *_keypad(8, 20), *_table(78, 20), *(_words(8, 121.5 + 3.4 * n, note, 2.8) for n, note in enumerate(_notes())), "</svg>", ""])


def _heading() -> Row:
    return Row(*(sentence(f"card.{one}") for one in ("key", "does", "say", "usb_pad", "terminal")))


def _cells(row: Row) -> tuple[str, ...]:
    return row.key, row.does, row.say, row.usb_pad, row.terminal


def _notes() -> list[str]:
    only = ", ".join(filter(None, map(_said, by_voice_only())))
    notes = [sentence("card.pedal"), sentence("card.buttons"), sentence("card.crew"), *([sentence("card.said_only", commands=only)] if only else []), 
             sentence("safety.make_safe"), sentence("card.defers")]
    return [line for note in notes for line in wrap(note, 100)]


def _said(command: str) -> str:
    return COMMANDS[command][0] if COMMANDS.get(command) else ""


def _typed(key: str) -> str:
    """Small letters where a capital does the same."""
    typed = [character for character, token in terminal.KEYS.items() if token == key]
    named = [_TERMINAL.get(one, one) for one in typed
             if not (one.isupper() and one.lower() in typed) and (one.isprintable() or one in _TERMINAL)]
    return " ".join(dict.fromkeys(named))


def _keypad(x: float, y: float, size: float = 16) -> list[str]:
    drawn = []
    for r, line in enumerate(LEGEND):
        for c, key in enumerate(line):
            left, top = x + c * size, y + r * 1.4 * size
            middle = left + size / 2 - 0.75
            drawn += [f'<rect x="{left:g}" y="{top:g}" width="{size - 1.5:g}" height="{1.4 * size - 1.5:g}" rx="2" fill="none" '
                      'stroke="black" stroke-width="0.4"/>', _words(middle, top + 11, key, 8, bold=True, middle=True)]
            drawn += [_words(middle, top + 16 + 3 * n, word, 2.3, middle=True) for n, word in enumerate(_under(key))]
    return drawn


def _under(key: str) -> list[str]:
    """The few words that fit under a key."""
    if key in _DOES:
        return wrap(sentence(f"card.{_DOES[key]}").replace(";", ",").split(",")[0], 11)[:2]
    return []


def _table(x: float, y: float) -> list[str]:
    widths, drawn, at = (13, 42, 27, 21, 20), [], y + 2.0
    for row in [_heading(), *rows()]:
        cells = [wrap(one, int(width / 1.55), break_on_hyphens=False) for one, width in zip(_cells(row), widths, strict=True)]
        left = x
        for cell, width in zip(cells, widths, strict=True):
            bold = cell is cells[0] or row.key == sentence("card.key")
            drawn += [_words(left, at + 3.4 * n, line, 2.8, bold) for n, line in enumerate(cell)]
            left += width
        at += 3.4 * max(map(len, cells)) + 1.6
        drawn.append(f'<path d="M{x:g} {at - 3.6:g}H{left:g}" stroke="black" stroke-width="0.15"/>')
    return drawn


def _words(x: float, y: float, words: str, size: float, bold: bool = False, middle: bool = False) -> str:
    weight, anchor = ' font-weight="bold"' if bold else "", ' text-anchor="middle"' if middle else ""
    return f'<text x="{x:g}" y="{y:g}" font-size="{size:g}"{weight}{anchor}>{escape(words)}</text>'


def main(arguments: Sequence[str]) -> int:
    if not arguments:
        print(text())
        return 0
    try:
        Path(arguments[0]).write_text(svg(), encoding="utf-8")
    except OSError as error:
        print(f"{arguments[0]} can't be written: {error.strerror}.", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
