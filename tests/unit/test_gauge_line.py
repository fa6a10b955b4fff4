"""Continuous lines over a real pseudo-terminal with the real pyserial: garbage, splits, doubles, and what is no reading."""

from __future__ import annotations

import itertools
import os
import termios
from decimal import Decimal

import pytest

from hardware.clock import boot_now
from hardware.gauges import supervisor
from hardware.gauges.line import STALLED_S, LineGauge
from hardware.gauges.pattern import Pattern
from hardware.gauges.pty_gauge import line_of
from hardware.gauges.sample import Sample
from hardware.gauges.serial_port import SerialPort
from tests.unit.gauge_wire import Told, Wire, listening, told_by

END = Decimal("59.99")


def taken(sent: bytes, **settings) -> list[Decimal]:
    """What is read of these bytes, sent after a line of 1.23 and followed by one of 59.99."""
    with listening(**settings) as (wire, told):
        before = len(told.psi())
        wire.send(sent + b"\r\n59.99\r\n")
        told.wait(lambda: END in told.psi())
        found = told.psi()[before:]
        while found[:1] == [Decimal("1.23")]:  # more than one hello was on its way
            found.pop(0)
        return found[:-1]


@pytest.mark.parametrize("sent, expected", [
    (b"14.50", ["14.50"]),
    (b"-0.02", ["-0.02"]),
    (b"14.50\r\n14.51", ["14.50", "14.51"]),             # doubled
    (b"14.50\r14.51\n14.52", ["14.50", "14.51", "14.52"]),
    (b"\xff\x00rubbish\r\n14.50", ["14.50"]),            # before
    (b"14.50\r\nrub\x80bish", ["14.50"]),                # after
    (b"14.\x0050\r\n14.51", ["14.51"]),                  # inside
    (b"14.5014.51\r\n14.52", ["14.52"]),                 # a line end lost
    (b"OL\r\n99.99\r\n-9.00\r\n14.50", ["14.50"]),       # overrange, as words, above and below the range
    (b"7" * 10_000 + b"\r\n14.50", ["14.50"]),
])
def test_only_whole_lines_of_the_right_form_are_taken(sent, expected):
    assert taken(sent) == [Decimal(one) for one in expected]


def test_a_line_split_anywhere_is_one_line():
    with listening() as (wire, told):
        for cut in range(1, 7):
            before = len(told.psi())
            wire.send(b"14.50\r\n"[:cut])
            os.sched_yield()
            wire.send(b"14.50\r\n"[cut:])
            told.wait(lambda before=before: len(told.psi()) > before)
            assert told.psi()[-1] == Decimal("14.50")
        assert set(told.psi()) == {Decimal("1.23"), Decimal("14.50")}


def test_the_samples_time_and_text():
    with listening() as (wire, told):
        begun = boot_now()
        wire.send(b"  14.50\r\n")
        told.wait(lambda: Decimal("14.50") in told.psi())
        sample = told.of("sample")[-1]
        assert begun <= sample.at <= boot_now()
        assert sample.raw == "  14.50"


def test_joining_in_the_middle_of_a_line_takes_nothing_of_it():
    """Mutant: without dropping the first piece, "4.50" of "14.50" would be a reading."""
    wire = Wire()
    source = LineGauge(SerialPort(wire.path, 9600, "8N1"), Pattern("{value}", "psi", 2), lambda: 0.0)
    source.open()
    wire.send(b"4.50\r\n14.51\r\n")
    assert [one.psi for one in source.read()] == [Decimal("14.51")]
    source.close()
    wire.close()


def test_what_waited_in_the_port_before_it_was_opened_is_old():
    wire = Wire()
    wire.send(b"\r\n45.00\r\n")
    source = LineGauge(SerialPort(wire.path, 9600, "8N1"), Pattern("{value}", "psi", 2), lambda: 0.0)
    source.open()
    assert source.read() == []
    wire.send(b"\r\n44.00\r\n")
    assert [one.psi for one in source.read()] == [Decimal("44.00")]
    source.close()
    wire.close()


