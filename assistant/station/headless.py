"""A station without a terminal, as the service runs it: keys from the keypad, the USB pad or the pedal, words from the
microphone, and in place of the screen a line in the service's log for whatever a device complains of.

Neither readings nor what was heard go into that log: they belong to the record, which only its owner may read.
"""
from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterable, Mapping
from typing import Any, TextIO

from assistant.files.refusal import Refusal

KEYS = ("keypad", "usb_pad", "pedal", "buttons")
MOST_LINES_A_MINUTE = 20
"""A device that babbles must not fill the card with log lines. Ours."""


def must_be_answerable(settings: Mapping[str, Mapping[str, Any]], has_microphone: Callable[[], bool] | None = None) -> None:
    """Raises Refusal where nobody could answer: no device with keys in station.toml and no microphone there."""
    if not any(settings.get(name, {}).get("kind") for name in KEYS) and not (has_microphone or _has_microphone)():
        raise Refusal("Without a terminal the station needs something to be answered by: set up a keypad, a USB pad, a pedal "
                      "or buttons in station.toml (bowlside check tells how), or plug in a microphone, then start it again.")


def _has_microphone() -> bool:
    from hardware.sound_devices import SoundError, load
    try:
        return any(one["max_input_channels"] > 0 for one in load().query_devices())
    except SoundError:
        return False


class Log:
    """Takes the place of a screen: ``show`` is called after every change and writes each new notice once."""

    def __init__(self, notices: Iterable[str], now: Callable[[], float], out: TextIO | None = None) -> None:
        self._notices, self._now, self._out = notices, now, out or sys.stderr
        self._known: list[str] = []
        self._minute, self._written = 0.0, 0

    def show(self, view: object = None) -> None:
        """The view isn't looked at: what the station says is for the technician's ear and for the record."""
        now_there = list(self._notices)
        fresh = [one for one in now_there if one not in self._known]
        self._known = now_there
        for one in fresh:
            self._write(" ".join(one.split()))

    def _write(self, text: str) -> None:
        if self._now() - self._minute >= 60:
            self._minute, self._written = self._now(), 0
        self._written += 1
        if self._written <= MOST_LINES_A_MINUTE:
            print(text, file=self._out, flush=True)
        elif self._written == MOST_LINES_A_MINUTE + 1:
            print("More of this is left out for a minute.", file=self._out, flush=True)


def on_stop(leave: Callable[[], None]) -> Callable[[], None]:
    """SIGTERM and SIGINT leave the test as the key q would: devices are closed, the next start goes on. Returns the undoing."""
    if threading.current_thread() is not threading.main_thread():
        return lambda: None
    before = {number: signal.signal(number, lambda *_: leave()) for number in (signal.SIGTERM, signal.SIGINT)}

    def undo() -> None:
        for number, handler in before.items():
            signal.signal(number, handler)
    return undo
