"""The leak hold as a curve: how much of what a chamber loses is a leak, and how much is warm air cooling.

A leak through a small hole at these pressures is choked: it takes air in proportion to the absolute pressure, which over five
minutes is a straight line to within 0.001 psi at 0.1 psi a minute. Freshly pumped air is warm, and its pressure comes down
exponentially to that of the meter, 0.21 psi a degree C near 46 psi. So, in gauge psi, s since the hold began,

    p(t) = p0 - leak t + cooling exp(-t / tau),

fitted by least squares: p0, leak and cooling exactly, for each of many tau from 2 to 180 s. (Derived; checked against scipy,
CoolProp and an integrated orifice in tests/outside/.) Errors are profile likelihood: every tau that the readings allow is
counted, so what cooling could hide makes the error of the leak wide. They grow where readings next to each other err alike.

It explains a verdict and never gives one: that stays with the method's two readings. It knows one leak, one cooling and a steady
drift of temperature; sun that comes out in the middle of a hold is none of these. Sums of noisy samples are done in float, since
they are estimates; what comes out is Decimal, rounded well below its error.
"""
from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import exp, sqrt
from statistics import median

from assistant.core.language import sentence

Curve = Sequence[tuple[float, Decimal]]
"""(s since the hold began, gauge psi), in any order; gaps are allowed."""

TIGHT, LEAKING, COOLING, WARMING, UNCLEAR = "tight", "leaking", "cooling", "warming", "unclear"
ALLOWED_PSI_PER_MIN = Decimal("0.024")
"""A leak that loses just what is allowed: 0.12 psi in five minutes (common practice, no source)."""
PSI_PER_C = Decimal("0.21")
"""What the air of a closed chamber at 46 psi gauge loses a degree C at 20 C: absolute pressure / temperature (derived)."""

LEAST_POINTS, LEAST_S = 30, 60.0
_SECONDS = 60.0        # in a minute
_TAU_S = (2.0, 180.0)
_SEEN_PSI = 0.02       # two of the gauge's steps: less over a hold is not worth a word
_ROUNDING_PSI = 0.003  # standard deviation of rounding to 0.01: 0.01 / sqrt(12)
_SPIKE_PSI = 0.25      # a single reading so far from its neighbours is a torn frame, no pressure
_TOLD = 0.001
"""psi a minute: the least that is told; "no leak above 0.000" would say nothing."""
_CURVED = 12.0         # chi-square that cooling must save before it is believed: 0.25 % for two numbers, searched for
_SURE = 4.0            # standard errors before a hold is given up
_AROUND = 16           # values of tau tried at once


@dataclass(frozen=True)
class LeakCurve:
    """What a hold's readings say. Errors are one standard error."""
    leak_psi_per_min: Decimal
    """Of the straight line: more than 0 loses air; below 0 something warms it."""
    leak_error: Decimal
    cooling_psi: Decimal
    """Still to be lost to cooling when the hold began; below 0: to be gained from warming. 0: none shows."""
    cooling_s: Decimal
    """Its time constant; 0 where none shows."""
    noise_psi: Decimal
    """Standard deviation of one reading about the curve."""
    kind: str
    """tight, leaking, cooling, warming or unclear."""
    words: str
    """The kind as one sentence."""
    start_psi: Decimal = Decimal(0)
    """The curve at the beginning of the hold, gauge psi."""

    def at(self, s: float) -> float:
        """The fitted pressure, gauge psi, ``s`` seconds into the hold."""
        gone = 1 - exp(-s / float(self.cooling_s)) if self.cooling_s else 0.0
        return float(self.start_psi) - float(self.leak_psi_per_min) * s / _SECONDS - float(self.cooling_psi) * gone


@dataclass(frozen=True)
class _Line:
    """The best fit for one tau. ``numbers``: p0, leak a minute, cooling; ``spread``: their covariance for a noise of 1."""
    tau: float
    numbers: list[float]
    spread: list[list[float]]
    squares: float

    def bent(self, s: float) -> float:
        return exp(-s / self.tau)


@dataclass(frozen=True)
class _Family:
    """All fits that the readings allow, the best one, and the noise."""
    lines: list[_Line]
    best: _Line
    noise: float
    """Standard deviation of a reading."""
    variance: float
    """Of a reading, as it counts for errors: more where neighbours err alike."""
    allowed: float
    """Sum of squares over the best one's that is still believed."""

    def range_of(self, weights: Callable[[_Line], Sequence[float]]) -> tuple[float, float]:
        """From least to most that a weighted sum of the three numbers may be."""
        ends: list[float] = []
        for line in self.lines:
            w = weights(line)
            value = sum(a * b for a, b in zip(w, line.numbers))
            spread = sum(w[i] * line.spread[i][j] * w[j] for i in range(3) for j in range(3))
            half = sqrt(max(0.0, (self.allowed - (line.squares - self.best.squares)) * spread))
            ends += [value - half, value + half]
        return min(ends), max(ends)


