"""Speech and cues on one line of samples. Everything is placed by frame number, so that cues are exactly
spaced whatever the program is doing when they sound."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import numpy as np
import soxr

RATE = 48000               # frames a second, mono: what USB sound devices and the Pi play without conversion
FADE_S = 0.01              # a hushed word fades this long, so that it does not click
KEPT = 1 << 19             # frames that `played` can look back: 10.9 s, longer than a microphone's blocks ever wait
LATEST_S = 0.1             # a device that pulled nothing for so long has stopped


class Clip:
    """Samples with a place on the line. `over` is set when the last of them was pulled, or it was hushed."""

    def __init__(self, samples: np.ndarray, start: int, kind: str, audible: bool = True) -> None:
        self.samples, self.start, self.kind, self.audible = samples, start, kind, audible
        self.over = threading.Event()

    @property
    def end(self) -> int:
        return self.start + len(self.samples)


class Mixer:
    """`fill(frames)` is pulled by exactly one stream at a time; all else may be called from any thread.

    position   frames pulled so far; the next frame to be pulled
    """

    def __init__(self, rate: int = RATE, clock: Callable[[], float] = time.monotonic) -> None:
        self.rate, self.position = rate, 0
        self._clock = clock
        self._lock = threading.Lock()
        self._clips: list[Clip] = []
        self._sounded_until = float("-inf")
        self._kept = np.zeros(KEPT, np.int16)
        self._pulled_at = clock()

    def place(self, pcm: bytes, pcm_rate: int, kind: str, at: int | None = None,
              audible: bool = True) -> Clip:
        """Put 16-bit mono PCM on the line with its first frame at `at` (default: the next to be pulled).

        kind: "speech" (hush ends it) or "cue". An inaudible clip only takes time.
        """
        clip = Clip(resample(np.frombuffer(pcm, "<i2"), pcm_rate, self.rate), 0, kind, audible)
        with self._lock:
            clip.start = self.position if at is None else max(at, self.position)
            self._clips.append(clip)
        return clip

    def place_row(self, row: list[tuple[bytes, int]]) -> None:
        """Place cues, each (PCM at the mixer's rate, frames after the next to be pulled), in one go: no pull
        comes between, so that their distances are exact."""
        clips = [Clip(np.frombuffer(pcm, "<i2"), offset, "cue") for pcm, offset in row]
        with self._lock:
            for clip in clips:
                clip.start = self.position + max(0, clip.start)
            self._clips += clips

    def fill(self, frames: int) -> np.ndarray:
        """The next `frames` samples, int16; louder than full scale is cut off."""
        total = np.zeros(frames, np.int32)
        over = []
        with self._lock:
            first, last = self.position, self.position + frames
            for clip in self._clips:
                a, b = max(first, clip.start), min(last, clip.end)
                if a < b and clip.audible:
                    total[a - first:b - first] += clip.samples[a - clip.start:b - clip.start]
                    self._sounded_until = self._clock() + (b - first) / self.rate
                if clip.end <= last:
                    over.append(clip)
            if over:
                self._clips = [c for c in self._clips if c not in over]
            self.position = last
            block = np.clip(total, -32768, 32767).astype(np.int16)
            self._kept[np.arange(first, last) % KEPT] = block
            self._pulled_at = self._clock()
        for clip in over:
            clip.over.set()
        return block

    def now(self) -> float:
        """The frame that would be pulled next if the device pulled frame by frame."""
        with self._lock:
            return self.position + min(self._clock() - self._pulled_at, LATEST_S) * self.rate

    def played(self, first: int, count: int) -> np.ndarray:
        """What was pulled, int16, from frame ``first`` on; zeros for what is to come."""
        with self._lock:
            block = self._kept[np.arange(first, first + count) % KEPT]
            block[max(0, self.position - first):] = 0
        return block

    def hush(self) -> None:
        """End all speech with a short fade; cues go on."""
        with self._lock:
            speech = [c for c in self._clips if c.kind == "speech"]
            for clip in speech:
                done = max(0, self.position - clip.start)
                tail = clip.samples[done:done + round(FADE_S * self.rate)] if done else clip.samples[:0]
                faded = tail * np.linspace(1, 0, len(tail), endpoint=False)
                clip.samples = np.concatenate([clip.samples[:done], faded.astype(np.int16)])
        for clip in speech:
            clip.over.set()

    def drop_cues(self) -> None:
        """Forget the cues that have not begun; the one that sounds ends as it is."""
        with self._lock:
            gone = [c for c in self._clips if c.kind == "cue" and c.start >= self.position]
            self._clips = [c for c in self._clips if c not in gone]
        for clip in gone:
            clip.over.set()

    def sounding_until(self) -> float:
        """Clock time until which pulled sound lasts; later than now when a clip is due in the next pull."""
        with self._lock:
            due = any(c.audible and c.start <= self.position < c.end for c in self._clips)
            return max(self._sounded_until, self._clock() if due else self._sounded_until)


def resample(samples: np.ndarray, rate_in: int, rate_out: int) -> np.ndarray:
    """int16 mono at another rate, length rounded to the nearest frame."""
    if rate_in == rate_out or not len(samples):
        return samples
    out = soxr.resample(samples.astype(np.float32), rate_in, rate_out)
    return np.clip(np.round(out), -32768, 32767).astype(np.int16)
