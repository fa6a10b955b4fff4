"""The terminal keypad: its map, its decoding, and the real thing under a pseudo-terminal."""

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.terminal import KEYS, METER_KEYS, Press, TerminalError, TerminalKeypad, decode

ROOT = Path(__file__).parents[2]


def presses(data: bytes, meter: bool = True) -> list[Press]:
    got, rest = decode(data, meter=meter, final=True)
    assert rest == b""
    return got


def names(data: bytes, meter: bool = True) -> list[str]:
    return [press.name for press in presses(data, meter)]


# -- the map ---------------------------------------------------------------------------------------------

def test_a_reading_is_keyed():
    assert names(b"7.25\r") == ["7", "*", "2", "5", "#"]
    assert names(b"7*25#") == ["7", "*", "2", "5", "#"]


@pytest.mark.parametrize("typed, token", [
    (b"\r", "#"), (b"\n", "#"), (b"n", "C"), (b"y", "#"), (b"a", "A"), (b"b", "B"), (b"\x7f", "B"),
    (b"\x08", "B"), (b"c", "C"), (b"x", "C"), (b"d", "D"), (b"D", "D-held"), (b"A", "A-held"), (b"C", "C"), (b"S", "B-held"),
    (b"q", "quit"), (b"\x03", "quit"), (b"\x1bOu", "5"), (b"\x1bOn", "*"), (b"\x1bOM", "#")])
def test_keys_of_the_station(typed, token):
    assert presses(typed) == presses(typed, meter=False) == [Press("key", token)]


@pytest.mark.parametrize("typed, action", [
    (b"\x1b[A", "pump"), (b"\x1bOA", "pump"), (b"\x1b[1;2A", "pump"), (b"\x1b[B", "bleed"),
    (b"+", "fine_pump"), (b"\x1bOk", "fine_pump"), (b"-", "fine_bleed"),
    (b"\x1b[C", "lever_down"), (b"\x1b[D", "lever_up"),
    (b" ", "strike"), (b"v", "petcocks"), (b"w", "flood"), (b"u", "unclamp")])
def test_hands_on_the_simulated_meter(typed, action):
    assert presses(typed) == [Press("meter", action)]
    (without,) = presses(typed, meter=False)
    assert without.kind == "unknown"


@pytest.mark.parametrize("typed, name", [
    (b"\x1b", "Escape"), (b"k", "k"), (b"\t", "Tab"), ("é".encode(), "é"), (b"\x1b[3~", "special key"),
    (b"\x1b[[A", "special key"), (b"\x1b[15~", "special key"), (b"\x1a", "Control-Z"), (b"\x00", "Control-@"),
    (b"\xff", "\N{REPLACEMENT CHARACTER}"), (b"\xc3\x28"[:1], "\N{REPLACEMENT CHARACTER}")])
def test_other_keys_are_named_not_guessed(typed, name):
    assert presses(typed) == [Press("unknown", name)]


def test_function_keys_of_a_linux_console_leave_no_letter_behind():
    """F1 is ESC [ [ A there; the A alone would pause the station, a C would scrap the test."""
    assert names(b"\x1b[[A\x1b[[C5") == ["special key", "special key", "5"]


def test_no_key_means_two_things():
    assert not set(KEYS) & set(METER_KEYS)


# -- decoding --------------------------------------------------------------------------------------------

TYPED = st.lists(st.sampled_from([
    b"7", b".", b"\r", b"\x1b[A", b"\x1bOB", b"\x1b[1;5C", b"\x1b[3~", b"\x1b[[A", b" ",
    "é".encode(), "€".encode(), "🔨".encode(), b"C", b"A", b"\x7f"]), max_size=20)


@given(TYPED, st.lists(st.integers(0, 80), max_size=12))
def test_reads_may_cut_anywhere(typed, cuts):
    data = b"".join(typed)
    got, pending, at = [], b"", 0
    for cut in sorted({min(cut, len(data)) for cut in cuts} | {len(data)}):
        more, pending = decode(pending + data[at:cut], meter=True)
        got += more
        at = cut
    assert pending == b""
    assert got == presses(data) and len(got) == len(typed)


@given(st.binary(max_size=60), st.booleans())
def test_any_bytes_decode_and_none_stay(data, meter):
    for press in presses(data, meter):
        assert press.kind in ("key", "meter", "unknown") and press.name.isprintable() and press.name
        assert press.kind != "meter" or meter


# -- the real thing --------------------------------------------------------------------------------------

