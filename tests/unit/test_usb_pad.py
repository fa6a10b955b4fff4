"""The USB number pad. Outside source: the kernel's own headers (linux/input.h, linux/input-event-codes.h) as this machine has
them, compiled by its C compiler. Streams are recorded in that form; a pipe stands for the device, since there is no uinput here:
grabbing (EVIOCGRAB) is only tried on what is no input device."""
import os
import random
import re
import shutil
import struct
import subprocess
import time
from pathlib import Path

import pytest

from hardware import input_events, usb_pad
from hardware.debounce import Timing
from hardware.input_events import EVENT, InputError, Reader, open_grabbed
from hardware.usb_pad import CODES, PadKeys, UsbPad

HEADER = Path("/usr/include/linux/input-event-codes.h")
KP = dict(zip("0123456789", (82, 79, 80, 81, 75, 76, 77, 71, 72, 73), strict=True))
SLASH, STAR, MINUS, PLUS, ENTER, DOT, NUMLOCK = 98, 55, 74, 78, 96, 83, 69


def event(kind: int, code: int, value: int, at: float | None = None) -> bytes:
    at = time.monotonic() if at is None else at
    return EVENT.pack(int(at), round(at % 1 * 1e6) % 1_000_000, kind, code, value)


def stroke(code: int) -> bytes:
    """As a pad sends it: the scan code, the key, a report; then the same for letting go."""
    return b"".join(event(4, 4, 0x70059) + event(1, code, value) + event(0, 0, 0) for value in (1, 0))


class Told:
    """A UsbPad on a pipe, and everything that it told."""

    def __init__(self, **more):
        self.keys, self.trouble, self.lost, self.back = [], [], [], []
        self.there, self.write, self.opened = True, None, 0
        self.pad = UsbPad("/dev/input/by-id/a-pad-event-kbd", self.keys.append, self.trouble.append, self.lost.append,
                          lambda: self.back.append(1), open_device=self.open, **more)

    def open(self, path: str) -> int:
        if not self.there:
            raise InputError("it is not plugged in")
        read, self.write = os.pipe()
        os.set_blocking(read, False)
        self.opened += 1
        return read

    def send(self, data: bytes) -> None:
        self.wait(lambda: self.write is not None)
        os.write(self.write, data)

    def pull(self) -> None:
        self.there = False
        write, self.write = self.write, None
        os.close(write)

    @staticmethod
    def wait(done, seconds=60.0):
        until = time.monotonic() + seconds
        while not done() and time.monotonic() < until:
            time.sleep(0.002)
        assert done()


@pytest.fixture
def told(monkeypatch):
    monkeypatch.setattr(usb_pad, "BACK_OFF_S", (0.01, 0.02))
    made = Told(timing=Timing(1, 0.02, 0.2, 5.0))
    yield made
    made.pad.close()
    if made.write is not None:
        os.close(made.write)


@pytest.mark.skipif(not HEADER.exists(), reason="the kernel's headers are not installed (linux-libc-dev)")
def test_every_code_is_the_kernels_own_for_that_key():
    numbers = {name: int(value, 0) for name, value in re.findall(r"#define (KEY_\w+)\s+(0x[0-9a-f]+|\d+)\b", HEADER.read_text())}
    words = {**{f"KP{n}": str(n) for n in range(10)}, **{str(n): str(n) for n in range(10)},
             "INSERT": "0", "END": "1", "DOWN": "2", "PAGEDOWN": "3", "LEFT": "4", "RIGHT": "6", "HOME": "7", "UP": "8",
             "PAGEUP": "9",
             "KPDOT": "*", "KPCOMMA": "*", "DELETE": "*", "DOT": "*", "COMMA": "*", "KPENTER": "#", "ENTER": "#",
             "KPSLASH": "A", "SLASH": "A", "KPASTERISK": "B", "BACKSPACE": "B", "KPMINUS": "C", "MINUS": "C", "KPPLUS": "D"}
    assert {numbers[f"KEY_{word}"]: key for word, key in words.items()} == CODES


