"""A gauge that is asked, over a real pseudo-terminal with the real pyserial."""

from __future__ import annotations

import select
import threading
from collections.abc import Callable
from contextlib import contextmanager
from decimal import Decimal

import pytest

from hardware.gauges import GaugeSettingsError, settings, supervisor
from hardware.gauges.pattern import Pattern
from hardware.gauges.polled import PolledGauge, Rhythm
from hardware.gauges.sample import Refused, Sample
from hardware.gauges.serial_port import LONGEST_DRAIN_S, SerialPort
from tests.unit.gauge_wire import Wire


@contextmanager
def asked(answer: Callable[[bytes], bytes], answer_s: float = 0.15):
    """A gauge at the other end of the wire that answers each question with what `answer` makes of it."""
    wire, done = Wire(), threading.Event()

    def serve() -> None:
        while not done.is_set():
            if select.select([wire.master], [], [], 0.02)[0]:
                wire.send(answer(wire.receive()))
    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    source = PolledGauge(SerialPort(wire.path, 9600, "8N1"), Pattern("{value} {unit}", "psi", 2), b"P?\r", 0.0, answer_s,
                         lambda: 5.0, lambda seconds: None)
    source.open()
    try:
        yield source, wire
    finally:
        done.set()
        thread.join()
        source.close()
        wire.close()


def one(source: PolledGauge) -> Sample | Refused:
    found, = source.read()
    return found


def test_each_question_has_its_answer():
    heard, values = [], iter(["14.50", "14.51", "-0.02"])

    def answer(question: bytes) -> bytes:
        heard.append(question)
        return f"{next(values)} psi\r\n".encode()
    with asked(answer) as (source, _):
        assert [one(source) for _ in range(3)] == [Sample(5.0, Decimal(psi), f"{psi} psi") for psi in ("14.50", "14.51", "-0.02")]
    assert heard == [b"P?\r"] * 3


def test_an_adapter_that_hears_itself_is_no_answer():
    with asked(lambda question: question + b"14.50 psi\r") as (source, _):
        assert one(source).psi == Decimal("14.50")


@pytest.mark.parametrize("answer, why", [
    (b"", "it does not answer"), (b"14.50 psi", "it does not answer"), (b"ERR\r", 'it sends "ERR"'),
    (b"14.50 bar\r", "it sends bar"),
    (b"x14.50 psi\r", "has not the form"), (b"14.50 psi\x00\r", "has not the form"), (b"1" * 500 + b"\r", "without a line end"),
])
def test_no_answer_or_a_wrong_one_is_none(answer, why):
    with asked(lambda question: answer) as (source, _):
        found = one(source)
        assert isinstance(found, Refused) and why in found.why, found


def test_of_a_doubled_answer_one_is_taken_and_the_other_is_not_the_next_ones():
    values = iter([b"14.50 psi\r14.50 psi\r", b"30.00 psi\r"])
    with asked(lambda question: next(values)) as (source, _):
        assert [one(source).psi, one(source).psi] == [Decimal("14.50"), Decimal("30.00")]


def test_a_late_answer_is_never_taken_for_the_next_one():
    """Mutant: without draining, the second question would be answered by 45.00, which the gauge left long ago."""
    late = threading.Timer(0.2, lambda: wire.send(b"45.00 psi\r"))
    questions = []

    def answer(question: bytes) -> bytes:
        questions.append(question)
        if len(questions) == 1:
            late.start()
            return b""
        late.join()  # a slow gauge: first what it still owes
        return b"30.00 psi\r"
    with asked(answer, answer_s=0.15) as (source, wire):
        assert isinstance(one(source), Refused)
        assert one(source).psi == Decimal("30.00")


def test_a_question_is_never_asked_more_often_than_every_so_long(monkeypatch):
    now, waits = [100.0], []

    def pause(seconds: float) -> None:
        waits.append(round(seconds, 3))
        now[0] += seconds
    monkeypatch.setattr("hardware.gauges.polled.time.monotonic", lambda: now[0])
    rhythm = Rhythm(0.1, pause)
    for took in (0.03, 0.03, 0.5, 0.0):  # the third is late: nothing is made up for
        rhythm.wait()
        now[0] += took
    rhythm.wait()
    assert waits == [0.07, 0.07, 0.1]


def test_a_polled_gauge_needs_a_question():
    with pytest.raises(GaugeSettingsError, match="ask is empty"):
        settings.source_for({"kind": "polled"}, lambda: 0.0)


def test_silence_and_babble_are_noticed_within_two_seconds_whatever_a_read_waits_for():
    """Worst: just not silent for long enough, then one whole read more."""
    one_read_ms = settings.DEFAULTS["every_ms"] + settings.DEFAULTS["answer_ms"]
    assert supervisor.SILENT_S + one_read_ms / 1000 + LONGEST_DRAIN_S <= 2.0