def fit(curve: Curve, allowed_psi_per_min: Decimal = ALLOWED_PSI_PER_MIN) -> LeakCurve | None:
    """The leak and the cooling of a hold; None for fewer than 30 readings or less than a minute of them.

    ``allowed_psi_per_min`` (psi a minute, more than 0) is the leak that would just pass: "leaking" is more than that and
    "tight" and "cooling" are less, by two standard errors each.
    """
    points = _usable(curve)
    if len(points) < LEAST_POINTS or points[-1][0] - points[0][0] < LEAST_S:
        return None
    family = _fits(points, 1.0)
    if family is None:
        return None
    low, high = family.range_of(lambda line: (0.0, 1.0, 0.0))
    start, leak, cooling = family.best.numbers
    tau, base = family.best.tau, points[0][1]
    straight = _straight(points)
    if straight[2] - family.best.squares <= _CURVED * family.variance:
        (start, leak), cooling, tau = straight[:2], 0.0, 0.0
    error = max(high - leak, leak - low)
    minutes = (points[-1][0] - points[0][0]) / _SECONDS
    cooled = cooling * (exp(-points[0][0] / tau) - exp(-points[-1][0] / tau)) if tau else 0.0
    kind = _kind(leak, error, cooled, float(allowed_psi_per_min), minutes)
    words = sentence(f"leak_curve.{kind}", leak=_decimal(leak, 3), least=_decimal(max(0.0, leak - 2 * error), 3),
                     most=_decimal(max(_TOLD, leak + 2 * error), 3), cooling=_decimal(cooled, 2))
    return LeakCurve(_decimal(leak, 5), _decimal(error, 5), _decimal(cooling, 4), _decimal(tau, 1), _decimal(family.noise, 4),
                     kind, words, _decimal(base + start + cooling, 4))


def cannot_pass(curve: Curve, hold_s: Decimal, limit_psi: Decimal, first_psi: Decimal | None = None) -> bool:
    """Whether the last reading must be more than ``limit_psi`` below the first, whatever is left of the hold.

    True only when every leak and cooling that the readings so far allow, by four standard errors, ends too low, and the gauge's
    noise can't mend it. ``first_psi`` is the reading that was taken; without it the least of the first three counts.
    It can't foresee that the meter will be warmed later.
    """
    points = _usable(curve)
    if len(points) < LEAST_POINTS or not limit_psi.is_finite():
        return False
    first = min(psi for _, psi in points[:3]) if first_psi is None else float(first_psi)
    if first - median(psi for _, psi in points[-5:]) < float(limit_psi) / 4:
        return False  # so little lost yet is never enough to be sure, and quickly told
    family = _fits(points, _SURE ** 2)
    if family is None:
        return False
    end = float(hold_s)
    _, most = family.range_of(lambda line: (1.0, -end / _SECONDS, line.bent(end)))
    most += points[0][1] + 3 * family.noise
    return first - most > float(limit_psi) + 0.005  # half a step of the gauge: a drop is compared after rounding


def _kind(leak: float, error: float, cooled: float, allowed: float, minutes: float) -> str:
    if leak - 2 * error > allowed:
        return LEAKING
    if cooled <= -_SEEN_PSI or leak + 2 * error < -_SEEN_PSI / minutes:
        return WARMING
    if leak + 2 * error < allowed:
        return COOLING if cooled >= _SEEN_PSI else TIGHT
    return UNCLEAR


def _usable(curve: Curve) -> list[tuple[float, float]]:
    """In order of time, without what is no number and without single readings far from their neighbours."""
    points = sorted((float(s), float(psi)) for s, psi in curve if psi.is_finite() and abs(s) < float("inf"))
    kept = []
    for n, (s, psi) in enumerate(points):
        begin = max(0, min(n - 2, len(points) - 5))
        if abs(psi - median(one for _, one in points[begin:begin + 5])) <= _SPIKE_PSI:
            kept.append((s, psi))
    return kept


def _fits(points: list[tuple[float, float]], chi_square: float) -> _Family | None:
    """Every tau whose fit is within ``chi_square`` of the best one's: looked for ever closer until several are inside."""
    low, high = _TAU_S
    sums = _Sums(points)
    for _ in range(8):
        lines = [line for n in range(_AROUND) if (line := _bent(sums, low * (high / low) ** (n / (_AROUND - 1))))]
        if len(lines) < 3:
            return None
        best = min(lines, key=lambda line: line.squares)
        noise, variance = _noise(points, best)
        near = [n for n, line in enumerate(lines) if line.squares <= best.squares + chi_square * variance]
        if len(near) >= 6:
            break
        low, high = lines[max(near[0] - 1, 0)].tau, lines[min(near[-1] + 1, len(lines) - 1)].tau
    best = _between(sums, lines, best)
    return _Family([*(lines[n] for n in near), best], best, noise, variance, chi_square * variance)


