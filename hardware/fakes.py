"""Stand-ins for a voice, a sound device, a speaker and a microphone: for tests, and for trying the station
at a desk."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable

import numpy as np

from hardware.mixer import Mixer
from hardware.synth import Synth, SynthError


class FakeVoice:
    """A hum as long as the text would take; `fails` holds texts (or is True) that raise SynthError."""

    RATE = Synth.RATE

    def __init__(self, fails: bool | set[str] = False, length_s: float | None = None) -> None:
        self.fails, self.length_s = fails, length_s
        self.rendered: list[str] = []

    def estimate(self, text: str, rate_wpm: int = 170) -> float:
        return Synth.estimate(text, rate_wpm) if self.length_s is None else self.length_s

    def render(self, text: str, rate_wpm: int = 170) -> bytes:
        if self.fails is True or (self.fails and text in self.fails):
            raise SynthError("The fake voice was told to fail.")
        self.rendered.append(text)
        t = np.arange(round(self.estimate(text, rate_wpm) * self.RATE)) / self.RATE
        return np.round(8000 * np.sin(2 * np.pi * 200 * t)).astype("<i2").tobytes()

    def prepare(self, texts: Iterable[str], rate_wpm: int = 170, ready: Callable[[str], None] = lambda sentence: None) -> None:
        pass

    def close(self) -> None:
        pass


class CrankedStream:
    """A sound device turned by hand: `crank(frames)` pulls, in blocks as odd as wished; `samples` is what
    was heard."""

    latency_s, alive, audible = 0.0, True, True

    def __init__(self, mixer: Mixer) -> None:
        self.mixer = mixer
        self._parts: list[np.ndarray] = []

    def crank(self, frames: int) -> np.ndarray:
        block = self.mixer.fill(frames)
        self._parts.append(block)
        return block

    @property
    def samples(self) -> np.ndarray:
        return np.concatenate([np.zeros(0, np.int16), *self._parts])

    def close(self) -> None:
        self.alive = False


class FakeSpeaker:
    """Says nothing and writes down everything; an utterance is over at once, or when `finish()` is called."""

    audible = False

    def __init__(self, on_spoken: Callable[[str], None] = lambda ident: None, at_once: bool = True) -> None:
        self.said: list[tuple[str, str]] = []
        self.cued: list[tuple[str, float]] = []
        self.rate_wpm, self._on_spoken, self._at_once = 170, on_spoken, at_once
        self._open: list[str] = []

    @property
    def busy(self) -> bool:
        return bool(self._open)

    def say(self, ident: str, text: str) -> None:
        self.said.append((ident, text))
        self._open.append(ident)
        if self._at_once:
            self.finish()

    def finish(self) -> None:
        while self._open:
            self._on_spoken(self._open.pop(0))

    def cue(self, name: str) -> None:
        self.cues([(name, 0.0)])

    def cues(self, plan: list[tuple[str, float]]) -> None:
        self.cued += plan

    def drop_cues(self) -> None:
        pass

    def hush(self, keep: Collection[str] = ()) -> None:
        self.finish()

    def is_deaf(self) -> bool:
        return self.busy

    def prepare(self, texts: Iterable[str], ready: Callable[[str], None] = lambda sentence: None) -> None:
        pass

    def close(self) -> None:
        self.finish()


class FakeInput:
    """A recording device fed by hand, for `Microphone(open_input=FakeInput)`; `lose()` unplugs it."""

    def __init__(self, take: Callable[[bytes], None]) -> None:
        self.feed, self.alive = take, True

    def lose(self) -> None:
        self.alive = False

    def close(self) -> None:
        self.alive = False


class FakeMicrophone:
    """`feed(block)` hands a block on unless deaf."""

    def __init__(self, on_block: Callable[[bytes], None],
                 is_deaf: Callable[[], bool] = lambda: False) -> None:
        self._on_block, self._is_deaf = on_block, is_deaf

    def feed(self, block: bytes) -> None:
        if not self._is_deaf():
            self._on_block(block)

    def close(self) -> None:
        pass
