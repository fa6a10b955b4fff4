"""The leak hold drawn: what was measured, the curve through it, and where the method's limit lies.

A drawing is black on white with one colour, so that it can be copied. The same readings give the same drawing.
"""
from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from reportlab.graphics.shapes import Drawing
from reportlab.lib.colors import Color, HexColor, black

from assistant.core.methods.leak_curve import PSI_PER_C, LeakCurve
from assistant.report.axes import Axes

SIZE = (255.6, 151.2)
"""Points: half the width of a letter page."""
_CURVE, _GAUGE, _MINUTE = HexColor("#1f5fa8"), Color(0.55, 0.55, 0.55), Color(0.9, 0.9, 0.9)
STILL_PSI = 0.2
"""A still gauge is not blown up until its last digit looks like a fall."""


def axes(curve: Sequence[tuple[float, Decimal]], fit: LeakCurve | None, hold_s: Decimal, limit_psi: Decimal,
         first_psi: Decimal | None = None, last_psi: Decimal | None = None) -> Axes:
    """A hold on axes: ``curve`` in s since it began and gauge psi, ``fit`` as leak_curve gives it.

    The two readings that decide are ringed: ``first_psi`` and ``last_psi`` as taken, else the first and last of the curve.
    The dashed line lies ``limit_psi`` below the first. ValueError for a curve without a reading.
    """
    readings = sorted((s, psi) for s, psi in curve if psi.is_finite())
    if not readings:
        raise ValueError("there is no reading to draw: the leak curve is empty.")
    first = readings[0][1] if first_psi is None else first_psi
    ended = readings[-1][0] >= float(hold_s) - 2
    last = last_psi if last_psi is not None else readings[-1][1] if ended else None
    minutes, lowest = float(hold_s) / 60, float(first - limit_psi)
    gauge = [(s / 60, float(psi)) for s, psi in readings]
    drawn: list[tuple[str, list[tuple[float, float]], str, float, Color]] = []
    if fit is not None:
        seconds = [readings[0][0] + n * (float(hold_s) - readings[0][0]) / 200 for n in range(201)]
        seen = [s for s in seconds if s <= readings[-1][0]]
        drawn.append((_of_fit(fit), [(s / 60, fit.at(s)) for s in seen], "-", 1.2, _CURVE))
        if fit.cooling_s:
            straight = fit.at(0) - float(fit.cooling_psi)  # where it would have been all along, once at rest
            drawn.append(("the leak alone", [(s / 60, straight - float(fit.leak_psi_per_min) * s / 60) for s in seen],
                          ":", 1.0, _CURVE))
    drawn.append((f"{limit_psi:f} psi below the first reading", [(-0.03 * minutes, lowest), (1.03 * minutes, lowest)],
                  "--", 0.8, black))
    rings = [(0.0, float(first)), *([(minutes, float(last))] if last is not None else [])]
    every = [psi for points in (gauge, rings, *(points for _, points, *_ in drawn)) for _, psi in points]
    low, high = min(every), max(every)
    room = max(0.1 * (high - low), (STILL_PSI - (high - low)) / 2)
    words = len(drawn) + 1
    height = (SIZE[1] - 34) / (SIZE[1] - 34 - 8 * words)  # what the words take at the top stays free of the curve
    found = Axes(Drawing(*SIZE), (34, 22, 250, 138), (-0.03 * minutes, 1.03 * minutes),
                 (low - room, low - room + (high - low + 2 * room) * height))
    for n in range(int(minutes) + 1):
        found.line(f"minute {n}", [(n, found.up[0]), (n, found.up[1])], width=0.5, color=_MINUTE)
    title = f"first {first:.2f} psi, last {last:.2f} psi, lost {first - last:.2f} psi" if last is not None else (
        f"not over: first {first:.2f} psi, {readings[-1][0]:.0f} s of {hold_s:f} s")
    found.frame({n: str(n) for n in range(int(minutes) + 1)}, "psi, gauge", "minutes since the hold began", f"Leak hold: {title}")
    found.plotted["gauge"] = gauge
    found.marks(gauge, size=0.7, color=_GAUGE)
    for name, points, style, width, color in drawn:
        found.line(name, points, style, width, color)
    found.marks(rings, full=False, size=2.8)
    found.legend([("gauge", "-", 1.5, _GAUGE), *((name, *look) for name, _, *look in drawn)], 60, 134, 5.5)
    return found


def _of_fit(fit: LeakCurve) -> str:
    leak = f"leak {fit.leak_psi_per_min:.3f} ± {fit.leak_error:.3f} psi/min"
    if not fit.cooling_s:
        return leak
    word = "cooling" if fit.cooling_psi > 0 else "warming"
    size = abs(fit.cooling_psi)
    return f"{leak}, {word} {size:.2f} psi ({size / PSI_PER_C:.1f} °C) in {fit.cooling_s:.0f} s"
