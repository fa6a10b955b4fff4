"""Stand-ins for a voice, a sound device, a speaker and a microphone: for tests, and for trying the station
at a desk."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable

import numpy as np
import soxr

from hardware.mixer import RATE, Mixer
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


class FakeRoom:
    """A loudspeaker and a microphone in one room, turned by hand: what `mixer` plays comes back in what `hear` gives.

    echo_db     of the loudest of the echo against what is played
    late_s      through both devices and the air
    fades_s     in which an echo falls by 60 dB
    direct_db   of the direct sound over all that comes after it
    bend        of the loudspeaker: 0 bends nothing, 1.5 is a small one turned up too far
    drift_ppm   how much faster the loudspeaker's clock runs than the microphone's
    hiss_db     of the microphone, below full scale
    """

    MIC_RATE, BLOCK = 16000, 480

    def __init__(self, echo_db: float = -6.0, late_s: float = 0.12, fades_s: float = 0.3, direct_db: float = 3.0,
                 bend: float = 0.5, drift_ppm: float = 0.0, hiss_db: float = -65.0, seed: int = 1) -> None:
        self.time = 0.0
        self.mixer = Mixer(RATE, clock=lambda: self.time)
        self._dice, self._bend, self._hiss = np.random.default_rng(seed), bend, 10 ** (hiss_db / 20)
        self._frames_s = RATE * (1 + drift_ppm * 1e-6)
        self._due = 0.0
        self._resampled = soxr.ResampleStream(self._frames_s, self.MIC_RATE, 1, "float32", "HQ")
        self._waiting = np.zeros(round(late_s * self.MIC_RATE))
        self.move(echo_db, fades_s, direct_db)
        self._tail = np.zeros(len(self._way) - 1)

    def move(self, echo_db: float = -6.0, fades_s: float = 0.3, direct_db: float = 3.0) -> None:
        """The loudspeaker or the microphone is put elsewhere."""
        t = np.arange(self.MIC_RATE // 2) / self.MIC_RATE
        way = self._dice.standard_normal(len(t)) * 10 ** (-3 * t / fades_s)
        way[:40] = 0
        way *= 10 ** (-direct_db / 20) / np.sqrt((way**2).sum())
        way[8] = 1
        self._way = way * 10 ** (echo_db / 20)

    def hear(self, near: np.ndarray | None = None) -> bytes:
        """30 ms of the microphone, 16-bit; `near` (480 samples, -1..1) is said or roars beside it."""
        self._due += self._frames_s * self.BLOCK / self.MIC_RATE
        frames = round(self._due)
        self._due -= frames
        self.time += self.BLOCK / self.MIC_RATE
        played = self.mixer.fill(frames).astype(np.float32) / 32768
        if self._bend:
            played = np.tanh(self._bend * played + 0.2 * (self._bend * played) ** 2) / self._bend
        self._waiting = np.concatenate([self._waiting, self._resampled.resample_chunk(played.astype(np.float32))])
        come, self._waiting = self._waiting[:self.BLOCK], self._waiting[self.BLOCK:]
        size = 1 << (self.BLOCK + len(self._way)).bit_length()
        echo = np.fft.irfft(np.fft.rfft(come, size) * np.fft.rfft(self._way, size))[:self.BLOCK + len(self._way) - 1]
        echo[:len(self._tail)] += self._tail
        self._tail = echo[self.BLOCK:].copy()
        sound = echo[:self.BLOCK] + self._hiss * self._dice.standard_normal(self.BLOCK) + (0 if near is None else near)
        return np.clip(np.round(sound * 32768), -32768, 32767).astype("<i2").tobytes()
