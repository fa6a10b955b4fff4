"""The Linux kernel's input events, read without a library: evdev has no wheel, and the structure is a documented ABI
(linux/input.h and linux/input-event-codes.h, kernel documentation "Linux Input Subsystem"): seconds and microseconds as
two longs, type and code as two 16-bit numbers, value as a signed 32-bit one, in the machine's own byte order.
"""
from __future__ import annotations

import errno
import fcntl
import os
import struct
import time
from collections.abc import Iterator

EVENT = struct.Struct("llHHi")
EV_SYN, EV_KEY = 0, 1
SYN_REPORT, SYN_DROPPED = 0, 3
RELEASED, PRESSED = 0, 1  # 2 is the kernel's repeating of a key that is held
EVIOCGRAB = 0x40044590
"""_IOW('E', 0x90, int): from now on nobody else gets this device's keys, so that none of them types into a terminal too."""

EVIOCSCLOCKID = 0x400445A0
"""_IOW('E', 0xa0, int): from now on the events carry the monotonic clock's time, which never jumps."""


class InputError(OSError):
    """The device can't be opened now. str() is the reason, without the name of the device."""


def open_grabbed(path: str) -> int:
    """A file descriptor of an input device that is ours alone. Raises InputError."""
    fd = -1
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        fcntl.ioctl(fd, EVIOCGRAB, 1)
        fcntl.ioctl(fd, EVIOCSCLOCKID, struct.pack("i", time.CLOCK_MONOTONIC))
        return fd
    except OSError as error:
        if fd >= 0:
            os.close(fd)
        raise InputError(_WHY.get(error.errno or 0, os.strerror(error.errno or 0))) from None


_WHY = {
    errno.ENOENT: "it is not plugged in",
    errno.ENODEV: "it is not plugged in",
    errno.EACCES: "this user may not read it; run: sudo usermod -aG input $USER, and log in again",
    errno.EBUSY: "another program holds it",
    errno.ENOTTY: "that is no input device",
    errno.EINVAL: "that is no input device",
    errno.EISDIR: "that is no input device",
}


class Reader:
    """Bytes, in pieces of any size, to key events (time, code, value), in the kernel's own time: a program that was busy reads
    them late. After events that the kernel had to drop comes code -1: what is down now is not known."""

    def __init__(self) -> None:
        self._rest, self._dropped = b"", False

    def feed(self, data: bytes) -> Iterator[tuple[float, int, int]]:
        data = self._rest + data
        whole = len(data) - len(data) % EVENT.size
        self._rest = data[whole:]
        for seconds, micros, kind, code, value in EVENT.iter_unpack(data[:whole]):
            if (kind, code) == (EV_SYN, SYN_DROPPED):
                self._dropped = True
            elif self._dropped:
                # What comes before the next report is torn (kernel documentation, "Event codes", SYN_DROPPED).
                if (kind, code) == (EV_SYN, SYN_REPORT):
                    self._dropped = False
                    yield seconds + micros / 1e6, -1, 0
            elif kind == EV_KEY:
                yield seconds + micros / 1e6, code, value