@pytest.mark.skipif(shutil.which("cc") is None or not HEADER.exists(), reason="no C compiler with the kernel's headers")
def test_the_structure_and_the_grab_are_as_the_c_compiler_has_them(tmp_path):
    (tmp_path / "one.c").write_text("""
        #include <linux/input.h>
        #include <stdio.h>
        int main(void) {
            struct input_event e = {.type = EV_KEY, .code = KEY_KP7, .value = 1};
            unsigned requests[2] = {EVIOCGRAB, EVIOCSCLOCKID};
            e.input_event_sec = 17; e.input_event_usec = 250000;
            fwrite(&e, sizeof e, 1, stdout); fwrite(requests, sizeof requests, 1, stdout); return 0;
        }""")
    subprocess.run(["cc", "-o", tmp_path / "one", tmp_path / "one.c"], check=True)
    out = subprocess.run([tmp_path / "one"], capture_output=True, check=True).stdout
    assert len(out) == EVENT.size + 8
    assert list(Reader().feed(out[:-8])) == [(17.25, KP["7"], 1)]
    assert struct.unpack("II", out[-8:]) == (input_events.EVIOCGRAB, input_events.EVIOCSCLOCKID)


@pytest.mark.parametrize("size", [1, 5, 23, 24, 25, 4096])
def test_a_stream_is_read_alike_in_pieces_of_any_size(size):
    data = b"".join(stroke(KP[digit]) for digit in "31810")
    reader, found = Reader(), []
    for n in range(0, len(data), size):
        found += reader.feed(data[n:n + size])
    assert [code for _, code, value in found if value] == [KP[digit] for digit in "31810"]


def typed(strokes, timing=Timing(), gap_s=0.15, down_s=0.1):
    keys, at, told = PadKeys(timing), 1.0, []
    for code in strokes:
        told += keys.event(at, code, 1)
        told += keys.event(at + down_s, code, 0)
        at += down_s + gap_s
        told += keys.look(at - 0.001)
    return [name for name, happened in told if happened == "press"]


def test_the_whole_pad():
    assert typed([KP["3"], KP["1"], DOT, KP["8"], KP["1"], ENTER, SLASH, STAR, MINUS, PLUS]) == list("31*81#ABCD")


def test_numlock_means_nothing_whichever_way_it_is_and_whoever_keeps_it():
    arrows = dict(zip("012346789", (110, 107, 108, 109, 105, 106, 102, 103, 104), strict=True))
    plain = [KP[digit] for digit in "7251"]
    wrapped = [code for one in plain for code in (NUMLOCK, one, NUMLOCK)]  # pads that switch it around each key
    own = [arrows.get(digit, KP["5"]) for digit in "7251"]                 # pads that send the arrows
    assert typed(plain) == typed(wrapped, gap_s=0.05, down_s=0.05) == typed(own) == list("7251")


def test_a_double_strike_and_the_kernels_repeats_are_one_press_and_two_presses_are_two():
    assert typed([KP["2"]] * 2, gap_s=0.05) == ["2"]
    assert typed([KP["2"]] * 2, gap_s=0.12) == ["2", "2"]
    keys = PadKeys()
    assert [keys.event(1.0 + n / 30, KP["2"], 1 if n == 0 else 2) for n in range(20)] == [[("2", "press")], *[[]] * 19]


def test_a_machine_that_was_busy_joins_no_two_presses():
    """Nobody looked between them: only the events' own times part them."""
    keys = PadKeys()
    told = [keys.event(at, KP["2"], value) for at, value in ((1.0, 1), (1.05, 0), (1.3, 1), (1.35, 0))]
    assert sum(told, []) == [("2", "press"), ("2", "up"), ("2", "press")]


def test_held_and_stuck():
    keys = PadKeys()
    assert keys.event(1.0, STAR, 1) == []
    assert [keys.look(1.0 + n / 10) for n in range(1, 10)] == [[]] * 9
    assert keys.look(2.01) == [("B", "hold")]
    assert keys.look(9.1) == [("B", "stuck")]
    keys.event(12.0, STAR, 0)
    assert keys.look(12.1) == [("B", "freed")]


