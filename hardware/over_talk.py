"""Hearing over the station's own talk: what the loudspeaker plays, laid beside what the microphone hears, and taken out of it.

Two devices have two clocks, and calls come late by some milliseconds, for seconds on end. So samples are counted, not timed.
Where the two sounds match best (a cross-correlation of their phases: C. Knapp and G. Carter, "The generalized correlation method
for estimation of time delay", IEEE Trans. ASSP 24 (1976), from memory) tells the way through both devices and the air, and, again
and again, how much faster one clock runs.
"""
from __future__ import annotations

from collections import deque
from collections.abc import Callable

import numpy as np

from hardware.echo import BLOCK, CLEAR_DB, FITS_DB, KEPT_S, RATE, Apart
from hardware.mixer import Mixer

MOST = 200e-6                      # clocks never differ by more
SLOPE_S, SLOPE = 10.0, 20          # from so much sound on it is known by how much they do; from so many places at most
STEP_S = 0.001                     # from one look to the next: no clock does that; some samples were lost
JUMP_S, JUMPS = 0.1, 10            # so many calls in a row so far off are no lateness: blocks were lost
LONGEST = round(0.6 * RATE)        # samples from being pulled to being heard
LOOK, EVERY_S, FITTING_S = 50, 0.6, 2.4            # so many blocks (1.5 s) are laid side by side, so often; while it fits, so often
PEAK = 8.0                         # times the correlation's own noise: they match
IN_VAIN = 15                       # looks that found no match: the microphone does not hear the loudspeaker, as in a headset
BEFORE = 80                        # samples left before the first sound of the filter: 5 ms
IMAGE, MISSED, MATCH = 0.25, 0.5, 0.8      # see OverTalk.apart
LEAST = 0.05                       # of the most that meets at any lag: where less does, as if it were so much
SHORTEST_S, ANSWER_S = 0.3, 5.0    # a word; the longest answer. Less of the station's own voice may match nothing by chance
TAPS, PHASES = 24, 64              # of the filter that takes sound between two frames


def _between(ratio: int) -> np.ndarray:
    """Windowed sines at ``PHASES`` places between two frames, cut off at the microphone's half rate; shape (PHASES, TAPS)."""
    at = np.arange(TAPS) - TAPS / 2 + 1 - np.arange(PHASES)[:, None] / PHASES
    taps = np.sinc(at / ratio) / ratio * np.cos(np.pi * at / (TAPS + 2)) ** 2
    return taps / taps.sum(1, keepdims=True)


def _bytes(sound: np.ndarray) -> bytes:
    return np.clip(np.round(sound * 32768), -32768, 32767).astype("<i2").tobytes()


