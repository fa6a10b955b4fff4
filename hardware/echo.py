"""The station's own voice taken out of what its microphone hears, so that a person can be heard over it.

What is played is known to the sample. What the microphone hears of it is that sound through a room: a filter of some tenths of
a second, which is learned while the station talks and taken off. The learning is a Kalman filter on each frequency of
partitioned blocks: how far the filter is still off against how loud everything else is says how much to learn from a block, so
that a person who speaks teaches it nothing wrong. After G. Enzner and P. Vary, "Frequency-domain adaptive Kalman filter for
acoustic echo control in hands-free telephones", Signal Processing 86 (2006), and F. Kuech, E. Mabande and G. Enzner,
"State-space architecture of the partitioned-block-based acoustic echo controller", ICASSP 2014; the formulas from memory.

What no filter takes off (a loudspeaker that bends, a room that changes) is known by how much is usually left of so loud a
talk, and it is never trusted to be less than a little. Only what stands clear of that was said by somebody else, and only if
what was taken off was really there: a filter that does not fit any more adds to the sound what it means to take off.
"""
from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

RATE = 16000
BLOCK = 240                # samples: half a block of the microphone, 15 ms
PARTS = 16                 # blocks of echo: 0.24 s
KEEPS = 0.999              # of the filter from one block to the next: the room changes
ROOM_S = 0.3               # in which an echo falls by 60 dB, before anything is learned
HERTZ = (250, 700, 1500, 3000, 7000)       # edges of the bands in which what is left is judged: those of the listener
FADES_DB = 0.7             # a block that what was played still counts for: a hall's echo after the filter's end
LEFT_DB = 20.0             # of what was played, is left: before anything is known
LEAST_DB = -24.0           # of what was taken off, is thought to be left at least
STEP_DB, FIRST_S = 0.05, 10.0              # a block that the knowledge of it moves; five times that for the first seconds of talk
CLEAR_DB = 14.0            # over what is usually left of so loud a talk and over the noise: somebody else
QUIET_DB, HEARD_DB = -90.0, -45.0          # played below this: nothing; nothing that an answer could be taken for
RISE_DB = 3.0              # over the noise, usually, while the station talks: its voice is not heard
FITS_DB = 4.0              # taken off: what is laid side by side fits
KEPT_S = 12.0              # how far back `apart` can look; no utterance is longer


