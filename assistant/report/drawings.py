"""What the report draws: the pressure steps, the leak curve, a control chart. Black on white, readable on a poor copier."""
from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import wraps
from io import BytesIO
from typing import TYPE_CHECKING

from assistant.core.settings import Settings
from assistant.job import Levels
from assistant.report.rows import Test

if TYPE_CHECKING:
    from matplotlib.figure import Figure

DPI = 220
_STYLE = {"font.size": 6.5, "axes.titlesize": 6.5, "axes.linewidth": 0.6, "xtick.major.width": 0.6, "ytick.major.width": 0.6,
          "legend.fontsize": 6, "axes.spines.top": False, "axes.spines.right": False}
_RUNS = {1: {"linestyle": "-", "marker": "o"}, 2: {"linestyle": "--", "marker": "s", "markerfacecolor": "white"}}


@dataclass(frozen=True)
class Point:
    """One result on a control chart."""
    label: str
    value: Decimal


def _plainly(draw: Callable[..., BytesIO | None]) -> Callable[..., BytesIO | None]:
    """Draw in our style, and leave matplotlib's as it was. It is imported only now: a start must not wait for it."""
    @wraps(draw)
    def styled(*args, **named):
        import matplotlib
        with matplotlib.rc_context(_STYLE):
            return draw(*args, **named)
    return styled


@_plainly
def pressure_steps(test: Test) -> BytesIO | None:
    """The six charges and equilibria, and by how much run 2 is over run 1, as a PNG; None where no run is whole."""
    taken = {one["id"]: float(one["value"]) for one in test["readings"] if not one["withdrawn"]}
    whole = [run for run in (1, 2) if all(f"{kind}.{run}.{step}" in taken
                                          for kind in ("charge", "equilibrium") for step in (1, 2, 3))]
    if not whole:
        return None
    figure = _figure(3.55, 2.1)
    steps, gain = figure.subplots(1, 2, width_ratios=(2.1, 1))
    for run in whole:
        places, psi = [0.0], [0.0]
        for step in (1, 2, 3):
            places += [step - 0.15, step + 0.15]
            psi += [taken[f"charge.{run}.{step}"], taken[f"equilibrium.{run}.{step}"]]
        steps.plot(places, psi, color="black", linewidth=0.9, markersize=3, label=f"run {run}", **_RUNS[run])
    for step in (1, 2, 3):
        for kind, side, put in (("charge", -0.15, (0, 3)), ("equilibrium", 0.15, (7, -8))):
            steps.annotate(f"{taken[f'{kind}.{whole[-1]}.{step}']:.2f}", (step + side, taken[f"{kind}.{whole[-1]}.{step}"]),
                           xytext=put, textcoords="offset points", fontsize=5, ha="center")
    steps.set(xticks=(1, 2, 3), xlabel="step", ylabel="psi", ylim=(0, 52), xlim=(-0.1, 3.6),
              title=f"test {test['id']}: pressures; figures of run {whole[-1]}")
    steps.legend(loc="upper left", frameon=False)
    if whole == [1, 2]:
        over = [taken[f"equilibrium.2.{step}"] - taken[f"equilibrium.1.{step}"] for step in (1, 2, 3)]
        gain.bar((1, 2, 3), over, width=0.5, facecolor="0.8", edgecolor="black", linewidth=0.7)
        for step, value in zip((1, 2, 3), over):
            gain.annotate(f"{value:.2f}", (step, max(value, 0)), xytext=(0, 2), textcoords="offset points", fontsize=5.5,
                          ha="center")
        limit = next((one["limits"][1] for one in test["results"] if one["name"] == "system_air_metric"), None)
        if limit is not None:
            gain.axhline(float(limit), color="black", linestyle=":", linewidth=1)
        top = max(*over, float(limit or 0), 0.05)
        gain.set(xticks=(1, 2, 3), xlabel="step", ylabel="psi", xlim=(0.5, 3.5), ylim=(min(0, *over) * 1.2, top * 1.35),
                 title="run 2 over run 1" + ("" if limit is None else f"\nlimit {limit:f}"))
        gain.axhline(0, color="black", linewidth=0.6)
    else:
        gain.set_axis_off()
    return _png(figure)


