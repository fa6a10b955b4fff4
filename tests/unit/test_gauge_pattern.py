"""Lines of a gauge: their form, unit, sign, decimals and checksum.

Sources: units against pint's own definition file; the exclusive or as NMEA 0183 has it (the example line and its
checksum as many guides to that standard print them; from memory); CRC-16 with polynomial 0x1021 from 0: its published
check value for "123456789" is 0x31C3 (catalogue of parametrised CRC algorithms, CRC-16/XMODEM).
"""

from __future__ import annotations

import time
from decimal import Decimal

import pytest

from hardware.gauges.lines import LONGEST, Lines
from hardware.gauges.pattern import CHECKSUMS, Pattern
from hardware.gauges.sample import RAW_LIMIT, GaugeSettingsError, NotAReading, raw_of
from hardware.gauges.units import IN_KPA, to_psi


def psi(pattern: str, line: str | bytes, unit: str = "psi", decimals: int = 2, scale: str = "1") -> Decimal:
    return Pattern(pattern, unit, decimals, Decimal(scale)).psi(line.encode() if isinstance(line, str) else line)


@pytest.fixture(scope="module")
def registry():
    pint = pytest.importorskip("pint", reason="pint is missing: pip install pint")
    return pint.UnitRegistry(non_int_type=Decimal)


@pytest.mark.parametrize("unit", IN_KPA)
@pytest.mark.parametrize("value", ["0.01", "1", "14.5", "310.26", "-0.20", "3102.6"])
def test_units_agree_with_pint(registry, unit, value):
    theirs = registry.Quantity(Decimal(value), unit).to("psi").magnitude
    assert to_psi(Decimal(value), unit) == pytest.approx(theirs, rel=Decimal("1e-24"))


def test_psi_itself_is_not_touched():
    assert str(to_psi(Decimal("14.50"), "psi")) == "14.50"


@pytest.mark.parametrize("pattern, line, expected", [
    ("{value}", "14.50", "14.50"),
    ("{value}", "  +14.50  ", "14.50"),
    ("{value}", "- 0.03", "-0.03"),
    ("{value}", "14,50", "14.50"),
    ("{value} {unit}", "14.50 psi", "14.50"),
    ("{value} {unit}", "14.50PSIG", "14.50"),
    ("{sign}{value}", "-014.50", "-14.50"),
    ("{sign}{value}", " 014.50", "14.50"),
    ("{value}{sign}", "14.50-", "-14.50"),
    ("{value:8}", "   14.50", "14.50"),
    ("{value:8}x", "+0014.50x", "14.50"),
    ("P={value};{any}", "P=14.50;S OK", "14.50"),
    ("{any:2}{value}", "ST14.50", "14.50"),
    (r"\x02{value}\x03", "\x0214.50\x03", "14.50"),
    ("{{{value}}}", "{14.50}", "14.50"),
])
def test_lines_that_fit(pattern, line, expected):
    assert psi(pattern, line) == Decimal(expected)


@pytest.mark.parametrize("pattern, line, why", [
    ("{value}", "OL", "has not the form"),              # overrange as many meters show it
    ("{value}", "----", "has not the form"),
    ("{value}", "14.50 psi", "has not the form"),
    ("{value}", "x14.50", "has not the form"),
    ("{value}", "14.5014.50", "has not the form"),      # two lines run into one
    ("{value}", "14.5\x000", "has not the form"),       # how a byte with wrong parity arrives
    ("{value}", "14.5", "has 1 decimals"),              # a last digit lost
    ("{value}", "14.501", "has 3 decimals"),
    ("{value}", "1450", "has 0 decimals"),              # a lost point would be a hundred times too much
    ("{value:8}", "  14.50", "has not the form"),       # a digit lost before the point shortens the line
    ("{value:8}", "14.50 .0", "no number"),
    ("{sign}{value}", "-+14.50", "two signs"),
    ("{value} {unit}", "14.50 kPa", "it sends kPa, and the settings say psi"),
    ("{value} {unit}", "14.50 psia", "none of psi, kPa, bar and mbar"),
    ("{value} {unit}", "14.50 inHg", "none of psi, kPa, bar and mbar"),
    ("{value}*{xor}", "14.50*00", "checksum"),
    ("{value}*{xor}", "14.50", "has not the form"),
    ("{any}{value}", "\xff14.50", "has not the form"),
])
def test_lines_that_do_not(pattern, line, why):
    with pytest.raises(NotAReading, match=why):
        psi(pattern, line)


def test_the_line_may_say_its_unit():
    assert psi("{value} {unit}", "100.00 kPa", unit="line") == to_psi(Decimal(100), "kPa")
    assert psi("{value} {unit}", "1.00 BAR", unit="line") == to_psi(Decimal(1), "bar")
    assert psi("{value} {unit}", "1000.00 mbar", unit="line") == to_psi(Decimal(1), "bar")
    assert psi("{value}", "100.00", unit="kPa") == to_psi(Decimal(100), "kPa")


