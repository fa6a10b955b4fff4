"""Hearing over the station's own talk: what the loudspeaker plays, laid beside what the microphone hears, and taken out of it.

Two devices have two clocks, and calls come late by some milliseconds. So samples are counted, not timed: only how much faster
one clock runs is learned from the times of many calls, by a line of least squares. The constant rest, the way through both
devices and the air, is where the two sounds match best (a cross-correlation of their phases: C. Knapp and G. Carter, "The
generalized correlation method for estimation of time delay", IEEE Trans. ASSP 24 (1976), from memory).
"""
from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np

from hardware.echo import BLOCK, RATE, Apart
from hardware.mixer import Mixer

USUAL, MOST = 50e-6, 200e-6        # clocks differ by so much, and never by more
ALIKE = 20.0                       # so many calls in a row are late for one reason
JUMP_S, JUMPS = 0.04, 10           # so many calls in a row so far off are no lateness: blocks were lost
LONGEST_S = 0.6                    # from a sample being pulled to its being heard
LOOK_S, EVERY_S = 1.5, 0.6         # so much sound is laid side by side, so often while nothing fits
PEAK = 8.0                         # times the correlation's own noise: they match
IN_VAIN = 15                       # looks that found no match: the microphone does not hear the loudspeaker, as in a headset
BEFORE = 80                        # samples left before the first sound of the filter: 5 ms
FITS_DB = 4.0                      # taken off: what is laid side by side fits
CLEAR_DB, IMAGE = 12.0, 0.15       # see OverTalk.apart
TAPS, PHASES = 24, 64              # of the filter that takes sound between two frames


def _between(ratio: int) -> np.ndarray:
    """Windowed sines at ``PHASES`` places between two frames, cut off at the microphone's half rate; shape (PHASES, TAPS)."""
    at = np.arange(TAPS) - TAPS / 2 + 1 - np.arange(PHASES)[:, None] / PHASES
    taps = np.sinc(at / ratio) / ratio * np.cos(np.pi * at / (TAPS + 2)) ** 2
    return taps / taps.sum(1, keepdims=True)


class Follower:
    """Where each block of the microphone stands on the loudspeaker's line of frames. Times and places in seconds of it.

    Each block moves the place by its length and the ratio of the clocks, never by how late its call came. The ratio is the slope
    of a straight line through all calls, as far as it is surer than what two clocks usually are apart.
    """

    def __init__(self, length_s: float) -> None:
        self._length_s, self._off, self.ratio = length_s, 0, 1.0
        self._place: float | None = None
        self._begin, self._count, self._sums = 0.0, 0, np.zeros(6)

    def place(self, stamp: float) -> float:
        """The place of a block's end that came as the loudspeaker stood at ``stamp``."""
        place = stamp if self._place is None else self._place + self._length_s * self.ratio
        self._off = self._off + 1 if abs(stamp - place) > JUMP_S else 0
        if self._place is None or self._off >= JUMPS:
            place, self._off = stamp, 0
            self._begin, self._count, self._sums = stamp, 0, np.zeros(6)
        self._count += 1
        at = self._count * self._length_s
        late = stamp - self._begin - at
        self._sums += np.array([1, at, at * at, late, late * at, late * late])
        if self._count % 100 == 0:
            count, t, tt, y, ty, yy = self._sums
            spread = tt - t * t / count
            slope = (ty - t * y / count) / spread
            error2 = ALIKE * max(0.0, (yy - y * y / count - slope**2 * spread) / count) / spread
            self.ratio = 1 + float(np.clip(slope * USUAL**2 / (USUAL**2 + error2), -MOST, MOST))
        self._place = place
        return place