class Pty:
    """A pseudo-terminal with a keypad on it in this process."""

    def __init__(self, meter: bool = True):
        self.master, self.slave = pty.openpty()
        self.before = termios.tcgetattr(self.slave)
        self.got: list[tuple[str, str]] = []
        self.keypad = TerminalKeypad(lambda k: self.got.append(("key", k)),
                                     (lambda a: self.got.append(("meter", a))) if meter else None,
                                     lambda c: self.got.append(("unknown", c)), fd=self.slave)

    def wait_for(self, count: int, seconds: float = 60.0) -> list[tuple[str, str]]:
        end = time.monotonic() + seconds
        while len(self.got) < count and time.monotonic() < end:
            time.sleep(0.005)
        return self.got

    def close(self) -> None:
        self.keypad.stop()
        os.close(self.slave)
        os.close(self.master)


@pytest.fixture
def terminal():
    this = Pty()
    yield this
    this.close()


def test_keys_come_one_by_one_without_enter(terminal):
    terminal.keypad.start()
    os.write(terminal.master, b"7.2\x1b[A")
    assert terminal.wait_for(4) == [("key", "7"), ("key", "*"), ("key", "2"), ("meter", "pump")]
    os.write(terminal.master, b"\x03")
    assert terminal.wait_for(5)[-1] == ("key", "quit")
    assert not select.select([terminal.master], [], [], 0.1)[0], "keys must not echo"


def test_a_lone_escape_is_known_after_a_moment_and_an_arrow_in_two_pieces_is_an_arrow(terminal):
    terminal.keypad.start()
    os.write(terminal.master, b"\x1b")
    assert terminal.wait_for(1) == [("unknown", "Escape")]
    terminal.keypad.ESCAPE_WAIT_S = 60.0
    os.write(terminal.master, b"\x1b")
    time.sleep(0.02)
    os.write(terminal.master, b"[C")
    assert terminal.wait_for(2)[1:] == [("meter", "lever_down")]


def test_stop_gives_the_terminal_back(terminal):
    with terminal.keypad:
        assert termios.tcgetattr(terminal.slave) != terminal.before
    assert termios.tcgetattr(terminal.slave) == terminal.before
    terminal.keypad.stop()  # again: nothing happens


def test_stop_from_its_own_callback():
    this = Pty()
    stopped = threading.Event()
    this.keypad._calls["key"] = lambda k: (this.keypad.stop(), stopped.set())
    this.keypad.start()
    os.write(this.master, b"q")
    assert stopped.wait(5)
    assert termios.tcgetattr(this.slave) == this.before
    this.close()


def test_a_terminal_that_goes_away_means_quit():
    this = Pty()
    this.keypad.start()
    os.close(this.master)
    assert this.wait_for(1) == [("key", "quit")]
    this.keypad.stop()
    os.close(this.slave)


def test_no_terminal_is_one_sentence():
    read, write = os.pipe()
    with pytest.raises(TerminalError) as error:
        TerminalKeypad(print, fd=read).start()
    assert "needs a terminal" in str(error.value)
    os.close(read), os.close(write)


def test_no_key_is_lost_while_the_window_changes_its_size(terminal):
    terminal.keypad.start()
    typed = ("7.25\r" * 120).encode()
    for at in range(0, len(typed), 10):
        os.write(terminal.master, typed[at:at + 10])
        size = struct.pack("HHHH", 20 + at % 30, 60 + at % 70, 0, 0)
        fcntl.ioctl(terminal.master, termios.TIOCSWINSZ, size)
    assert [name for _, name in terminal.wait_for(600)] == ["7", "*", "2", "5", "#"] * 120


ENDINGS = {
    "exception": "raise SystemExit(3)",
    "forgotten": "keypad.start(); os.write(1, b'up'); time.sleep(0.3); sys.exit(3)",
    "SIGTERM": "os.write(1, b'up'); time.sleep(30)",
    "SIGHUP": "os.write(1, b'up'); time.sleep(30)",
}


@pytest.mark.parametrize("ending", ENDINGS)
def test_however_the_program_ends_the_terminal_is_as_before(ending):
    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    body = ENDINGS[ending]
    code = ("import os, sys, time\nfrom hardware.terminal import TerminalKeypad\n"
            "keypad = TerminalKeypad(print)\n")
    code += body if ending == "forgotten" else f"with keypad:\n    {body}\n"
    child = subprocess.Popen([sys.executable, "-c", code], stdin=slave, stdout=slave, stderr=slave, cwd=ROOT)
    if ending != "exception":
        assert select.select([master], [], [], 10)[0]
        assert os.read(master, 2) == b"up"
        assert termios.tcgetattr(slave) != before
    if ending.startswith("SIG"):
        child.send_signal(getattr(signal, ending))
        assert child.wait(10) == -getattr(signal, ending)
    else:
        assert child.wait(10) == 3
    assert termios.tcgetattr(slave) == before
    os.close(master), os.close(slave)