class Canceller:
    """``block(played, heard)`` gives what is left of ``heard`` and what was taken off. Samples in -1..1, BLOCK each."""

    def __init__(self) -> None:
        bins = BLOCK + 1
        off = 10 ** (-6 * np.arange(PARTS) * BLOCK / RATE / ROOM_S)
        self._first_off = np.maximum(off, 1e-4)[:, None] * np.ones(bins)
        self.played = np.zeros((PARTS, bins), complex)
        self._last = np.zeros(BLOCK)
        self._silent = PARTS               # blocks
        self.forget()

    def forget(self) -> None:
        """The room is another one."""
        self._filter = np.zeros_like(self.played)
        self._off = self._first_off.copy()
        self._rest = np.ones(BLOCK + 1)    # power of what is no echo

    def block(self, played: np.ndarray, heard: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        self._silent = 0 if played.any() else self._silent + 1
        if self._silent > PARTS + 1:       # nothing to take off, and nothing to learn
            return heard, np.zeros(BLOCK)
        self.played[1:] = self.played[:-1]
        self.played[0] = np.fft.rfft(np.concatenate([self._last, played]))
        self._last = played
        echo = np.fft.irfft((self.played * self._filter).sum(0))[BLOCK:]
        left = heard - echo
        error = np.fft.rfft(np.concatenate([np.zeros(BLOCK), left]))
        self._rest = 0.9 * self._rest + 0.1 * np.abs(error) ** 2
        power = np.abs(self.played) ** 2
        gain = self._off * np.conj(self.played) / (0.5 * (power * self._off).sum(0) + self._rest + 1e-9)
        step = np.fft.irfft(gain * error, axis=1)
        step[:, BLOCK:] = 0
        drift = (1 - KEEPS**2) * np.abs(self._filter) ** 2
        self._filter = KEEPS * (self._filter + np.fft.rfft(step, axis=1))
        self._off = KEEPS**2 * np.maximum(1 - 0.5 * (gain * self.played).real, 0) * self._off + drift + 1e-9
        return left, echo


_WINDOW = np.hanning(2 * BLOCK + 1)[:-1]
_EDGES = np.searchsorted(np.fft.rfftfreq(2 * BLOCK, 1 / RATE), HERTZ)
_SCALE = 2 / (2 * BLOCK * (_WINDOW**2).sum())


def _bands(spectrum: np.ndarray) -> np.ndarray:
    return np.add.reduceat(np.abs(spectrum[:_EDGES[-1]]) ** 2, _EDGES[:-1]) * _SCALE + 1e-12


Seen = tuple[float, float, np.ndarray, bool, bool, bool]
"""Of a block: power of what is left, what is usually left, its products with what was taken off; see Stretch."""


@dataclass(frozen=True)
class Stretch:
    clear_db: float
    """It stands so far over what is usually left of so loud a talk and over the noise."""
    image: float
    """How like what is left is to what was taken off: the correlation of the two, 0 to 1."""
    missed: float
    """How much of what was taken off was not there, or was there besides: 0 fits, 1 is all of it. Of next to nothing, nothing."""
    talked: bool
    """The station talked meanwhile."""
    learned: bool
    """As it began, the room was known from enough talk, and what was taken off fitted."""
    silent: bool
    """As it began, usually no more was heard while the station talked than while it was silent."""


class Apart:
    """Takes the station's voice off, and tells of a stretch of it whether it stood apart from the station's voice."""

    def __init__(self) -> None:
        self.canceller = Canceller()
        self._left = self._echo = np.zeros(BLOCK)
        self.floor_db = np.full(len(HERTZ) - 1, -60.0)
        self._loud = np.zeros(len(HERTZ) - 1)
        self._seen: deque[Seen] = deque(maxlen=round(KEPT_S * RATE / BLOCK))
        self.forget()

    def forget(self) -> None:
        """Nothing is known of the room any more."""
        self.canceller.forget()
        self.leak_db = np.full(len(HERTZ) - 1, LEFT_DB)
        self.fits_db = 0.0
        """About how much of the station's voice is taken off."""
        self._talked, self._rise_db = 0, LEFT_DB

    def block(self, played: np.ndarray, heard: np.ndarray, talking: bool | None = None) -> tuple[np.ndarray, np.ndarray]:
        """What is left of ``heard``, and the same turned down where nobody but the station spoke.

        talking   whether the station sounds, while it is not known where ``played`` belongs; None: ``played`` tells
        """
        left, echo = self.canceller.block(played, heard)
        there, off = (_bands(np.fft.rfft(np.concatenate(both) * _WINDOW)) for both in ((self._left, left), (self._echo, echo)))
        self._left, self._echo = left, echo
        self._loud = np.maximum(_bands(self.canceller.played[0]) / 2, self._loud * 10 ** (-FADES_DB / 10))
        talks = self._loud > 10 ** (QUIET_DB / 10)
        there_db, loud_db = 10 * np.log10(there), 10 * np.log10(self._loud + 1e-12)
        usual = np.maximum(10 ** ((self.leak_db + loud_db) / 10) * talks, 10 ** (LEAST_DB / 10) * off)
        floor = 10 ** (self.floor_db / 10)
        passes = not talks.any() or bool((there > 10 ** (CLEAR_DB / 10) * (usual + floor)).any())
        if talks.any():
            self._talked += 1
            gone_db = 10 * np.log10((float(heard @ heard) + 1e-9) / (float(left @ left) + 1e-9))
            self.fits_db += 0.2 * float(np.sign(gone_db - self.fits_db))
            self._rise_db += 0.2 * float(np.sign(10 * np.log10(there.sum() / floor.sum()) - self._rise_db))
            step = STEP_DB * (5 if self._talked * BLOCK < FIRST_S * RATE else 1)
            self.leak_db += np.where(talks & (usual > floor / 10), step * np.sign(there_db - loud_db - self.leak_db), 0)
        else:
            self.floor_db += np.where(there_db > self.floor_db, 0.1, -0.4)
        talked = bool((self._loud > 10 ** (HEARD_DB / 10)).any()) if talking is None else talking
        learned = talking is None and self._talked * BLOCK >= FIRST_S * RATE and self.fits_db > FITS_DB
        products = np.array([left @ echo, left @ left, echo @ echo])
        self._seen.append((float(there.sum()), float((usual + floor).sum()), products, talked, learned, self._rise_db < RISE_DB))
        return left, left if passes else left * min(1.0, np.sqrt(floor.sum() / there.sum()))

    def stretch(self, ago: int, length: int) -> Stretch:
        """Of the ``length`` samples that began ``ago`` samples before now."""
        blocks = list(self._seen)
        first = max(0, len(blocks) - -(-ago // BLOCK))
        there, usual, products, talked, learned, silent = zip(*blocks[first:first + max(1, length // BLOCK)], strict=True)
        shared, left, echo = abs(sum(products)) + 1e-9
        return Stretch(10 * np.log10(sum(there) / sum(usual)), shared / np.sqrt(left * echo), shared / (echo + left / 100), any(talked),
                       learned[0], silent[0])
