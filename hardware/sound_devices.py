"""PortAudio as Bowlside uses it: opening, watching and reopening a sound device without ever stopping a
test."""

from __future__ import annotations

import contextlib
import ctypes
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Generic, TypeVar

from hardware.ports import Device, Trouble

LOST_AFTER_S = 0.7         # no block for so long: the device is gone
LATE_S = 0.9               # so long later it is told, unless it flows again
FIRST_WAIT_S, LONGEST_WAIT_S = 0.25, 5.0
PATIENT_S, RARE_WAIT_S = 300.0, 30.0
"""A device that was missing so long is looked for more rarely: where some other device is, each look in vain costs 12 kB for
good in PortAudio and ALSA, which at one every 5 s is 8 MB an hour (400 looks, by the process's memory)."""
ANEW_S = 600.0             # an empty list is read again after this even if nothing seems to have come
CLOSE_LIMIT_S = 0.5
STEADY_S = 5.0             # a device that lasted so long may have one quick, silent second opening

NODES = Path("/dev/snd")
SERVERS = ("pulse/native", "pipewire-0")    # sockets of sound servers, in the user's run-time folder
NAMED = ("PULSE_SERVER", "PULSE_RUNTIME_PATH", "ALSA_CONFIG_PATH")
SETTINGS = (Path("/etc/asound.conf"), Path("~/.asoundrc"), Path("~/.config/pulse/client.conf"))

D = TypeVar("D", bound=Device)

_lock = threading.Lock()
_open_streams = 0
_found_nothing_at: float | None = None
"""When PortAudio's list, read anew, was empty; None: it was not."""


class SoundError(Exception):
    """A sound device cannot be had; str() is one plain sentence."""


def load():
    """The sounddevice module; SoundError where it or PortAudio is missing."""
    try:
        import sounddevice
    except ImportError:
        raise SoundError("The Python package sounddevice is missing: run the set-up again.") from None
    except OSError:
        raise SoundError("PortAudio is missing, so there is no sound: install libportaudio2.") from None
    _quieten_alsa()
    return sounddevice


_ALSA_HANDLER = ctypes.CFUNCTYPE(None, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_int,
                                 ctypes.c_char_p)
_say_nothing = _ALSA_HANDLER(lambda *_: None)     # kept for ever: the library calls it at any time


def _quieten_alsa() -> None:
    """ALSA's own complaints would be written across the screen; the problem reaches us as an exception
    anyway."""
    with contextlib.suppress(OSError):
        ctypes.CDLL("libasound.so.2").snd_lib_error_set_handler(_say_nothing)


def _nothing_there() -> bool:
    """No card, no sound server, and no settings that name one elsewhere, as far as a few file names tell."""
    if any(os.environ.get(name) for name in NAMED) or any(path.expanduser().exists() for path in SETTINGS):
        return False
    folder = Path(os.environ.get("XDG_RUNTIME_DIR") or f"/run/user/{os.getuid()}")
    return not (any(NODES.glob("pcm*")) or any((folder / name).exists() for name in SERVERS))


def _list_anew(sd) -> None:
    """Let PortAudio read its list of devices again. It does that only at its start, and each start costs 12 kB for good: so not
    while there is nothing to find."""
    global _found_nothing_at
    now = time.monotonic()
    if _found_nothing_at is not None and now - _found_nothing_at < ANEW_S and _nothing_there():
        return
    with contextlib.suppress(Exception):    # where its last start failed there is nothing to end: it refuses, for ever
        sd._terminate()
    sd._initialize()
    _found_nothing_at = None if len(sd.query_devices()) else now


def open_stream(make: Callable):
    """`make(sounddevice)` opens and starts one stream. PortAudio lists devices only once, so its list is
    read again first, but never under another open stream, which that would kill."""
    global _open_streams
    sd = load()
    with _lock:
        if _open_streams == 0:
            _list_anew(sd)
        stream = make(sd)
        _open_streams += 1
    return stream


def reason(problem: Exception) -> str:
    """PortAudio's words in brackets, in one line."""
    said = str(problem).split("\n")[0].rstrip(".")
    return "none was found" if "querying device -1" in said else said