class _Sums:
    """Of a hold's points, what least squares need and no tau changes: worked out once for all of them."""

    def __init__(self, points: list[tuple[float, float]]) -> None:
        base = points[0][1]
        self.each = [(s, -s / _SECONDS, psi - base) for s, psi in points]
        self.count = self.time = self.time2 = self.gone = self.time_gone = self.squares = 0.0
        for _, time, gone in self.each:
            self.count += 1.0
            self.time += time
            self.time2 += time * time
            self.gone += gone
            self.time_gone += time * gone
            self.squares += gone * gone


def _bent(sums: _Sums, tau: float) -> _Line | None:
    """Least squares for one tau; None where the readings can't tell its three numbers apart. Pressures count from the first."""
    bend = time_bend = bend2 = bend_gone = 0.0
    for s, time, gone in sums.each:
        bent = exp(-s / tau)
        bend += bent
        time_bend += time * bent
        bend2 += bent * bent
        bend_gone += bent * gone
    spread = _inverse([[sums.count, sums.time, bend], [sums.time, sums.time2, time_bend], [bend, time_bend, bend2]])
    if spread is None:
        return None
    right = [sums.gone, sums.time_gone, bend_gone]
    numbers = [sum(a * b for a, b in zip(line, right)) for line in spread]
    return _Line(tau, numbers, spread, max(0.0, sums.squares - sum(a * b for a, b in zip(numbers, right))))


def _between(sums: _Sums, lines: list[_Line], best: _Line) -> _Line:
    """The best tau between those tried: the bottom of a parabola through the best one and its neighbours."""
    n = lines.index(best)
    if n in (0, len(lines) - 1):
        return best
    left, right = lines[n - 1].squares - best.squares, lines[n + 1].squares - best.squares
    if left + right <= 0:
        return best
    shift = (left - right) / (left + right) / 2  # in steps of the logarithm of tau, which are equal
    closer = _bent(sums, best.tau * (lines[n + 1].tau / best.tau) ** shift)
    return closer if closer and closer.squares < best.squares else best


def _noise(points: list[tuple[float, float]], line: _Line) -> tuple[float, float]:
    """(standard deviation of a reading, variance as it counts for errors).

    Readings that err alike one after another (a gauge whose steps are wider than its noise, a curve that is none of ours) say
    less than so many: for a first-order process with correlation r the variance of a sum is (1 + r) / (1 - r) times as large.
    """
    base = points[0][1]
    start, leak, cooling = line.numbers
    off = [psi - base - (start - leak * s / _SECONDS + cooling * line.bent(s)) for s, psi in points]
    squares = sum(one * one for one in off)
    deviation = sqrt(squares / (len(off) - 4))
    alike = sum(a * b for a, b in zip(off, off[1:])) / squares if squares > 0 else 0.0
    if deviation <= _ROUNDING_PSI:  # only the gauge's own steps are left, and they come in long rows
        deviation, alike = _ROUNDING_PSI, max(alike, 0.9)
    if alike < 2 / sqrt(len(off)):  # what chance does
        alike = 0.0
    alike = min(alike, 0.98)
    return deviation, deviation ** 2 * (1 + alike) / (1 - alike)


def _straight(points: list[tuple[float, float]]) -> tuple[float, float, float]:
    """The straight line: (p0, leak a minute, sum of squares), pressures from the first."""
    base, n = points[0][1], len(points)
    middle, height = sum(s for s, _ in points) / n, sum(psi - base for _, psi in points) / n
    across = sum((s - middle) ** 2 for s, _ in points)
    slope = sum((s - middle) * (psi - base - height) for s, psi in points) / across
    start = height - slope * middle
    squares = sum((psi - base - start - slope * s) ** 2 for s, psi in points)
    return start, -slope * _SECONDS, squares


def _inverse(matrix: list[list[float]]) -> list[list[float]] | None:
    """Of a symmetric matrix, by elimination; None where it is singular, or as good as."""
    size = len(matrix)
    rows = [[*row, *(1.0 if i == j else 0.0 for j in range(size))] for i, row in enumerate(matrix)]
    for i in range(size):
        pivot = max(range(i, size), key=lambda n: abs(rows[n][i]))
        if abs(rows[pivot][i]) < 1e-9 * matrix[0][0]:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        rows[i] = [one / rows[i][i] for one in rows[i]]
        for n in range(size):
            if n != i:
                rows[n] = [a - rows[n][i] * b for a, b in zip(rows[n], rows[i])]
    return [row[size:] for row in rows]


def _decimal(value: float, places: int) -> Decimal:
    """Rounded, and never "-0.000"."""
    rounded = Decimal(f"{value:.{places}f}")
    return abs(rounded) if rounded.is_zero() else rounded
