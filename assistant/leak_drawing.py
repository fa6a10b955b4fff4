"""The leak hold drawn: what was measured, the curve through it, and where the method's limit lies.

matplotlib is imported only when something is drawn. A drawing is black on white with one colour, so that it can be copied. The
same readings give the same bytes.
"""
from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from assistant.core.leak_curve import PSI_PER_C, LeakCurve

if TYPE_CHECKING:
    from matplotlib.figure import Figure

KINDS = ("svg", "png", "pdf")
SIZE_IN = (6.5, 3.4)  # across a letter page
_CURVE = "#1f5fa8"


def figure(curve: Sequence[tuple[float, Decimal]], fit: LeakCurve | None, hold_s: Decimal, limit_psi: Decimal,
           first_psi: Decimal | None = None, last_psi: Decimal | None = None, size_in: tuple[float, float] = SIZE_IN) -> Figure:
    """A matplotlib figure of a hold: ``curve`` in s since it began and gauge psi, ``fit`` as leak_curve gives it.

    The two readings that decide are ringed: ``first_psi`` and ``last_psi`` as taken, else the first and last of the curve.
    The dashed line lies ``limit_psi`` below the first. ``size_in``: width and height in inches, from about 3 to 10.
    ValueError for a curve without a reading.
    """
    from matplotlib.figure import Figure

    readings = sorted((s, psi) for s, psi in curve if psi.is_finite())
    if not readings:
        raise ValueError("there is no reading to draw: the leak curve is empty.")
    first = readings[0][1] if first_psi is None else first_psi
    ended = readings[-1][0] >= float(hold_s) - 2
    last = last_psi if last_psi is not None else readings[-1][1] if ended else None
    small = min(1.0, max(0.68, size_in[0] / SIZE_IN[0]))  # of the lettering, so that it fits and can still be read
    drawing = Figure(figsize=size_in, layout="constrained")
    axes = drawing.add_subplot()
    axes.plot([s / 60 for s, _ in readings], [float(psi) for _, psi in readings], ".", color="0.55", markersize=3 * small,
              label="gauge")
    if fit is not None:
        seconds = [readings[0][0] + n * (float(hold_s) - readings[0][0]) / 200 for n in range(201)]
        seen = [s for s in seconds if s <= readings[-1][0]]
        axes.plot([s / 60 for s in seen], [fit.at(s) for s in seen], color=_CURVE, linewidth=1.5, label=_of_fit(fit))
        if fit.cooling_s:
            straight = fit.at(0) - float(fit.cooling_psi)  # where it would have been all along, once at rest
            line = [straight - float(fit.leak_psi_per_min) * s / 60 for s in seen]
            axes.plot([s / 60 for s in seen], line, ":", color=_CURVE, linewidth=1.2, label="the leak alone")
    lowest = float(first - limit_psi)
    axes.axhline(lowest, color="black", linestyle="--", linewidth=1, label=f"{limit_psi:f} psi below the first reading")
    minutes = float(hold_s) / 60
    for n in range(int(minutes) + 1):
        axes.axvline(n, color="0.9", linewidth=0.8, zorder=0)
    axes.plot([0], [float(first)], "o", color="black", fillstyle="none", markersize=8)
    if last is not None:
        axes.plot([minutes], [float(last)], "o", color="black", fillstyle="none", markersize=8)
        axes.set_title(f"Leak hold: first {first:.2f} psi, last {last:.2f} psi, lost {first - last:.2f} psi", fontsize=10 * small)
    else:
        axes.set_title(f"Leak hold, not over: first {first:.2f} psi, {readings[-1][0]:.0f} s of {hold_s:f} s",
                       fontsize=10 * small)
    axes.set_xlim(-0.03 * minutes, 1.03 * minutes)
    low, high = axes.get_ylim()
    if high - low < 0.2:  # a still gauge is not blown up until its last digit looks like a fall
        middle = (high + low) / 2
        axes.set_ylim(middle - 0.1, middle + 0.1)
    axes.set_xlabel("minutes since the hold began", fontsize=9 * small)
    axes.set_ylabel("psi, gauge", fontsize=9 * small)
    axes.locator_params(axis="y", steps=(1, 2, 5, 10))  # 0.02 and 0.05, never 0.025
    axes.ticklabel_format(axis="y", useOffset=False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=8 * small)
    axes.legend(fontsize=7.5 * small, edgecolor="white", framealpha=0.9, loc="best")
    return drawing


def draw(curve: Sequence[tuple[float, Decimal]], fit: LeakCurve | None, hold_s: Decimal, limit_psi: Decimal,
         target: BinaryIO | Path, kind: str = "svg", first_psi: Decimal | None = None, last_psi: Decimal | None = None,
         size_in: tuple[float, float] = SIZE_IN) -> None:
    """Write that figure to a path or an open binary file, as "svg", "png" (200 dots an inch) or "pdf"."""
    if kind not in KINDS:
        raise ValueError(f"a drawing can't be {kind!r}: it must be {', '.join(KINDS)}.")
    import matplotlib

    bare = {"svg": {"Date": None, "Creator": None}, "pdf": {"CreationDate": None, "Creator": None, "Producer": None}}
    with matplotlib.rc_context({"svg.hashsalt": "leak hold", "svg.fonttype": "none", "pdf.fonttype": 42}):
        figure(curve, fit, hold_s, limit_psi, first_psi, last_psi, size_in).savefig(
            target, format=kind, dpi=200, metadata=bare.get(kind))


def _of_fit(fit: LeakCurve) -> str:
    leak = f"leak {fit.leak_psi_per_min:.3f} ± {fit.leak_error:.3f} psi/min"
    if not fit.cooling_s:
        return leak
    word = "cooling" if fit.cooling_psi > 0 else "warming"
    size = abs(fit.cooling_psi)
    return f"{leak}, {word} {size:.2f} psi ({size / PSI_PER_C:.1f} °C) in {fit.cooling_s:.0f} s"