def close_stream(stream) -> None:
    """Close, but don't wait for ever: closing a lost device has been seen to hang."""
    def close() -> None:
        global _open_streams
        try:
            stream.close(ignore_errors=True)
        finally:
            with _lock:
                _open_streams -= 1
    closer = threading.Thread(target=close, name="sound-close", daemon=True)
    closer.start()
    closer.join(CLOSE_LIMIT_S)


class Kept(Generic[D]):
    """Keeps one device open in a daemon thread: opens it, watches it, says once that it is gone, opens it
    again with growing waits (0.25 to 5 s, after some minutes 30 s).

    A stream that stalls while its sound server wakes up is opened once more before anybody hears of it; what does not
    flow again within LATE_S is told, even if opening hangs. So a loss is told within 2 s.

    open_device   returns a Device or raises SoundError; one that has `flows` is there when that is true
    on_trouble    one plain sentence for each time that the device goes missing
    on_up/on_down called when it is there, and when it is not
    """

    def __init__(self, open_device: Callable[[], D], on_trouble: Trouble,
                 on_up: Callable[[D], None] = lambda device: None,
                 on_down: Callable[[], None] = lambda: None, lost: str = "The sound device is gone.",
                 answer_limit_s: float = 4.0) -> None:
        self._open, self._on_trouble, self._on_up, self._on_down = open_device, on_trouble, on_up, on_down
        self._lost = lost
        self._closing = threading.Event()
        self._known = threading.Event()
        self._telling = threading.Lock()
        self._told = False
        self._late: threading.Timer | None = None
        self._device: D | None = None
        self._thread = threading.Thread(target=self._run, name="sound-keeper", daemon=True)
        self._thread.start()
        if not self._known.wait(answer_limit_s):
            on_trouble("The sound system does not answer: the test goes on without it, with text.")

    @property
    def up(self) -> bool:
        return self._device is not None

    def close(self) -> None:
        self._closing.set()
        if self._late is not None:
            self._late.cancel()
        self._thread.join(CLOSE_LIMIT_S + 1)

    def _run(self) -> None:
        wait, once_more, missing_since = FIRST_WAIT_S, False, time.monotonic()
        while not self._closing.is_set():
            sentence, lasted_s = self._one_device()
            if lasted_s is not None and lasted_s > STEADY_S:
                wait, once_more, missing_since = FIRST_WAIT_S, False, time.monotonic()
            if lasted_s is not None and not once_more:
                once_more = True
                continue
            self._tell(self._lost if once_more else sentence)
            once_more = False
            self._known.set()
            self._closing.wait(wait)
            wait = min(2 * wait, LONGEST_WAIT_S if time.monotonic() - missing_since < PATIENT_S else RARE_WAIT_S)

    def _one_device(self) -> tuple[str, float | None]:
        """Until it is lost: why, and how long it was there; None: it could not even be opened."""
        try:
            device = self._open()
        except Exception as e:
            return (str(e) if isinstance(e, SoundError) else f"Opening the sound device failed ({e})."), None
        while device.alive and not getattr(device, "flows", True) and not self._closing.wait(0.02):
            pass
        if not device.alive or self._closing.is_set():
            device.close()
            return self._lost, 0.0
        began = time.monotonic()
        self._is_up(device)
        while device.alive and not self._closing.wait(0.1):
            pass
        self._device = None
        if not self._closing.is_set():
            self._late = threading.Timer(LATE_S, self._tell, (self._lost,))
            self._late.daemon = True
            self._late.start()
        self._on_down()
        device.close()
        return self._lost, time.monotonic() - began

    def _is_up(self, device: D) -> None:
        with self._telling:
            if self._late is not None:
                self._late.cancel()
            self._told = False
        self._device = device
        self._on_up(device)
        self._known.set()

    def _tell(self, sentence: str) -> None:
        """From the device's thread, or from the timer's while that hangs."""
        with self._telling:
            if self._told or self._closing.is_set() or self._device is not None:
                return
            self._told = True
        self._on_trouble(sentence)
