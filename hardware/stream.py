"""Streams that pull a mixer: the sound device, silence in its place, a virtual one, and a tape for
rehearsals."""

from __future__ import annotations

import sys
import threading
import time
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np

from hardware import cues
from hardware.mixer import Mixer
from hardware.ports import Sound, Trouble
from hardware.sound_devices import LOST_AFTER_S, Kept, SoundError, close_stream, open_stream, reason

Pull = Callable[[int], np.ndarray]
LATENCY_S = 0.04           # asked of the device: a key's click and a hushed word wait this long
STEP_S = 0.02              # of the silent stream
SWITCH_S = 0.0005


class SoundStream:
    """The sound device, open and playing. SoundError when it cannot be had.

    device     PortAudio's name or number; None is the system's default
    """

    def __init__(self, pull: Pull, rate: int, device: str | int | None = None,
                 latency_s: float = LATENCY_S) -> None:
        # The callback needs Python's lock within LATENCY_S; busy threads hand it over every 5 ms by default.
        sys.setswitchinterval(min(sys.getswitchinterval(), SWITCH_S))
        self._pull = pull
        self._last_pull = time.monotonic()
        self.flows = False     # a first block was asked for
        self.underruns = 0     # blocks that came too late to be heard whole
        self._stream = open_stream(lambda sd: self._start(sd, rate, device, latency_s))
        self._last_pull = time.monotonic()     # PortAudio's start alone may take longer than LOST_AFTER_S
        self.latency_s = self._stream.latency

    def _start(self, sd, rate: int, device: str | int | None, latency_s: float):
        for channels in (1, 2):        # some cards play stereo only
            stream = None
            try:
                stream = sd.RawOutputStream(rate, 0, device, channels, "int16", latency_s, callback=(
                    lambda out, n, _t, status, c=channels: self._callback(out, n, c, status)))
                stream.start()
            except (sd.PortAudioError, ValueError, OSError) as e:
                problem = e
                if stream is not None:     # open, and would keep the device from the next try
                    stream.close()
            else:
                return stream
        raise SoundError(f"No loudspeaker can be opened ({reason(problem)}): connect one; text goes on.")

    def _callback(self, out, frames: int, channels: int, status) -> None:
        self._last_pull, self.flows = time.monotonic(), True
        self.underruns += bool(status.output_underflow)
        block = self._pull(frames)
        out[:] = (block if channels == 1 else np.repeat(block, channels)).tobytes()

    @property
    def alive(self) -> bool:
        return self._stream.active and time.monotonic() - self._last_pull < LOST_AFTER_S

    def close(self) -> None:
        close_stream(self._stream)


class SilentStream:
    """Pulls in real time and plays nothing, so that a test keeps its pace without a sound device."""

    latency_s = 0.0
    alive = True

    def __init__(self, pull: Pull, rate: int) -> None:
        self._pull, self._rate = pull, rate
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="silent-stream", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        begun, pulled = time.monotonic(), 0
        while not self._closing.wait(STEP_S):
            due = int((time.monotonic() - begun) * self._rate) - pulled
            pulled += due
            while due > 0:             # after a long stall not all at once: a minute would be some ten megabytes
                self._pull(min(due, self._rate // 10))
                due -= self._rate // 10

    def close(self) -> None:
        self._closing.set()
        if self._thread is not threading.current_thread():
            self._thread.join()


class OutputStream:
    """One mixer, always pulled: by the sound device while there is one, by silence while there is none.

    on_trouble   one sentence each time that the device is missing or lost
    """

    def __init__(self, mixer: Mixer, on_trouble: Trouble = lambda sentence: None,
                 device: str | int | None = None,
                 open_sound: Callable[[Pull, int], Sound] | None = None) -> None:
        self.mixer = mixer
        self._lock = threading.Lock()
        self._turn = 0
        self._sound: Sound | None = None
        self._silent: SilentStream | None = SilentStream(self._claim(), mixer.rate)
        opener = open_sound or (lambda pull, rate: SoundStream(pull, rate, device))
        self._kept = Kept(lambda: opener(self._next_claim(), mixer.rate), on_trouble, self._up, self._down,
                          "The loudspeaker is gone: the test goes on with text; connect it again.")

    @property
    def latency_s(self) -> float:
        return self._sound.latency_s if self._sound else 0.0

    @property
    def audible(self) -> bool:
        """True while a sound device plays."""
        return self._sound is not None

    @property
    def underruns(self) -> int:
        return getattr(self._sound, "underruns", 0)

    def close(self) -> None:
        self._kept.close()
        if self._silent:
            self._silent.close()

    def _claim(self, turn: int = 0) -> Pull:
        """A pull that moves the mixer on only while it is its turn: a device that wakes up late plays
        silence."""
        def pull(frames: int) -> np.ndarray:
            with self._lock:
                return self.mixer.fill(frames) if turn == self._turn else np.zeros(frames, np.int16)
        return pull

    def _next_claim(self) -> Pull:
        return self._claim(self._turn + 1)

    def _up(self, sound: Sound) -> None:
        self._sound = sound
        with self._lock:
            self._turn += 1
        if self._silent:
            self._silent.close()
        self._silent = None

    def _down(self) -> None:
        with self._lock:
            self._turn += 1
        self._silent = SilentStream(self._claim(self._turn), self.mixer.rate)
        self._sound = None


class OfflineStream:
    """Pulls on a virtual timeline: `advance_to(t)` seconds; keeps all that would have been heard."""

    latency_s, audible = 0.0, True

    def __init__(self, mixer: Mixer, block: int = 480) -> None:
        self.mixer, self._block = mixer, block
        self._parts: list[np.ndarray] = []

    def advance_to(self, t: float) -> None:
        target = round(t * self.mixer.rate)
        while self.mixer.position < target:
            self._parts.append(self.mixer.fill(min(self._block, target - self.mixer.position)))

    @property
    def samples(self) -> np.ndarray:
        return np.concatenate([np.zeros(0, np.int16), *self._parts])

    def save(self, path: str | Path) -> None:
        write_wav(path, self.samples, self.mixer.rate)

    def close(self) -> None:
        pass


class Tape:
    """A whole rehearsal as a WAV: 22,050 Hz mono. Places may come in any order and overlap."""

    RATE = cues.RATE

    def __init__(self) -> None:
        self._mixer = Mixer(self.RATE)
        self._end = 0

    def place(self, pcm: bytes, at_s: float, rate: int = RATE) -> None:
        """16-bit mono PCM with its first sample at `at_s` seconds."""
        clip = self._mixer.place(pcm, rate, "speech", round(at_s * self.RATE))
        self._end = max(self._end, clip.end)

    def place_cue(self, name: str, at_s: float) -> None:
        self.place(cues.render(name), at_s)

    def save(self, path: str | Path) -> None:
        """Writes what was placed; the tape is empty afterwards."""
        write_wav(path, self._mixer.fill(self._end - self._mixer.position), self.RATE)


def write_wav(path: str | Path, samples: np.ndarray, rate: int) -> None:
    """16-bit mono WAV."""
    with open(path, "wb") as file, wave.open(file, "wb") as out:  # a path that wave itself can't open leaves a traceback
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes(samples.astype("<i2").tobytes())

