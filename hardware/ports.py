"""What the rest of Bowlside may expect of a device, so that each can be replaced by a fake."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from typing import Protocol, runtime_checkable

Trouble = Callable[[str], None]          # told one plain sentence, from any thread


class Voice(Protocol):
    """Turns text into speech samples."""

    RATE: int
    """samples a second of what `render` gives: 16-bit signed mono"""

    def render(self, text: str, rate_wpm: int = ...) -> bytes: ...
    def estimate(self, text: str, rate_wpm: int = ...) -> float: ...
    def prepare(self, texts: Iterable[str], rate_wpm: int = ..., ready: Callable[[str], None] = ...) -> object: ...
    def close(self) -> None: ...


class Stream(Protocol):
    """Pulls samples from a mixer, at the mixer's rate, until it is closed."""

    @property
    def latency_s(self) -> float:
        """seconds between a sample being pulled and being heard"""

    @property
    def audible(self) -> bool:
        """somebody could hear it"""

    def close(self) -> None: ...


class Device(Protocol):
    """An opened device that can be lost."""

    @property
    def alive(self) -> bool:
        """False as soon as its loss is known"""

    def close(self) -> None: ...


class Sound(Device, Protocol):
    """An opened loudspeaker."""

    @property
    def latency_s(self) -> float:
        """seconds between a sample being pulled and being heard"""


class HandDevice(Device, Protocol):
    """One of those that hands touch or that answer them, or the gauge."""

    @property
    def there(self) -> tuple[str, ...]:
        """sections of station.toml that it serves; those that work, where it is alive"""


@runtime_checkable
class Shows(Protocol):
    """A lamp or buzzer: `show` one of waiting, hold, tap, wrong, off, until another is shown."""

    def show(self, pattern: str) -> None: ...


@runtime_checkable
class Sounds(Protocol):
    """What the microphone would hear."""

    @property
    def deaf(self) -> bool:
        """it sounds now, or has just sounded"""


class SpeakerPort(Protocol):
    """Says and sounds. Never raises; `on_spoken(ident)` comes exactly once for every `say`."""

    @property
    def busy(self) -> bool: ...

    @property
    def audible(self) -> bool:
        """a loudspeaker plays what is said; else it only takes its time"""

    rate_wpm: int
    """words a minute of what is said from now on"""

    def say(self, ident: str, text: str) -> None: ...
    def cue(self, name: str) -> None: ...
    def cues(self, plan: list[tuple[str, float]]) -> None: ...
    def drop_cues(self) -> None: ...
    def hush(self, keep: Collection[str] = ()) -> None: ...
    def is_deaf(self) -> bool: ...
    def prepare(self, texts: Iterable[str], ready: Callable[[str], None] = ...) -> None: ...
    def close(self) -> None: ...
