"""The USB pad against the real kernel's input system, with a keyboard made by uinput. Outside source: the kernel itself.

Needs write access to /dev/uinput (root, and `modprobe uinput evdev`); containers have none, so there it is skipped.
"""
import fcntl
import os
import struct
import time
from pathlib import Path

import pytest

from hardware.input_events import EVENT, InputError, Reader, open_grabbed
from hardware.usb_pad import CODES, UsbPad

UI_SET_EVBIT, UI_SET_KEYBIT, UI_DEV_CREATE, UI_DEV_DESTROY = 0x40045564, 0x40045565, 0x5501, 0x5502  # linux/uinput.h
EV_REP = 20
NAME = "bowlside test pad"

pytestmark = pytest.mark.skipif(not os.access("/dev/uinput", os.W_OK), reason="no /dev/uinput that this user may write to")


class Keyboard:
    """A keyboard that the kernel takes for a real one; `path` always leads to it, as a link in /dev/input/by-id does."""

    def __init__(self, folder: Path) -> None:
        self.path, self._fd = folder / "pad", -1

    def plug_in(self) -> None:
        self._fd = os.open("/dev/uinput", os.O_WRONLY | os.O_NONBLOCK)
        for kind in (1, EV_REP):
            fcntl.ioctl(self._fd, UI_SET_EVBIT, kind)
        for code in CODES:
            fcntl.ioctl(self._fd, UI_SET_KEYBIT, code)
        os.write(self._fd, struct.pack("80sHHHHI", NAME.encode(), 3, 1, 1, 1, 0) + bytes(4 * 4 * 64))
        fcntl.ioctl(self._fd, UI_DEV_CREATE)
        wait(lambda: self.node() and os.path.exists(self.node()))
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(self.node())

    def node(self) -> str:
        found = [name for name in Path("/sys/class/input").glob("event*/device/name") if name.read_text().strip() == NAME]
        return f"/dev/input/{found[0].parts[4]}" if found else ""

    def pull(self) -> None:
        fcntl.ioctl(self._fd, UI_DEV_DESTROY)
        os.close(self._fd)

    def send(self, code: int, value: int) -> None:
        os.write(self._fd, EVENT.pack(0, 0, 1, code, value) + EVENT.pack(0, 0, 0, 0, 0))

    def stroke(self, code: int) -> None:
        self.send(code, 1)
        time.sleep(0.05)
        self.send(code, 0)
        time.sleep(0.12)


def wait(done, seconds=10.0):
    until = time.monotonic() + seconds
    while not done() and time.monotonic() < until:
        time.sleep(0.005)
    assert done()


@pytest.fixture
def keyboard(tmp_path):
    made = Keyboard(tmp_path)
    made.plug_in()
    yield made
    made.pull()


def test_keys_come_from_the_kernel_and_nobody_else_gets_them(keyboard):
    other = os.open(keyboard.path, os.O_RDONLY | os.O_NONBLOCK)
    keys: list[str] = []
    pad = UsbPad(str(keyboard.path), keys.append)
    wait(lambda: pad.alive)
    for code in (81, 79, 83, 80, 76, 96, 55, 78):
        keyboard.stroke(code)
    keyboard.send(98, 1)                     # held, while the kernel repeats it
    wait(lambda: keys[-1:] == ["A-held"])
    keyboard.send(98, 0)
    assert keys == [*"31*25#BD", "A-held"]
    with pytest.raises(BlockingIOError):
        os.read(other, 24)
    with pytest.raises(InputError, match="another program holds it"):
        open_grabbed(str(keyboard.path))
    pad.close()
    os.close(open_grabbed(str(keyboard.path)))
    os.close(other)


@pytest.mark.alone
def test_pulled_with_a_key_down_and_plugged_in_again(keyboard):
    keys, lost, back, trouble = [], [], [], []
    pad = UsbPad(str(keyboard.path), keys.append, trouble.append, lost.append, lambda: back.append(1))
    wait(lambda: pad.alive)
    for n in (1, 2):
        keyboard.send(74, 1)
        time.sleep(0.05)
        begin = time.monotonic()
        keyboard.pull()
        wait(lambda: len(lost) == n)
        assert time.monotonic() - begin < 2
        keyboard.plug_in()
        wait(lambda: len(back) == n)
        keyboard.stroke(77)
        wait(lambda: keys == ["6"] * n)
    pad.close()
    assert trouble == []


def test_events_that_were_dropped_are_told_and_times_are_the_monotonic_clocks(keyboard):
    fd = open_grabbed(str(keyboard.path))
    for _ in range(600):
        keyboard.send(79, 1)
        keyboard.send(79, 0)
    found = list(Reader().feed(os.read(fd, 1 << 16)))
    os.close(fd)
    assert found[0][1] == -1 and len(found) < 1200
    assert all(abs(time.monotonic() - at) < 60 for at, _, _ in found)
