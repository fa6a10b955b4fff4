"""A pyttsx3 driver that yields speech as samples and plays nothing.

pyttsx3's own Linux driver plays through a shell command inside the synthesis callback, loses all but the
last of several utterances and reports success without a sound device. This driver keeps pyttsx3's engine and
its bundled espeak binding, opened in synchronous mode: `say` returns when the whole utterance is rendered,
and hands the samples on through the engine's own notification, topic "pcm".

espeak is one per process and not re-entrant: use this driver from one thread, in a process of its own.
"""

from __future__ import annotations

import ctypes
import sys

from pyttsx3.drivers import _espeak

NAME = "bowlside"          # pyttsx3.init("bowlside")
RATE = 22050               # samples a second, 16-bit signed mono; what espeak-ng's formant voices produce
_CLEAN = {code: " " for code in range(32)}


def register() -> str:
    """Make this module known to pyttsx3; returns the name for `pyttsx3.init`."""
    sys.modules[f"pyttsx3.drivers.{NAME}"] = sys.modules[__name__]
    return NAME


def version() -> str:
    """Of the library that speaks, such as "espeak-ng 1.51"."""
    return f"espeak-ng {_espeak.Info(None).decode('utf-8').split()[0]}"


def buildDriver(proxy):
    return PcmDriver(proxy)


class PcmDriver:
    """One utterance at a time, rendered whole. Properties: rate (words a minute), volume (0..1), pitch,
    voice."""

    _open = False

    def __init__(self, proxy) -> None:
        self._proxy = proxy
        self._parts: list[bytes] = []
        if not PcmDriver._open:
            rate = _espeak.Initialize(_espeak.AUDIO_OUTPUT_SYNCHRONOUS, 200)
            if rate != RATE:
                raise RuntimeError(f"espeak-ng opened at {rate} samples a second, not {RATE}")
            PcmDriver._open = True
        _espeak.SetSynthCallback(self._take)

    def _take(self, samples, count, _events) -> int:
        if count > 0 and samples:
            self._parts.append(ctypes.string_at(samples, 2 * count))
        return 0               # 0 = go on

    def say(self, text: str) -> None:
        self._parts = []
        self._proxy.setBusy(True)
        code = _espeak.Synth(text.translate(_CLEAN).encode("utf-8"), flags=_espeak.CHARS_UTF8)
        pcm, self._parts = b"".join(self._parts), []
        if code == _espeak.EE_OK:
            self._proxy.notify("pcm", pcm=pcm)
        else:
            self._proxy.notify("error", exception=RuntimeError(f"espeak-ng gave code {code}"))
        self._proxy.notify("finished-utterance", completed=code == _espeak.EE_OK)
        self._proxy.setBusy(False)

    def getProperty(self, name: str):
        if name == "voice":
            return _espeak.GetCurrentVoice().contents.name.decode("utf-8")
        if name == "volume":
            return _espeak.GetParameter(_espeak.VOLUME) / 100
        return _espeak.GetParameter(self._parameter(name))

    def setProperty(self, name: str, value) -> None:
        if name == "voice":
            if _espeak.SetVoiceByName(str(value).encode("utf-8")) != _espeak.EE_OK:
                raise ValueError(f"espeak-ng has no voice {value!r}")
        elif name == "volume":
            _espeak.SetParameter(_espeak.VOLUME, round(100 * value), 0)
        else:
            _espeak.SetParameter(self._parameter(name), int(value), 0)

    @staticmethod
    def _parameter(name: str) -> int:
        try:
            return {"rate": _espeak.RATE, "pitch": _espeak.PITCH}[name]
        except KeyError:
            raise KeyError(f"unknown property {name}") from None

    def startLoop(self) -> None:
        # Everything that is queued runs inside this call: setBusy(False) pumps the queue, and `say` is
        # synchronous.
        self._proxy.setBusy(False)

    def iterate(self):
        yield

    def endLoop(self) -> None:
        pass

    def stop(self) -> None:
        pass                   # a rendering takes milliseconds; whoever plays the samples stops them

    def destroy(self) -> None:
        pass                   # the library lives as long as its process
