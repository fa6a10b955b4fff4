"""Each device of the check, opened by itself, with everything that it tells and sends."""
from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

SOUND = ("loudspeaker", "microphone")
"""Devices that no section of the settings switches on: the system's own are used."""
KEPT_BLOCKS = 70
"""About two seconds of the microphone."""

Settings = Mapping[str, Mapping[str, Any]]


def configured(name: str, settings: Settings) -> bool:
    return name in SOUND or bool(settings.get(name, {}).get("kind"))


def not_configured(name: str, called: str) -> str:
    return f"No {called} is configured: [{name}] in station.toml."


class Opened:
    """One device, opened; what can't be had has told why.

    told     what it complained of, oldest first
    samples  (time of the boot clock, psi) of a gauge, the newest 1,000
    blocks   of a microphone, the newest two seconds

    on_key   a key of the key map that this device gave
    on_talk  a talk pedal was pressed (True) or let go
    on_told  what it complains of, at once
    """

    def __init__(self, name: str, settings: Settings, on_key: Callable[[str], None] = lambda name: None,
                 on_talk: Callable[[bool], None] = lambda on: None, on_told: Callable[[str], None] = lambda words: None) -> None:
        self.name, self._on_told = name, on_told
        self.told: list[str] = []
        self.samples: deque[Any] = deque(maxlen=1000)
        self.blocks: deque[bytes] = deque(maxlen=KEPT_BLOCKS)
        self.device: Any = None
        try:
            self.device = self._open(settings, on_key, on_talk)
        except Exception as error:
            self._tell(str(error) or type(error).__name__)

    def _open(self, settings: Settings, on_key: Callable[[str], None], on_talk: Callable[[bool], None]) -> Any:
        told = self._tell
        if self.name == "loudspeaker":
            from hardware.mixer import RATE, Mixer
            from hardware.stream import OutputStream
            return OutputStream(Mixer(RATE), told)
        if self.name == "microphone":
            from hardware.microphone import Microphone
            return Microphone(self.blocks.append, lambda: False, told)
        if self.name == "gauge":
            from hardware.gauges import open_gauge
            return open_gauge(settings["gauge"], self.samples.append, told, lambda: None, told)
        from hardware.hands import open_all
        opened = open_all({self.name: settings[self.name]}, on_key, told, lambda _section, words: told(words), lambda _section: None, on_talk)
        return opened[0] if opened else None

    @property
    def works(self) -> bool:
        """It is open; of a gauge or a microphone: something comes."""
        if self.device is None:
            return False
        if self.name == "loudspeaker":
            return bool(self.device.audible)
        if self.name == "microphone":
            return bool(self.blocks)
        return bool(self.samples) if self.name == "gauge" else bool(self.device.alive)

    @property
    def caution(self) -> str:
        """Of a gauge: what its kind falls short of, which is no fault; "" for nothing."""
        return getattr(self.device, "caution", "")

    @property
    def faults(self) -> list[str]:
        """What it complained of, but for its caution."""
        return [told for told in list(self.told) if told != self.caution]

    @property
    def why(self) -> str:
        """What is wrong with one that does not work."""
        return (self.faults or ["It does not answer."])[0]

    def wait(self, within_s: float) -> bool:
        """Until it works or complains; whether it works."""
        until = time.monotonic() + within_s
        while not (self.works or self.faults) and time.monotonic() < until:
            time.sleep(0.01)
        return self.works

    def _tell(self, words: str) -> None:
        self.told.append(words)
        self._on_told(words)

    def show(self, pattern: str) -> None:
        """A pattern of a lamp or buzzer, from its start."""
        self.device.show("off")
        self.device.show(pattern)

    def close(self) -> None:
        if self.device is not None:
            self.device.close()