def leak_curve(test: Test) -> BytesIO | None:
    """The hold as the gauge recorded it, as a PNG; None where it recorded none."""
    from assistant.core.leak_curve import fit
    from assistant.leak_drawing import draw
    curve = [(float(s), Decimal(psi)) for s, psi in test["leak_curve"]]
    if not curve:
        return None
    taken = {one["id"]: one["value"] for one in test["readings"] if not one["withdrawn"]}
    settings = Settings.from_mapping(test["settings"])
    rate = settings.leak_limit * 60 / settings.leak_hold_s
    target = BytesIO()
    draw(curve, fit(curve, rate), settings.leak_hold_s, settings.leak_limit, target, kind="png",
         first_psi=taken.get("leak.initial"), last_psi=taken.get("leak.final"))
    target.seek(0)
    return target


@_plainly
def control_chart(name: str, unit: str, points: Sequence[Point], levels: Levels,
                  limits: tuple[Decimal | None, Decimal | None]) -> BytesIO:
    """Each result in its order, and the range of each two that follow one another; lines where the job sets them. A PNG.

    Warning and action levels: UFGS 03373 has such a chart of air; every figure is the job's own.
    """
    figure = _figure(7.2, 1.85)
    values, ranges = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    at = range(1, len(points) + 1)
    values.plot(at, [float(one.value) for one in points], "-o", color="black", linewidth=0.8, markersize=3.5)
    for place, one in zip(at, points):
        values.annotate(f"{one.value:f}", (place, float(one.value)), xytext=(0, 4), textcoords="offset points", fontsize=5.5,
                        ha="center", bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4})
    ranges.plot(at[1:], [abs(float(b.value - a.value)) for a, b in zip(points, points[1:])], "-s", color="black",
                markerfacecolor="white", linewidth=0.8, markersize=3)
    sides = (1,) if limits[0] is None and limits[1] is not None else (-1, 1)  # a result that only has a maximum is never too low
    lines: list[tuple[Decimal, str]] = []
    if levels.target is not None:
        lines.append((levels.target, "target"))
        lines += [(levels.target + side * size, what) for what, size in (("warning", levels.warning), ("action", levels.action))
                  if size is not None for side in sides]
    _lines(values, [*lines, *((limit, "limit") for limit in limits if limit is not None)])
    _lines(ranges, [(size, what) for what, size in (("warning", levels.range_warning), ("action", levels.range_action))
                    if size is not None])
    low, high = values.get_ylim()
    values.set(ylabel=f"{name}\n{unit}", ylim=(low - 0.08 * (high - low), high + 0.15 * (high - low)))
    ranges.set(ylabel=f"range of two\n{unit}", xticks=list(at), xticklabels=[one.label for one in points],
               xlim=(0.5, len(points) + 1.1))
    ranges.set_ylim(0, max(1.2 * ranges.get_ylim()[1], float(Decimal("0.01"))))
    return _png(figure)


_STYLES = {"target": ("-", 0.5), "warning": ("--", 0.8), "action": ("-.", 0.8), "limit": (":", 1.2)}


def _lines(axes, lines: Sequence[tuple[Decimal, str]]) -> None:
    """Each line in its style, with its name and value at the right; two at one value share their words."""
    for at in dict.fromkeys(value for value, _ in lines):
        names = [name for value, name in lines if value == at]
        style, width = _STYLES[names[-1]]
        axes.axhline(float(at), color="black", linestyle=style, linewidth=width)
        axes.annotate(f"{', '.join(names)} {at:f}", (1, float(at)), xycoords=("axes fraction", "data"), xytext=(-2, 1.5),
                      textcoords="offset points", fontsize=5, ha="right")


def _figure(wide: float, high: float) -> "Figure":
    """Inches. Without pyplot: no window, no state that outlives the figure."""
    from matplotlib.figure import Figure
    return Figure(figsize=(wide, high), dpi=DPI, layout="constrained", facecolor="white")


def _png(figure: "Figure") -> BytesIO:
    target = BytesIO()
    figure.savefig(target, format="png", dpi=DPI)
    target.seek(0)
    return target
