"""Cuts a running microphone into utterances.

Time is counted in audio, never on a clock: a slow machine hears the same utterances as a quick one. The figures behind
the numbers here: ``python -m tests.bench.endpointing``.
"""
from __future__ import annotations

from collections import deque
from collections.abc import Sequence

import numpy as np

from models.level import FRAME, FRAME_S, HERTZ, db, spectra

END_S = 0.7
"""Silence that ends a reading: people pause up to half a second between digits, and the soft rim of a word (f, s, th) adds to
that in noise."""
SHORT_END_S = 0.4
"""Silence that ends a command or a yes / no: one breath, without a pause inside."""
BEFORE_S = 0.3
"""Kept from before the first loud moment: a soft f, s or th at the start."""
BANDS_HZ = (250, 700, 1500, 3000, 7000)
"""Edges of four bands, each judged against its own background: a voice stands clear in one where the engine does not. Below
250 Hz lies the engine."""
START_DB, STAY_DB = 7.0, 5.0
"""Over the background of a band: to begin an utterance, to go on with one."""
START, STAY = (6, 8), (5, 7)
"""So many loud frames of the last so many: a mallet's blow (up to 80 ms, 100 ms as measured) neither begins an utterance nor
prolongs it."""
LASTS_DB, LASTS_START, LASTS_STAY = 18.0, 5, 4
"""So many of those frames within so much of the loudest one: a voice stands, a blow dies away at once."""
RISING_FRAMES = 8
"""An utterance that may be going on again as its time runs out gets this long to show it."""
QUIETEST_DB = -72.0
"""Of a band: below this the background is the amplifier's, and nothing is measured against less."""


LONGEST_S = 10.0
"""After this an utterance is cut, whoever still speaks; no reading or command takes so long."""


def end_wait(kind: str) -> float:
    """Seconds of silence that end an utterance while this kind of answer (see Expect.kind) is expected."""
    return END_S if kind == "reading" else SHORT_END_S


def _frames(seconds: float) -> int:
    return round(seconds / FRAME_S)


def _standing(over: Sequence[float]) -> int:
    return sum(db > max(over) - LASTS_DB for db in over)


class Listener:
    """Feed it blocks of 16 kHz 16-bit mono sound of any size; it returns each utterance once it is over.

    The background of each band is the 20th percentile of the last five seconds, so that a mixer starting up is taken for
    the new background after a few seconds instead of being listened to for ever; so is everything after ``longest_s``.
    """

    def __init__(self, longest_s: float = LONGEST_S) -> None:
        self._longest = _frames(longest_s)
        self._edges = np.searchsorted(HERTZ, BANDS_HZ)
        self._levels = np.zeros((_frames(5.0), len(BANDS_HZ) - 1))
        self._count = 0
        self._floor = self._levels[0]
        self.reset()

    def reset(self) -> None:
        """Drop what is being listened to (the station itself starts to speak); the background stays."""
        self._rest = self._loud = b""
        self._last = np.zeros(FRAME, np.float32)
        self._before: deque[bytes] = deque(maxlen=_frames(BEFORE_S) + START[1])
        self._forget()

    def _forget(self) -> None:
        self._said: list[bytes] = []
        self._recent: deque[float] = deque(maxlen=START[1])
        self._quiet = 0
        self._gave = False

    @property
    def hearing(self) -> bool:
        """An utterance is under way."""
        return bool(self._said)

    def feed(self, block: bytes, end_s: float = END_S, judged: bytes | None = None) -> list[bytes]:
        """The utterances that ended in this block, each with 0.3 s before it and its closing silence of ``end_s``.

        judged  the same block, without what is nobody's utterance: where one begins and ends is told by it; None: by the block
        """
        sound, loud = self._rest + block, self._loud + (block if judged is None else judged)
        whole = len(sound) // (2 * FRAME) * 2 * FRAME
        self._rest, self._loud = sound[whole:], loud[whole:]
        frames = ((sound[at:at + 2 * FRAME], loud[at:at + 2 * FRAME]) for at in range(0, whole, 2 * FRAME))
        return [done for frame in frames if (done := self._frame(*frame, _frames(end_s))) is not None]

    def pausing(self, quiet_s: float) -> bytes | None:
        """The utterance under way, once in each of its pauses that has lasted ``quiet_s``: most likely it is over."""
        if not self._said or self._quiet < _frames(quiet_s):
            self._gave = False
        elif not self._gave:
            self._gave = True
            return b"".join(self._said)
        return None

    def flush(self) -> bytes | None:
        """The utterance under way when the sound stopped for good, if there is one."""
        return self._finish() if self._said else None

    def _frame(self, frame: bytes, judged: bytes, end: int) -> bytes | None:
        self._recent.append(self._over(np.frombuffer(judged, "<i2").astype(np.float32) / 32768))
        self._before.append(frame)
        if not self._said:
            loud = [db > START_DB for db in self._recent]
            if sum(loud) >= START[0] and _standing(self._recent) >= LASTS_START:
                first = len(loud) - loud.index(True)
                self._said = list(self._before)[-(first + _frames(BEFORE_S)):]
                self._quiet = 0
            return None
        self._said.append(frame)
        last = list(self._recent)[-STAY[1]:]
        loud = [db > STAY_DB for db in last]
        self._quiet = 0 if sum(loud) >= STAY[0] and _standing(last) >= LASTS_STAY else self._quiet + 1
        rising = sum(loud[-3:]) >= 2 and self._quiet < end + RISING_FRAMES
        if (self._quiet >= end and not rising) or len(self._said) >= self._longest:
            return self._finish()
        return None

    def _over(self, samples: np.ndarray) -> float:
        """How far this frame stands over the background, dB, in the band where it stands out most."""
        power = spectra(np.concatenate([self._last, samples]))[0]
        self._last = samples
        now = db(np.add.reduceat(power[:self._edges[-1]], self._edges[:-1]))
        self._levels[self._count % len(self._levels)] = now
        self._count += 1
        if self._count % 5 == 1:
            self._floor = np.maximum(np.percentile(self._levels[:self._count], 20, axis=0), QUIETEST_DB)
            if self._count < _frames(0.5):      # the first sound may be a voice: don't take it for the background
                self._floor = np.minimum(self._floor, -55.0)
        return float((now - self._floor).max())

    def _finish(self) -> bytes:
        said = b"".join(self._said)
        self._forget()
        return said
