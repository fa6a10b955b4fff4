"""Does the gauge stand still, and at what value? Pure: samples in, with their times; nothing is measured here.

A gauge is steady when, over the last WINDOW_S seconds without a gap (longer where there are fewer than LEAST samples, or where
so few of this gauge's noise leave their middle less sure than KNOWN_PSI),

    its highest and lowest sample are at most SPAN_PSI apart, or NOISES times this gauge's noise if that is more,
    and the mean of the second half is at most DRIFT_PSI from the mean of the first, or two errors of that difference.

A gauge that would need more than LONGEST_S, or whose samples span more than MOST_PSI, is never steady.

The noise is learned from the samples themselves, in blocks of BLOCK: the smaller 70 % of |x(n) - 2 x(n-1) + x(n-2)| have a mean
of 0.474 sqrt(6) standard deviations for normal noise. A straight ramp (bleeding, a leak) cancels out of it, a torn frame is among
the largest, and unlike a median it does not jump where the gauge shows whole hundredths. Of the last BLOCKS the quietest quarter
counts, so that minutes of pumping don't pass for noise. (Derived; the sizes are ours, no source.) All pressures are psi, times
are seconds on any one clock.
"""
from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from math import ceil, sqrt
from statistics import fmean as mean
from statistics import median

WINDOW_S = 2.0
LEAST = 5
"""Samples; a slow gauge's window is longer."""
KNOWN_PSI = 0.004
"""Standard error of the middle: well below the last place of the reading."""
LONGEST_S = 8.0
STALE_S = 1.5
"""A gap so long ends what was gathered: nobody knows what the gauge did meanwhile."""
SPAN_PSI = 0.02
NOISES = 7.0
MOST_PSI = 0.15
DRIFT_PSI = 0.008
BLOCK, BLOCKS = 15, 40
_SMALLER = 0.7
_PER_SIGMA = 0.4738 * sqrt(6)
_MEDIAN_ERROR = 1.2533
"""Standard error of a median is so many times that of a mean (normal noise)."""


@dataclass(frozen=True)
class Still:
    """The gauge stands still."""
    value: Decimal
    """The median of the window, rounded half-even to the places asked for."""
    spread: Decimal
    """Half of highest less lowest, rounded up to 0.001."""
    since: float
    """Time of the window's oldest sample."""
    at: float
    """Time of its newest."""


class Steady:
    """Feed every sample to ``take``; ask ``still``. Memory is bounded whatever comes."""

    def __init__(self) -> None:
        self._samples: deque[tuple[float, Decimal]] = deque(maxlen=400)
        self._bends: list[float] = []
        self._noises: deque[float] = deque(maxlen=BLOCKS)

    def take(self, at: float, psi: Decimal) -> None:
        """One sample. One that is older than the last, or no number, is not used."""
        if not psi.is_finite() or self._samples and at <= self._samples[-1][0]:
            return
        if self._samples and at - self._samples[-1][0] > STALE_S:
            self._samples.clear()
        self._samples.append((at, psi))
        while len(self._samples) > LEAST and self._samples[0][0] < at - LONGEST_S:
            self._samples.popleft()
        if len(self._samples) >= 3:
            a, b, c = (float(self._samples[n][1]) for n in (-3, -2, -1))
            self._bends.append(abs(a - 2 * b + c))
        if len(self._bends) == BLOCK:
            self._noises.append(mean(sorted(self._bends)[:int(_SMALLER * BLOCK)]) / _PER_SIGMA)
            self._bends = []

    def forget(self) -> None:
        """The gauge was lost: what it showed counts no more. Its noise stays known."""
        self._samples.clear()

    def noise(self) -> float:
        """Standard deviation of one sample, psi; 0 while too few came, or where the gauge's own steps are wider."""
        return sorted(self._noises)[len(self._noises) // 4] if self._noises else 0.0

    def still(self, now: float, places: int = 2) -> Still | None:
        """Where the gauge stands still at ``now``; None while it moves, or when its last sample is stale."""
        if not self._samples or now - self._samples[-1][0] > STALE_S:
            return None
        window = self._window()
        if window is None:
            return None
        values = [psi for _, psi in window]
        span, noise = float(max(values) - min(values)), self.noise()
        if span > min(MOST_PSI, max(SPAN_PSI, NOISES * noise)) + 1e-9:
            return None
        half = len(values) // 2
        drift = abs(float(sum(values[-half:]) - sum(values[:half]))) / half
        if drift > max(DRIFT_PSI, 2 * noise * sqrt(2 / half)) + 1e-9:
            return None
        spread = (max(values) - min(values)) / 2
        return Still(median(values).quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN),
                     spread.quantize(Decimal("0.001"), rounding="ROUND_UP"), window[0][0], window[-1][0])

    def latest(self, now: float, many: int = 3) -> Decimal | None:
        """The middle of the last few samples: what the gauge shows now; None when that is stale."""
        if not self._samples or now - self._samples[-1][0] > STALE_S:
            return None
        return median(psi for _, psi in list(self._samples)[-many:])

    def _window(self) -> list[tuple[float, Decimal]] | None:
        """The newest samples that reach back far enough and are enough; None while there are not so many."""
        needed = max(LEAST, ceil((_MEDIAN_ERROR * self.noise() / KNOWN_PSI) ** 2))
        newest, found = self._samples[-1][0], []
        for sample in reversed(self._samples):
            found.append(sample)
            if newest - sample[0] >= WINDOW_S and len(found) >= needed:
                return found[::-1]
        return None