def test_an_implied_point_is_a_scale():
    assert psi("{value}", "001450", decimals=0, scale="0.01") == Decimal("14.50")
    with pytest.raises(NotAReading, match="2 decimals, and the settings say 0"):
        psi("{value}", "14.50", decimals=0, scale="0.01")


def test_the_checksums_known_from_elsewhere():
    assert CHECKSUMS["xor"][1](b"GPGLL,5300.97914,N,00259.98174,E,125926,A") == 0x28
    assert CHECKSUMS["crc"][1](b"123456789") == 0x31C3
    assert CHECKSUMS["sum"][1](b"\xff\x02") == 1


@pytest.mark.parametrize("name, sent", [("xor", f"{ord('1') ^ ord('4') ^ ord('.') ^ ord('5') ^ ord('0'):02x}"),
                                        ("sum", f"{sum(b'14.50') % 256:02X}"), ("crc", f"{CHECKSUMS['crc'][1](b'14.50'):04X}")])
def test_each_checksum_right_and_wrong_by_one(name, sent):
    pattern = f"${{begin}}{{value}}{{end}}*{{{name}}}"
    assert psi(pattern, f"$14.50*{sent}") == Decimal("14.50")
    with pytest.raises(NotAReading, match="checksum"):
        psi(pattern, f"$14.51*{sent}")
    with pytest.raises(NotAReading, match="checksum"):
        psi(pattern, f"$14.50*{int(sent, 16) ^ 1:0{len(sent)}x}")


def test_without_begin_and_end_all_before_the_checksum_counts():
    assert psi("{value} {xor}", f"14.50 {CHECKSUMS['xor'][1](b'14.50 '):02x}") == Decimal("14.50")


@pytest.mark.parametrize("pattern, why", [
    ("psi", r"must have a \{value\}"), ("{value}{value}", "too often"),
    ("{pressure}", "no field {pressure}; the fields are value, sign"),
    ("{value:0}", "width"), ("{value:99}", "width"), ("{unit:3}{value}", "width"),
    ("{value", "must be doubled"), ("}{value}", "must be doubled"),
    ("{value}{xor}{sum}", "one checksum"), ("{begin}{value}", "only with"), ("{value}{xor}{end}", "in that order"),
    ("{any}{any}{any}{value}", "too often"), ("{value} €", "plain ASCII"),
])
def test_patterns_that_can_not_be_right_are_one_sentence(pattern, why):
    with pytest.raises(GaugeSettingsError, match=why) as problem:
        Pattern(pattern, "psi", 2)
    assert "\n" not in str(problem.value) and str(problem.value).startswith("[gauge] ")


def test_unit_line_needs_a_unit_in_the_line():
    with pytest.raises(GaugeSettingsError, match=r"must have a \{unit\}"):
        Pattern("{value}", "line", 2)


def test_no_line_takes_long():
    """Mutant: blanks matched in four places at once took seconds for a line of blanks."""
    awkward = Pattern("{any} {sign} {value} {any} {unit}", "line", 2)
    begun = time.process_time()
    for line in (b" " * LONGEST, b" " * 60 + b"1" * 60, b"+ " * 60, b"1 " * 64, b" 1.00" * 25):
        with pytest.raises(NotAReading):
            awkward.psi(line)
    assert time.process_time() - begun < 1.0


def test_what_is_stored_is_verbatim_and_bounded():
    assert raw_of(b"14.50\x00\xff") == r"14.50\x00\xff"
    assert len(raw_of(bytes(10_000))) == RAW_LIMIT


def test_lines_are_the_same_whole_and_byte_by_byte():
    stream = b"4.50\r\n14.51\r\n\r\n\n14.52\r14.53\n" + b"9" * 5000 + b"\r\n14.54\r\n14."
    whole, single = Lines().feed(stream), Lines()
    assert whole == [b"14.51", b"14.52", b"14.53", None, b"14.54"]
    assert [line for byte in stream for line in single.feed(bytes([byte]))] == whole


def test_a_line_joined_in_its_middle_is_dropped_and_an_answer_is_not():
    assert Lines().feed(b"4.50\r\n") == []
    assert Lines(from_start=True).feed(b"14.50\r\n") == [b"14.50"]
    lines = Lines(from_start=True)
    lines.feed(b"14.")
    lines.restart()
    assert lines.feed(b"50\r\n") == [b"50"]


def test_a_line_of_the_longest_length_is_one_and_a_byte_more_is_none():
    lines = Lines(from_start=True)
    assert lines.feed(b"1" * LONGEST + b"\r" + b"1" * (LONGEST + 1) + b"\r") == [b"1" * LONGEST, None]