class Follower:
    """Where each block of the microphone stands on the loudspeaker's line of frames. Times and places in seconds of it.

    Each block moves the place by its length and the ratio of the clocks, never by how late its call came. The ratio is the slope
    of a straight line through the places where blocks were really heard.
    """

    def __init__(self, length_s: float) -> None:
        self._length_s, self._off, self._at, self.ratio = length_s, 0, 0.0, 1.0
        self._place: float | None = None
        self._heard: deque[tuple[float, float]] = deque(maxlen=SLOPE)

    def place(self, stamp: float) -> float:
        """The place of a block's end that came as the loudspeaker stood at ``stamp``."""
        self._at += self._length_s
        place = stamp if self._place is None else self._place + self._length_s * self.ratio
        self._off = self._off + 1 if abs(stamp - place) > JUMP_S else 0
        if self._off >= JUMPS:
            place, self._off = stamp, 0
        self._place = place
        return place

    def heard(self, place: float) -> None:
        """The last block's end is what was played at ``place``, or always so much later."""
        if self._heard:
            at, before = self._heard[-1]
            if abs(place - before - (self._at - at) * self.ratio) > STEP_S:
                self._heard.clear()
        self._heard.append((self._at, place))
        at, places = np.array(self._heard).T
        if at[-1] - at[0] >= SLOPE_S:
            self.ratio = 1 + float(np.clip(np.polyfit(at - at[0], places - places[0], 1)[0] - 1, -MOST, MOST))


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
        self._kept: deque[tuple[float, np.ndarray, np.ndarray]] = deque(maxlen=round(KEPT_S * RATE / (2 * BLOCK)))
        """Where each block of the microphone stands, what was heard in it, what others said of that."""
        self.others = b""
        """The last block once more, turned down where nobody but the station spoke: where words begin and end is judged by it. They
        are understood from the other, which lacks no soft end of a word."""
        self.late_s: float | None = None
        """From a sample being pulled to its being heard; None: not known yet."""
        self._look_in_s, self._in_vain, self._last_s = EVERY_S, 0, -1.0

    def stamp(self) -> float:
        """Where the loudspeaker stands now, s."""
        return self._mixer.now() / self._mixer.rate

    def clean(self, pcm: bytes, stamp: float) -> bytes:
        """One block of the microphone (30 ms, 16-bit), that came whole at ``stamp``, without the station's voice."""
        heard = np.frombuffer(pcm, "<i2") / 32768
        place = self._follower.place(stamp)
        late = self.late_s or 0.0
        played = self._played(place - late, 2 * BLOCK) if self._audible() else np.zeros(2 * BLOCK)
        talking = None if self.late_s is not None else self._sounds()
        halves = [self._apart.block(played[at:at + BLOCK], heard[at:at + BLOCK], talking) for at in (0, BLOCK)]
        left, others = (np.concatenate(both) for both in zip(*halves, strict=True))
        self._kept.append((place, heard, others))
        self.others = _bytes(others)
        if played.any():
            self._look(2 * BLOCK / RATE)
        return _bytes(left)

    def apart(self, ago: int, length: int) -> bool | None:
        """Whether the ``length`` samples that began ``ago`` samples before now were said by somebody else than the station. None:
        the station said nothing meanwhile.

        They stand ``CLEAR_DB`` over what is usually left of so loud a talk, what was taken off was there and is no image of them,
        and they match nothing that was played, however late: that needs no knowledge of the room, and holds also where that is wrong.
        Its voice that a wrong filter bent was little like it (0.15) but sharply (8 and more); a short word may be like anything (0.2),
        never sharply (5): so it is the product that counts.
        """
        it = self._apart.stretch(ago, length)
        if not it.talked:
            return None
        if not (it.learned and it.missed <= MISSED or self._in_vain >= IN_VAIN and it.silent):
            return False
        if not SHORTEST_S <= length / RATE <= ANSWER_S or it.clear_db < CLEAR_DB or it.image > IMAGE:
            return False
        kept = list(self._kept)
        first = max(0, len(kept) - -(-ago // (2 * BLOCK)))
        piece = kept[first:first + max(1, length // (2 * BLOCK))]
        sharp, _, like = self._match(np.concatenate([others for _, _, others in piece]), piece[-1][0])
        return sharp * like < MATCH

    def _match(self, sound: np.ndarray, end_s: float) -> tuple[float, float, float]:
        """``sound``, which ends at ``end_s``, beside what was played. How sharply it matches where it fits best, times the noise of that
        correlation; how much earlier that was played, s; the largest correlation of the two, 0 to 1.

        By chance two sounds match the better the more of them meets: each lag is measured against the energy that meets there.
        Against all lags alike, the end of a sentence just before a word looked like it.
        """
        played = self._played(end_s, len(sound) + LONGEST)
        size = 1 << (len(sound) + len(played)).bit_length()
        hertz = np.fft.rfftfreq(size, 1 / RATE)
        speech = (hertz > 300) & (hertz < 4000)
        cross = np.fft.rfft(sound, size) * speech * np.conj(np.fft.rfft(played, size))

        def lags(spectrum: np.ndarray) -> np.ndarray:
            """Place 0: both end together; then ``sound`` a sample later each."""
            return np.roll(np.fft.irfft(spectrum, size), LONGEST)[:LONGEST + 1]
        power, before = (np.fft.irfft(np.fft.rfft(part, size) * speech, size)[:len(part)] ** 2 for part in (sound, played))
        meets = lags(np.fft.rfft(power, size) * np.conj(np.fft.rfft(before, size)))
        sharp = np.abs(lags(cross / (np.abs(cross) + 1e-9))) / np.sqrt(np.maximum(meets, LEAST * meets.max()) + 1e-18)
        energy = np.concatenate([[0.0], np.cumsum(before)])
        under = (energy[len(sound):] - energy[:-len(sound)])[::-1]
        like = np.abs(lags(cross)) / np.sqrt(power.sum() * np.maximum(under, LEAST * under.max()) + 1e-18)
        peak = int(sharp.argmax())
        return float(sharp[peak] / np.sqrt((sharp**2).mean() + 1e-18)), peak / RATE, float(like.max())

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
        """Now and then: where do they match?"""
        self._look_in_s -= seconds
        if self._look_in_s > 0 or len(self._kept) < LOOK:
            return
        fits = self.late_s is not None and self._apart.fits_db > FITS_DB
        self._look_in_s = FITTING_S if fits else EVERY_S
        blocks = list(self._kept)[-LOOK:]
        strength, after_s, _ = self._match(np.concatenate([heard for _, heard, _ in blocks]), blocks[-1][0])
        if strength < PEAK:
            self._in_vain += not fits
            return
        self._in_vain = 0
        again, self._last_s = abs(after_s - self._last_s) < 2 * STEP_S, after_s     # once may be somebody else's voice
        if not again:
            return
        self._follower.heard(blocks[-1][0] - after_s)
        late_s = max(0.0, after_s - BEFORE / RATE)
        if self.late_s is None or abs(late_s - self.late_s) > BEFORE / RATE:
            self.late_s = late_s
            self._apart.forget()
