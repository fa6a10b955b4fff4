"""Speech samples from any pyttsx3 driver but our own, through the one thing they all offer: `save_to_file`.

Their `say` plays by itself, to a loudspeaker that we need for cues and can't hush; a file is only samples.
"""

from __future__ import annotations

import importlib
import sys
import tempfile
import time
import wave
from pathlib import Path
from typing import Any

import numpy as np

from hardware.voice import OWN_NAME

# pyttsx3's own espeak driver returns before the file is there, and by a race of its loop with its callback sometimes loses the
# file (tried again, within the parent's limit for one rendering) or a rate set in the loop (so it is set outside of it).
WRITTEN_WITHIN_S, TRIES = 1.2, 3
RATE_SETTLES_S = 0.05      # measured: 3 x 40 renderings with changing rates all right; without, about half wrong


class DriverFault(RuntimeError):
    """The driver can't be used; str() is one plain sentence."""


class OtherDriver:
    """`render(text, rate_wpm)` gives 16-bit mono PCM at `rate` samples a second."""

    def __init__(self, driver: str, voice: str, rate: int) -> None:
        import pyttsx3

        self._rate, self._rate_wpm = rate, 0
        self._errors: list[Exception] = []
        try:
            self._engine = pyttsx3.init(_known(driver))
            self._engine.connect("error", lambda name, exception: self._errors.append(exception))
            if voice != OWN_NAME:
                self._set("voice", voice)
            self.voice = voice if voice != OWN_NAME else "its default voice"
            if not self.render("one two", 170):
                raise DriverFault("it gives no sound")
        except Exception as e:
            why = e or type(e).__name__
            raise DriverFault(f"The pyttsx3 driver {driver!r} with voice {voice!r} can't be used ({why}).") from e

    def render(self, text: str, rate_wpm: int) -> bytes:
        pcm = None
        if rate_wpm != self._rate_wpm:
            self._set("rate", rate_wpm)
            time.sleep(RATE_SETTLES_S)
            self._rate_wpm = rate_wpm
        for _ in range(TRIES):
            pcm = self._once(text)
            if pcm is not None:
                return pcm
        raise DriverFault("it wrote no WAV file")

    def _set(self, name: str, value: str | int) -> None:
        self._errors.clear()
        self._engine.proxy.setBusy(False)      # so that it is set now, not in the loop that may cancel it
        self._engine.setProperty(name, value)
        if self._errors:
            raise DriverFault(str(self._errors[0]))

    def _once(self, text: str) -> bytes | None:
        self._errors.clear()
        with tempfile.TemporaryDirectory(prefix="bowlside-speech-") as folder:
            path = Path(folder) / "said.wav"
            self._engine.save_to_file(text, str(path))
            self._engine.runAndWait()
            found = _when_written(path, lambda: bool(self._errors))
        if self._errors:
            raise DriverFault(str(self._errors[0]))
        return None if found is None else _mono(*found, self._rate)


def _known(driver: str) -> str:
    """The name for pyttsx3.init. A module from elsewhere is put where pyttsx3 looks for drivers."""
    try:
        importlib.import_module(f"pyttsx3.drivers.{driver}")
    except ModuleNotFoundError as e:
        if e.name != f"pyttsx3.drivers.{driver}" and not (e.name or "").startswith(f"pyttsx3.drivers.{driver.split('.')[0]}"):
            raise
        module = importlib.import_module(driver)
        if not hasattr(module, "buildDriver"):
            raise DriverFault("it is no pyttsx3 driver: it has no buildDriver") from None
        driver = driver.replace(".", "_")
        sys.modules[f"pyttsx3.drivers.{driver}"] = module
    return driver


def _when_written(path: Path, failed) -> tuple[np.ndarray, int, int] | None:
    """Samples, channels and rate, once the file is whole and no longer grows; None if it never is."""
    until, size = time.monotonic() + WRITTEN_WITHIN_S, -1
    while time.monotonic() < until and not failed():
        now = path.stat().st_size if path.is_file() else -1
        if now > 44 and now == size:
            try:
                return _samples(path)
            except (wave.Error, EOFError):
                pass
        size = now
        time.sleep(0.005)
    return None


def _samples(path: Path) -> tuple[np.ndarray, int, int]:
    with wave.open(str(path), "rb") as wav:
        data, width = wav.readframes(wav.getnframes()), wav.getsampwidth()
        kind: Any = {1: "u1", 2: "<i2", 4: "<i4"}.get(width)
        if kind is None:
            raise DriverFault(f"it writes samples of {8 * width} bits")
        read = np.frombuffer(data[:len(data) // width * width], kind).astype(np.float32)
        return (read - 128) / 128 if width == 1 else read / 2.0 ** (8 * width - 1), wav.getnchannels(), wav.getframerate()


def _mono(found: np.ndarray, channels: int, rate_in: int, rate_out: int) -> bytes:
    import soxr

    found = found[:len(found) // channels * channels].reshape(-1, channels).mean(axis=1)
    if rate_in != rate_out and len(found):
        found = soxr.resample(found, rate_in, rate_out)
    return np.round(np.clip(found, -1, 1) * 32767).astype("<i2").tobytes()
