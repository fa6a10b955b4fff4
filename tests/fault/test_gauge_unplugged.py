"""A gauge that is pulled out and comes back: told once each, found again under another name, nothing stale, nothing stuck.

The other end is a real pseudo-terminal, the reader the real pyserial and pymodbus. Closing the end under the reader is
what an unplugged adapter looks like; a port that is another one behind the same link is what it looks like afterwards.
"""

from __future__ import annotations

import itertools
import os
import termios
import threading
import time
from decimal import Decimal

import pytest
import serial
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from hardware.gauges import open_gauge, ports, pty_gauge, supervisor
from hardware.gauges.pty_gauge import EVERY_S, KINDS, PtyGauge, serve
from hardware.gauges.sample import GaugeGone, Sample
from hardware.gauges.serial_port import SerialPort
from tests.unit.gauge_wire import Told, Wire, told_by

NOTICED_S = 2.0  # the goal


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Back-off and lines five times as fast as in use; `tests.bench.gauge_recovery` measures the real ones."""
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.05)
    monkeypatch.setattr(pty_gauge, "EVERY_S", 0.02)


@pytest.fixture(params=KINDS)
def meter(request):
    shows = [Decimal("14.50")]
    gauge = PtyGauge(request.param, lambda: shows[0])
    gauge.shows = shows
    yield gauge
    gauge.stop()


@pytest.fixture
def told():
    return Told()


@pytest.mark.alone
def test_pulled_out_twice_and_back_under_another_name(meter, told):
    gauge = told_by(meter.settings, told)
    told.more_samples(3)
    for lap, psi in enumerate((Decimal("30.00"), Decimal("45.00")), 1):
        old_port, kept = os.readlink(meter.path), Wire()  # the kept one takes the number that becomes free
        meter.unplug()
        pulled = time.monotonic()
        told.wait(lambda lap=lap: len(told.of("lost")) == lap)
        assert told.at[-1] - pulled < NOTICED_S
        assert not gauge.alive
        taken = Wire()  # somebody else gets the old name
        meter.shows[0] = psi
        meter.plug()
        assert os.readlink(meter.path) != old_port or taken.path != old_port
        told.wait(lambda lap=lap: len(told.of("back")) == lap and told.all[-1][0] == "sample")
        assert gauge.alive
        after = told.all[max(n for n, one in enumerate(told.all) if one == ("back",)) + 1:]
        assert {sample.psi for _, sample in after} == {psi}  # nothing from before it was pulled out
        kept.close()
        taken.close()
    assert [one[0] for one in told.all if one[0] != "sample"] == ["lost", "back"] * 2
    assert told.of("lost") == ["The gauge was unplugged: plug it in again, or read it yourself."] * 2
    gauge.close()


def test_not_there_at_the_start_is_told_once_and_no_loss(meter, told):
    meter.unplug()
    gauge = told_by(meter.settings, told)
    told.wait(lambda: bool(told.of("trouble")))
    told.wait_a_little(lambda: False)
    meter.plug()
    told.more_samples(3)
    assert [one[0] for one in told.all if one[0] != "sample"] == ["trouble", "back"]
    assert told.of("trouble") == [f"The gauge's port {meter.path} is not there: plug in its cable."]
    gauge.close()


@pytest.mark.alone
def test_a_gauge_that_falls_silent_is_noticed_as_soon_as_one_that_is_pulled_out(told, monkeypatch):
    meter = PtyGauge("line", lambda: Decimal("14.50"))
    gauge = told_by(meter.settings, told)
    told.more_samples(2)
    monkeypatch.setattr(meter, "_write", lambda data: None)  # switched off, its adapter still in
    told.wait(lambda: bool(told.of("lost")))
    assert 1.0 < told.at[-1] - told.at[-2] < NOTICED_S
    assert told.of("lost") == ["The gauge sends nothing: check that it is switched on, and its cable."]
    monkeypatch.undo()
    told.wait(lambda: told.all[-1][0] == "sample")
    assert told.all[-2] == ("back",)
    gauge.close()
    meter.stop()


def test_each_kind_of_error_that_pyserial_lets_out_is_one_and_the_same(told):
    """SerialException, OSError and termios.error all come, from different calls: each is seen here to be raised."""
    seen = set()
    for work in (lambda port: port._serial.read(1), lambda port: port._serial.in_waiting,
                 lambda port: port._serial.reset_input_buffer(), lambda port: port._serial.write(b"P?\r")):
        wire = Wire()
        port = SerialPort(wire.path, 9600, "8N1")
        port.open()
        wire.pull_out()
        with pytest.raises((serial.SerialException, OSError, termios.error)) as problem:
            work(port)
        seen.add(problem.type)
        port.close()
    assert seen == {serial.SerialException, OSError, termios.error}
    for work in (lambda port: port.read(0.1), lambda port: port.flush(), lambda port: port.ask(b"P?\r"),
                 lambda port: port.drain(0.1)):
        wire = Wire()
        port = SerialPort(wire.path, 9600, "8N1")
        port.open()
        wire.pull_out()
        with pytest.raises(GaugeGone, match="unplugged"):
            work(port)
        port.close()
        port.close()  # twice does no harm


@pytest.mark.parametrize("path, why", [
    ("/nowhere/at/all", "is not there"),
    ("/dev/null", "can't be opened"),  # no serial port
    ("/tmp", "can't be opened"),
])
def test_what_is_no_port_is_one_sentence(path, why):
    with pytest.raises(GaugeGone, match=why) as problem:
        SerialPort(path, 9600, "8N1").open()
    assert "\n" not in str(problem.value)


def _there(monkeypatch, *ports_there: tuple[str, str | None]) -> None:
    """The operating system lists these ports: (path, USB serial number)."""
    def infos():
        for path, number in ports_there:
            info = ListPortInfo(path)
            info.serial_number, info.vid = number, 0x1234
            yield info
        yield ListPortInfo("/dev/ttyS0")  # on the board, not USB
    monkeypatch.setattr(list_ports, "comports", lambda: list(infos()))


def test_a_port_is_found_by_its_adapters_serial_number_wherever_it_comes_back(monkeypatch, told):
    first, second = PtyGauge("line", lambda: Decimal("14.50")), PtyGauge("line", lambda: Decimal("30.00"))
    _there(monkeypatch, (second.path, "OTHER"), (first.path, "G7"))
    gauge = told_by({**first.settings, "port": "G7"}, told)
    told.more_samples(2)
    first.unplug()
    _there(monkeypatch, (second.path, "OTHER"))
    told.wait(lambda: bool(told.of("lost")))
    moved = PtyGauge("line", lambda: Decimal("45.00"))  # the same adapter in another socket
    _there(monkeypatch, (second.path, "OTHER"), (moved.path, "G7"))
    told.wait(lambda: told.all[-1][0] == "sample")
    assert set(told.psi()) == {Decimal("14.50"), Decimal("45.00")}
    gauge.close()
    for one in (first, second, moved):
        one.stop()


def test_what_is_said_when_the_port_can_not_be_told(monkeypatch):
    _there(monkeypatch)
    with pytest.raises(GaugeGone, match="No USB serial port is there: plug in the gauge's cable"):
        ports.find("")
    with pytest.raises(GaugeGone, match="No port with the serial number G7. No USB serial port is there"):
        ports.find("G7")
    _there(monkeypatch, ("/dev/ttyUSB3", None))
    assert ports.find("") == "/dev/ttyUSB3"
    _there(monkeypatch, ("/dev/ttyUSB1", "B"), ("/dev/ttyUSB0", "A"))
    with pytest.raises(GaugeGone, match=r"are /dev/ttyUSB0 \(serial number A\), /dev/ttyUSB1 \(serial number B\): name the"):
        ports.find("")
    assert ports.find("B") == "/dev/ttyUSB1"
    _there(monkeypatch, ("/dev/ttyUSB1", "A"), ("/dev/ttyUSB0", "A"))
    with pytest.raises(GaugeGone, match="2 ports have the serial number A"):
        ports.find("A")


def test_the_waits_between_attempts_grow_to_five_seconds(monkeypatch):
    monkeypatch.undo()
    assert list(itertools.islice(supervisor.waits(), 7)) == [0.25, 0.5, 1, 2, 4, 5, 5]


@pytest.mark.alone
def test_a_port_that_opens_and_dies_at_once_does_not_make_the_waits_short_again(told, monkeypatch):
    """Mutants: the wait set back at opening, and a dead adapter is opened four times a second for ever; an error in closing ends
    the thread."""
    opened = []

    class Source:
        caution = ""

        def open(self):
            opened.append(time.monotonic())

        def read(self):
            raise GaugeGone("Gone.")

        def close(self):
            raise OSError("even closing fails")
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.01)
    gauge = supervisor.Gauge(lambda pause: Source(), -2, 60, *map(told.note, ("sample", "lost", "back", "trouble")))
    for _ in itertools.takewhile(lambda _: len(opened) < 6, range(100)):
        told.wait_a_little(lambda: len(opened) >= 6)
    gauge.close()
    gaps = [later - sooner for sooner, later in itertools.pairwise(opened)]
    assert gaps[4] > 4 * gaps[0]
    assert told.all == [("trouble", "Gone.")]  # told once, not at each attempt


def test_a_reading_makes_the_waits_short_again(told, monkeypatch):
    used, made, real_waits = [], itertools.count(), supervisor.waits

    def noting():
        number = next(made)
        for _ in real_waits():
            used.append(number)
            yield 0.0
    monkeypatch.setattr(supervisor, "waits", noting)
    attempts = itertools.count()

    class Source:
        caution = ""

        def open(self):
            if next(attempts) != 2:
                raise GaugeGone("Gone.")
            self.left = [Sample(0.0, Decimal("14.50"), "")]

        def read(self):
            if not self.left:
                raise GaugeGone("Gone.")
            return [self.left.pop()]

        def close(self):
            pass
    gauge = supervisor.Gauge(lambda pause: Source(), -2, 60, *map(told.note, ("sample", "lost", "back", "trouble")))
    told.wait(lambda: bool(told.of("lost")))
    for _ in itertools.takewhile(lambda _: len(used) < 4, range(100)):
        told.wait_a_little(lambda: len(used) >= 4)
    gauge.close()
    assert used[:4] == [0, 0, 1, 1]


def test_an_unforeseen_error_ends_nothing(told, monkeypatch):
    meter = PtyGauge("line", lambda: Decimal("14.50"))
    broken = [True]
    real = SerialPort.read

    def read(self, wait_s):
        if broken.pop() if broken else False:
            raise ZeroDivisionError("odd")
        return real(self, wait_s)
    monkeypatch.setattr(SerialPort, "read", read)
    gauge = told_by(meter.settings, told)
    told.more_samples(1)
    assert told.all[:2] == [("trouble", "Reading the gauge failed (ZeroDivisionError: odd)."), ("back",)]
    gauge.close()
    meter.stop()


def test_after_closing_nothing_is_told_and_no_thread_stays(meter, told):
    gauge = told_by(meter.settings, told)
    told.more_samples(1)
    gauge.close()
    count = len(told.all)
    meter.unplug()
    told.wait_a_little(lambda: False)
    assert len(told.all) == count
    assert not [thread for thread in threading.enumerate() if thread.name == "gauge"]


def test_closing_from_its_own_thread_does_not_hang(told):
    meter = PtyGauge("line", lambda: Decimal("14.50"))
    closed = threading.Event()

    def close(sample) -> None:
        gauge.close()
        closed.set()
    gauge = open_gauge(meter.settings, close, told.note("lost"), told.note("back"), told.note("trouble"))
    assert closed.wait(5)
    meter.stop()


@pytest.mark.parametrize("kind", KINDS)
def test_serve_gives_a_port_that_its_settings_read(kind, told):
    from hardware.gauges.pty_gauge import SETTINGS
    path, stop = serve(kind, lambda: Decimal("-0.01"))
    gauge = told_by({"kind": kind, "port": path, **SETTINGS[kind]}, told)
    told.more_samples(2)
    assert set(told.psi()) == {Decimal("-0.01")}
    assert told.at[-1] - told.at[-2] < 5 * EVERY_S
    gauge.close()
    stop()


def test_no_gauge_is_none():
    assert open_gauge({"kind": ""}, *[None] * 4) is None
    assert open_gauge({}, *[None] * 4) is None