class OverTalk:
    """``stamp`` as a block arrives, in any thread; the rest in the thread that listens.

    mixer    the loudspeaker's
    audible  whether a loudspeaker plays
    sounds   whether the microphone may hear it now, by the devices' own account: counts until it is known when it does
    """

    def __init__(self, mixer: Mixer, audible: Callable[[], bool] = lambda: True,
                 sounds: Callable[[], bool] = lambda: True) -> None:
        self._audible, self._sounds = audible, sounds
        self._mixer, self._apart, self._follower = mixer, Apart(), Follower(2 * BLOCK / RATE)
        self._between = _between(mixer.rate // RATE)
        self._recent: deque[tuple[float, np.ndarray]] = deque(maxlen=round(LOOK_S * RATE / (2 * BLOCK)))
        self.late_s: float | None = None
        """From a sample being pulled to its being heard; None: not known yet."""
        self._look_in_s, self._in_vain, self._found = EVERY_S, 0, -1.0

    def stamp(self) -> float:
        """Where the loudspeaker stands now, s."""
        return self._mixer.now() / self._mixer.rate

    def clean(self, pcm: bytes, stamp: float) -> bytes:
        """One block of the microphone (30 ms, 16-bit), that came whole at ``stamp``, without the station's voice."""
        heard = np.frombuffer(pcm, "<i2") / 32768
        place = self._follower.place(stamp)
        self._recent.append((place, heard))
        late = self.late_s or 0.0
        played = self._played(place - late, 2 * BLOCK) if self._audible() else np.zeros(2 * BLOCK)
        if played.any():
            self._look(2 * BLOCK / RATE)
        talking = None if self.late_s is not None else self._sounds()
        left = np.concatenate([self._apart.block(played[at:at + BLOCK], heard[at:at + BLOCK], talking) for at in (0, BLOCK)])
        return np.clip(np.round(left * 32768), -32768, 32767).astype("<i2").tobytes()

    def apart(self, ago: int, length: int) -> bool | None:
        """Whether the ``length`` samples that began ``ago`` samples before now were said by somebody else than the station. None:
        the station said nothing meanwhile.

        They stand ``CLEAR_DB`` over what is usually left of so loud a talk, and are no image of what was taken off.
        """
        it = self._apart.stretch(ago, length)
        if not it.talked:
            return None
        return (it.known or self._in_vain >= IN_VAIN and it.silent) and it.clear_db >= CLEAR_DB and it.image <= IMAGE

    def _played(self, end_s: float, count: int) -> np.ndarray:
        """The ``count`` samples that end at ``end_s`` on the loudspeaker's line, at RATE, -1..1."""
        rate = self._mixer.rate
        places = (end_s + (np.arange(count) - count) / RATE * self._follower.ratio) * rate
        whole = np.floor(places).astype(int)
        first = int(whole[0]) - TAPS // 2 + 1
        frames = self._mixer.played(first, int(whole[-1]) - first + TAPS // 2 + 1)
        if not frames.any():
            return np.zeros(count)
        rows = np.lib.stride_tricks.sliding_window_view(frames, TAPS)[whole - whole[0]]
        return np.einsum("ij,ij->i", rows, self._between[((places - whole) * PHASES).astype(int)]) / 32768

    def _look(self, seconds: float) -> None:
        """While nothing fits: where do they match?"""
        self._look_in_s -= seconds
        if self._look_in_s > 0 or len(self._recent) * 2 * BLOCK < (LOOK_S - 0.05) * RATE or self._apart.fits_db > FITS_DB:
            return
        self._look_in_s = EVERY_S
        heard = np.concatenate([block for _, block in self._recent])
        longest = round(LONGEST_S * RATE)
        played = self._played(self._recent[-1][0], len(heard) + longest)
        size = 1 << (len(heard) + len(played)).bit_length()
        cross = np.fft.rfft(heard, size) * np.conj(np.fft.rfft(played, size))
        hertz = np.fft.rfftfreq(size, 1 / RATE)
        cross *= ((hertz > 300) & (hertz < 4000)) / (np.abs(cross) + 1e-9)
        match = np.abs(np.fft.irfft(cross, size))
        late = np.roll(match, longest)[:longest + 1]       # place 0: both end together
        peak = int(late.argmax())
        if late[peak] < PEAK * np.sqrt((late**2).mean()):
            self._in_vain += 1
            return
        self._in_vain = 0
        found = max(0, peak - BEFORE) / RATE
        again, self._found = abs(found - self._found) < 0.002, found     # once may be somebody else's voice
        if again and (self.late_s is None or abs(found - self.late_s) > BEFORE / RATE):
            self.late_s = found
            self._apart.forget()
