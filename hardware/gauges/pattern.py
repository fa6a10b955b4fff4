"""The line that a gauge sends, described in the settings by a pattern such as ``{value} {unit}``.

A pattern is the line itself with these fields in it; a blank stands for any number of blanks, none too, and blanks
before and after a line don't matter:

    {value}  {value:8}   the number, with its sign if it has one; :8 means exactly eight characters, padding counted
    {sign}               + or - or nothing, where the sign does not stand right before the number
    {unit}               psi (or psig), kPa, bar or mbar, in any case
    {any}  {any:3}       whatever stands there; :3 means exactly three characters
    {xor}  {sum}  {crc}  a checksum in hexadecimal: exclusive or of the bytes (2 digits), their sum modulo 256 (2
                         digits), CRC-16 with polynomial 0x1021 from 0 (4 digits: binascii.crc_hqx)
    {begin}  {end}       between which the checksum is made up; without them, from the line's start to the checksum

Control characters are written \\x02, \\t and so on; a brace is written {{ or }}. Whatever is not a whole line of that
form, with the right checksum, gives no reading: nothing is searched for inside a line.
"""

from __future__ import annotations

import binascii
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from functools import reduce
from operator import xor

from hardware.gauges.sample import GaugeSettingsError, NotAReading, raw_of
from hardware.gauges.units import WRITTEN, to_psi

CHECKSUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "xor": (2, lambda part: reduce(xor, part, 0)),
    "sum": (2, lambda part: sum(part) % 256),
    "crc": (4, lambda part: binascii.crc_hqx(part, 0)),
}
"""hexadecimal digits, and how it is made up; the standard behind crc_hqx is ITU-T V.41's polynomial"""

WITH_WIDTH = ("value", "any")
FIELDS = ("value", "sign", "unit", "any", *CHECKSUMS, "begin", "end")
ONE_NUMBER = re.compile(r" *([+-]?) *(\d{1,9}(?:[.,]\d{1,6})?) *", re.ASCII)
PIECE = re.compile(r"(\{\{|\}\})|\{([a-z]+)(?::(\d{1,2}))?\}|(\\x[0-9a-fA-F]{2}|\\[rnt\\])|( +)|(.)", re.DOTALL)
ESCAPES = {"\\r": "\r", "\\n": "\n", "\\t": "\t", "\\\\": "\\"}


def unescaped(text: str, key: str) -> bytes:
    """\\r, \\n, \\t, \\\\ and \\xHH become bytes. GaugeSettingsError for anything that is no byte."""
    def one(piece: re.Match[str]) -> str:
        return ESCAPES.get(piece[0]) or chr(int(piece[0][2:], 16))
    try:
        return re.sub(r"\\x[0-9a-fA-F]{2}|\\[rnt\\]", one, text).encode("latin-1")
    except UnicodeEncodeError:
        raise GaugeSettingsError(f"[gauge] {key} = {text!r}: a gauge takes and sends plain ASCII only.") from None


