"""What the rest of Bowlside may expect of a device, so that each can be replaced by a fake."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import Protocol

Trouble = Callable[[str], None]          # told one plain sentence, from any thread


class Voice(Protocol):
    """Turns text into speech samples."""

    RATE: int
    """samples a second of what `render` gives: 16-bit signed mono"""

    def render(self, text: str, rate_wpm: int = ...) -> bytes: ...
    def estimate(self, text: str, rate_wpm: int = ...) -> float: ...
    def close(self) -> None: ...


class Stream(Protocol):
    """Pulls samples from a mixer, at the mixer's rate, until it is closed."""

    latency_s: float
    """seconds between a sample being pulled and being heard"""

    def close(self) -> None: ...


class Device(Protocol):
    """An opened device that can be lost."""

    alive: bool
    """False as soon as its loss is known"""

    def close(self) -> None: ...


class SpeakerPort(Protocol):
    """Says and sounds. Never raises; `on_spoken(ident)` comes exactly once for every `say`."""

    busy: bool
    rate_wpm: int
    """words a minute of what is said from now on"""

    def say(self, ident: str, text: str) -> None: ...
    def cue(self, name: str) -> None: ...
    def cues(self, plan: list[tuple[str, float]]) -> None: ...
    def drop_cues(self) -> None: ...
    def hush(self, keep: Collection[str] = ()) -> None: ...
    def is_deaf(self) -> bool: ...
    def close(self) -> None: ...


class MicrophonePort(Protocol):
    """Hands on blocks of 30 ms, 16-bit signed mono at 16,000 Hz, while the station is not deaf."""

    def close(self) -> None: ...


class KeypadPort(Protocol):
    """Hands on each key's name (design: digits * # A B C D) once a press."""

    def close(self) -> None: ...


class LampPort(Protocol):
    """A lamp or buzzer: `show` one of waiting, hold, tap, wrong, off, until another is shown."""

    alive: bool

    def show(self, pattern: str) -> None: ...
    def close(self) -> None: ...


class GaugePort(Protocol):
    """Hands on samples (`hardware.gauges.Sample`) from its own thread until it is closed; tells once when it is lost
    and once when it is back."""

    alive: bool

    def close(self) -> None: ...