def test_after_events_that_the_kernel_dropped_nothing_is_taken_for_held():
    data = event(1, SLASH, 1) + event(0, 0, 0) + event(0, 3, 0) + event(1, KP["5"], 1) + event(0, 0, 0) + stroke(KP["6"])
    keys, told = PadKeys(), []
    for at, code, value in Reader().feed(data):
        told += keys.event(at, code, value)
    told += keys.look(time.monotonic() + 3.0)
    assert told == [("6", "press"), ("6", "up")]


def test_on_a_pipe_pulled_twice_and_plugged_in_again(told):
    told.send(stroke(KP["7"]))
    told.wait(lambda: told.keys == ["7"])
    assert told.pad.alive
    for n in (1, 2):
        os.write(told.write, event(1, SLASH, 1))  # down when it is pulled: must not count, nor hold, afterwards
        told.pull()
        told.wait(lambda: len(told.lost) == n)
        assert not told.pad.alive
        time.sleep(0.05)
        told.there = True
        told.wait(lambda: len(told.back) == n)
        told.wait(lambda: not told.pad._keys.down)
        told.send(stroke(KP[str(n)]))
        told.wait(lambda: len(told.keys) == n + 1)
    assert told.keys == ["7", "1", "2"]
    assert told.lost == ["The USB pad is gone: plug it in again, or use another keypad."] * 2
    assert told.trouble == []


def test_what_is_read_late_counts_by_the_kernels_time(told):
    """A recogniser kept the thread waiting: two presses and a long one are read in one piece, ten seconds late."""
    begin = time.monotonic() - 10
    told.send(b"".join(event(1, code, value, begin + at) for at, code, value in (
        (0.0, KP["2"], 1), (0.1, KP["2"], 0), (0.3, KP["2"], 1), (0.4, KP["2"], 0), (0.41, KP["2"], 1), (0.5, KP["2"], 0),
        (1.0, SLASH, 1), (1.1, SLASH, 0), (1.5, SLASH, 1), (1.9, SLASH, 0), (2.0, KP["5"], 1), (2.1, KP["5"], 0))))
    told.wait(lambda: len(told.keys) >= 5)
    assert told.keys == ["2", "2", "A", "A-held", "5"]
    assert told.trouble == []


def test_held_on_a_pipe_by_the_clock_alone(told):
    told.send(event(1, SLASH, 1))
    told.wait(lambda: told.keys == ["A-held"])


def test_not_there_at_the_start_is_told_once_and_it_is_used_when_it_comes(monkeypatch):
    monkeypatch.setattr(usb_pad, "BACK_OFF_S", (0.01,))
    monkeypatch.setattr(Told, "there", False, raising=False)
    told, tries = Told.__new__(Told), []

    def open_it(path):
        tries.append(path)
        if len(tries) < 5:
            raise InputError("it is not plugged in")
        return Told.open(told, path)

    told.keys, told.trouble, told.lost, told.back, told.write, told.opened, told.there = [], [], [], [], None, 0, True
    told.pad = UsbPad("/dev/input/x", told.keys.append, told.trouble.append, told.lost.append, lambda: told.back.append(1),
                      open_device=open_it)
    told.send(stroke(KP["4"]))
    told.wait(lambda: told.keys == ["4"])
    told.pad.close()
    os.close(told.write)
    assert told.trouble == ["The USB pad /dev/input/x can't be used: it is not plugged in. It is used as soon as it can be."]
    assert told.back == [1] and told.lost == []


@pytest.mark.parametrize("path, why", [
    ("/dev/input/no-such-pad", "it is not plugged in"), ("/dev/null", "that is no input device"),
    ("/", "that is no input device")])
def test_what_can_not_be_grabbed_is_named(path, why):
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(InputError, match=f"^{why}$"):
        open_grabbed(path)
    assert len(os.listdir("/proc/self/fd")) == before  # nothing is left open, however often it is tried


def test_rubbish_never_stops_it_and_makes_only_keys_of_the_map():
    chance, reader, keys = random.Random(5), Reader(), PadKeys()
    allowed = set(CODES.values())
    for n in range(2000):
        for _, code, value in reader.feed(chance.randbytes(chance.randint(0, 100))):
            assert {name for name, _ in keys.event(n / 100, code, value)} <= allowed
    reader.feed(b"")
    assert len(reader._rest) < EVENT.size