def test_what_waited_while_the_machine_slept_is_old():
    wire, now = Wire(), [100.0]
    source = LineGauge(SerialPort(wire.path, 9600, "8N1"), Pattern("{value}", "psi", 2), lambda: now[0])
    source.open()
    wire.send(b"\r\n45.00\r\n")
    assert [one.psi for one in source.read()] == [Decimal("45.00")]
    wire.send(b"45.01\r\n45.0")
    now[0] += STALLED_S - 0.1
    assert [one.psi for one in source.read()] == [Decimal("45.01")]
    wire.send(b"2\r\n45.03\r\n")
    now[0] += STALLED_S + 0.1
    assert source.read() == []
    wire.send(b"2\r\n30.00\r\n")  # the "2" must not be joined to what was there before
    assert source.read() == [Sample(now[0], Decimal("30.00"), "30.00")]
    source.close()
    wire.close()


def test_a_garbled_byte_is_marked_by_linux():
    """A pseudo-terminal has no parity to get wrong: only that the kernel was asked to is seen here."""
    wire = Wire()
    port = SerialPort(wire.path, 9600, "7E1")
    port.open()
    flags = termios.tcgetattr(port._serial.fileno())[0]
    assert flags & termios.INPCK and not flags & (termios.IGNPAR | termios.PARMRK)
    port.close()
    wire.close()


@pytest.mark.parametrize("sent, why", [
    (b"OL", 'it sends "OL", which has not the form "{value}" of the settings'),
    (b"120.00", "it shows 120.00 psi, outside its range of -2 to 60 psi"),
    (b"1450", "1450\" has 0 decimals, and the settings say 2"),
])
def test_a_gauge_that_only_sends_what_is_no_reading_is_lost_with_the_reason_and_back(monkeypatch, sent, why):
    monkeypatch.setattr(supervisor, "SILENT_S", 0.3)
    with listening() as (wire, told):
        for _ in itertools.takewhile(lambda _: not told.of("lost"), range(200)):
            wire.send(sent + b"\r\n")
            told.wait_a_little(lambda: told.of("lost"))
        assert len(told.of("lost")) == 1 and why in told.of("lost")[0], told.of("lost")
        wire.send(b"14.50\r\n")
        told.wait(lambda: told.all[-1][0] == "sample")
        assert [one[0] for one in told.all if one[0] != "sample"] == ["lost", "back"]
        assert told.all[-2] == ("back",)


def test_wrong_units_are_named_with_what_to_do(monkeypatch):
    monkeypatch.setattr(supervisor, "SILENT_S", 0.3)
    wire, told = Wire(), Told()
    gauge = told_by({"kind": "line", "port": wire.path, "pattern": "{value} {unit}"}, told)
    for _ in itertools.takewhile(lambda _: not told.of("trouble"), range(200)):
        wire.send(b"100.00 kPa\r\n")
        told.wait_a_little(lambda: told.of("trouble"))
    assert told.of("trouble") == ["The gauge gives no reading: it sends kPa, and the settings say psi: set the gauge to psi, "
                                  'or unit = "kPa" in [gauge].']
    assert not told.of("sample")
    gauge.close()
    wire.close()


def test_one_bad_line_is_not_worth_a_word_and_ten_in_fifty_are_told_once():
    with listening() as (wire, told):
        for _ in range(9):
            wire.send(b"xx\r\n1.30\r\n")
        told.wait(lambda: told.psi().count(Decimal("1.30")) == 9)
        assert not told.of("trouble")
        wire.send(b"xx\r\n1.40\r\n" * 40)
        told.wait(lambda: told.psi().count(Decimal("1.40")) == 40)
        assert len(told.of("trouble")) == 1 and "10 give no reading" in told.of("trouble")[0]
        wire.send(b"1.50\r\n" * 60)
        told.wait(lambda: told.psi().count(Decimal("1.50")) == 60)
        for _ in range(10):
            wire.send(b"xx\r\n")
        wire.send(b"1.60\r\n")
        told.wait(lambda: Decimal("1.60") in told.psi())
        assert len(told.of("trouble")) == 2  # after it was good for a while, anew
        assert not told.of("lost")


def test_the_simulated_gauges_line_has_a_checksum_that_counts():
    pattern = Pattern("${begin}{value:7},{unit}{end}*{xor}", "psi", 2)
    for psi in ("14.50", "-0.02", "0.00", "145.00"):
        line = line_of(Decimal(psi)).strip()
        assert pattern.psi(line) == Decimal(psi)
    assert line_of(Decimal("14.50")) == b"$+014.50,psi*73\r\n"  # made up by hand