@dataclass(frozen=True)
class Pattern:
    """One form of line, made ready. Raises GaugeSettingsError for a pattern that can't be right."""

    text: str
    """as it stands in the settings"""
    unit: str
    """psi, kPa, bar or mbar; "line": whatever {unit} says"""
    decimals: int
    """digits that must follow the decimal point (or comma); 0: no point"""
    scale: Decimal = Decimal(1)
    """by what the number is multiplied, for a gauge that sends 1450 and means 14.50"""
    _regex: re.Pattern[bytes] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_regex", self._made())

    def _wrong(self, why: str) -> GaugeSettingsError:
        return GaugeSettingsError(f"[gauge] pattern = {self.text!r}: {why}.")

    def _made(self) -> re.Pattern[bytes]:
        seen: list[str] = []
        parts: list[bytes] = []
        for brace, name, width, escape, blanks, literal in PIECE.findall(self.text):
            if name:
                parts.append(self._field(name, width, seen))
            elif blanks:
                parts.append(b" *+")
            elif literal in ("{", "}"):
                raise self._wrong(f"a {literal} that belongs to no field must be doubled")
            else:
                parts.append(re.escape(unescaped(escape, "pattern") if escape else unescaped(brace[:1] or literal, "pattern")))
        if "value" not in seen:
            raise self._wrong("it must have a {value}")
        if self.unit == "line" and "unit" not in seen:
            raise self._wrong('with unit = "line" it must have a {unit}')
        sums = [name for name in seen if name in CHECKSUMS]
        if len(sums) > 1 or (("begin" in seen or "end" in seen) and not sums):
            raise self._wrong("one checksum at most, and {begin} and {end} only with one")
        order = [seen.index(name) for name in ("begin", "end", *sums) if name in seen]
        if sums and order != sorted(order):
            raise self._wrong("{begin}, {end} and the checksum must come in that order")
        # Possessive throughout (*+, ++): nothing is tried twice, so that no line, however odd, takes long.
        return re.compile((b"" if self.text.startswith("{") else b" *+") + b"".join(parts) + b" *+", re.DOTALL)

    def _field(self, name: str, width: str, seen: list[str]) -> bytes:
        if name not in FIELDS:
            raise self._wrong(f"there is no field {{{name}}}; the fields are {', '.join(FIELDS)}")
        if width and (name not in WITH_WIDTH or not 1 <= int(width) <= 40):
            raise self._wrong("only {value} and {any} have a width, from 1 to 40")
        if name in seen and (name != "any" or seen.count("any") > 1):
            raise self._wrong(f"{{{name}}} stands there too often")
        seen.append(name)
        if name == "any":
            return b"[ -~]{%s}" % width.encode() if width else b"[ -~]*?"  # a byte that came garbled reads as 0
        if name in CHECKSUMS:
            return b"(?P<%s>[0-9a-fA-F]{%d})" % (name.encode(), CHECKSUMS[name][0])
        return {"value": b"(?P<value>.{%s})" % width.encode() if width else rb"(?P<value> *+[+-]?+ *+\d++(?:[.,]\d++)?+)",
                "sign": b" *+(?P<sign>[+-]?+)", "unit": b" *+(?P<unit>[A-Za-z]{3,4}+)",
                "begin": b"(?P<begin>)", "end": b"(?P<end>)"}[name]

    def psi(self, line: bytes) -> Decimal:
        """The pressure in psi that this whole line gives. NotAReading (why) where it gives none."""
        found = self._regex.fullmatch(line)
        if found is None:
            raise NotAReading(f'it sends "{raw_of(line)}", which has not the form "{self.text}" of the settings')
        fields = found.groupdict()
        self._check_sum(line, found)
        number = ONE_NUMBER.fullmatch(found["value"].decode("latin-1"))
        if number is None:
            raise NotAReading(f'in "{raw_of(line)}" there is no number where the settings say')
        sign, digits = number[1], number[2].replace(",", ".")
        after = len(digits.partition(".")[2])
        if after != self.decimals:
            raise NotAReading(f'"{raw_of(line)}" has {after} decimals, and the settings say {self.decimals}')
        apart = (fields.get("sign") or b"").decode()
        if sign and apart.strip():
            raise NotAReading(f'"{raw_of(line)}" has two signs')
        value = Decimal(digits) * self.scale
        return to_psi(-value if "-" in sign + apart else value, self._unit_of(fields.get("unit")))

    def _check_sum(self, line: bytes, found: re.Match[bytes]) -> None:
        for name, (_, made) in CHECKSUMS.items():
            if sent := found.groupdict().get(name):
                begin = found.start("begin") if "begin" in found.groupdict() else 0
                end = found.start("end") if "end" in found.groupdict() else found.start(name)
                if made(line[begin:end]) != int(sent, 16):
                    raise NotAReading(f'the checksum of "{raw_of(line)}" is wrong')

    def _unit_of(self, sent: bytes | None) -> str:
        if sent is None:
            return self.unit
        named = WRITTEN.get(sent.decode().lower())
        if named is None:
            raise NotAReading(f'it sends the unit "{raw_of(sent)}", which is none of psi, kPa, bar and mbar: '
                              "set the gauge to psi")
        if self.unit not in ("line", named):
            raise NotAReading(f"it sends {named}, and the settings say {self.unit}: set the gauge to {self.unit}, "
                              f'or unit = "{named}" in [gauge]')
        return named
