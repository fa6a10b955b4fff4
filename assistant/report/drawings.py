"""What the report draws: the pressure steps, the leak curve, a control chart. Black on white, readable on a poor copier."""
from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from reportlab.graphics.shapes import Drawing

from assistant.core.charts import Levels, Point
from assistant.core.methods.leak_curve import fit
from assistant.core.rounding import last_place, round_to
from assistant.core.settings import Settings
from assistant.report import leak_drawing
from assistant.report.axes import Axes
from assistant.report.rows import Test

INCH = 72
RUN = 3.6
"""Steps across that one run takes in the drawing of the pressures, its beginning included."""


def pressure_steps(test: Test) -> Drawing | None:
    """The six charges and equilibria, and by how much run 2 is over run 1; None where no run is whole."""
    found = pressure_axes(test)
    return found[0].drawing if found else None


def pressure_axes(test: Test) -> list[Axes]:
    taken = {one["id"]: float(one["value"]) for one in test["readings"] if not one["withdrawn"] and isinstance(one["value"], Decimal)}
    kinds, three = ("charge", "equilibrium"), (1, 2, 3)
    whole = [run for run in (1, 2) if all(f"{kind}.{run}.{step}" in taken for kind in kinds for step in three)]
    if not whole:
        return []
    drawing = Drawing(3.55 * INCH, 2.1 * INCH)
    steps = Axes(drawing, (22, 22, 178, 138), (-0.1, len(whole) * RUN - 0.25), (0, 52))
    begins = {run: at * RUN for at, run in enumerate(whole)}
    steps.frame({begins[run] + step: str(step) for run in whole for step in three}, "psi", "step", f"test {test['id']}: pressures")
    for run, begin in begins.items():  # one after the other, as they were done: over one another they would be one line
        places = [(begin, 0.0), *((begin + step + side, taken[f"{kind}.{run}.{step}"]) for step in three
                                  for kind, side in zip(kinds, (-0.15, 0.15)))]
        steps.line(f"run {run}", places, "-" if run == 1 else "--")
        steps.marks(places, square=run == 2, full=run == 1)
        steps.text(f"run {run}", begin + 0.1, 50, size=6, anchor="start")
        for step in three:
            for kind, side, (right, up) in (("charge", -0.15, (-3, 3)), ("equilibrium", 0.15, (4, -8))):
                psi = taken[f"{kind}.{run}.{step}"]
                steps.text(f"{psi:.2f}", begin + step + side, psi, right, up)
    if whole != [1, 2]:
        return [steps]
    over = [taken[f"equilibrium.2.{step}"] - taken[f"equilibrium.1.{step}"] for step in three]
    limit = next((one["limits"][1] for one in test["results"] if one["name"] == "system_air_metric"), None)
    top = max(*over, float(limit or 0), 0.05)
    gain = Axes(drawing, (208, 22, 252, 130), (0.5, 3.5), (min(0, *over) * 1.2, top * 1.35))
    gain.frame({step: str(step) for step in three}, "psi", "step",
               "run 2 over run 1" + ("" if limit is None else f"\nlimit {limit:f}"))
    for step, value in zip(three, over):
        gain.bar(step, value)
        gain.text(f"{value:.2f}", step, max(value, 0), 0, 2, 5.5)
    gain.line("zero", [(0.5, 0), (3.5, 0)], width=0.6)
    if limit is not None:
        gain.line("limit", [(0.5, float(limit)), (3.5, float(limit))], ":", 1)
    return [steps, gain]


def leak_curve(test: Test) -> Drawing | None:
    """The hold as the gauge recorded it; None where it recorded none."""
    curve = [(float(s), Decimal(psi)) for s, psi in test["leak_curve"]]
    if not curve:
        return None
    taken = {one["id"]: one["value"] for one in test["readings"] if not one["withdrawn"]}
    settings = Settings.from_mapping(test["settings"])
    rate = settings.leak_limit * 60 / settings.leak_hold_s
    return leak_drawing.axes(curve, fit(curve, rate), settings.leak_hold_s, settings.leak_limit, taken.get("leak.initial"),
                             taken.get("leak.final")).drawing


def control_chart(name: str, unit: str, points: Sequence[Point], levels: Levels,
                  limits: tuple[Decimal | None, Decimal | None]) -> Drawing:
    """Each sample in its order, and the range of each two that follow one another; lines where the job sets them. Where a check
    test was done their average stands, and each of them as a small ring.

    Warning and action levels: UFGS 03373 has such a chart of air; every figure is the job's own.
    """
    return control_axes(name, unit, points, levels, limits)[0].drawing


def control_axes(name: str, unit: str, points: Sequence[Point], levels: Levels,
                 limits: tuple[Decimal | None, Decimal | None]) -> list[Axes]:
    sides = (1,) if limits[0] is None and limits[1] is not None else (-1, 1)  # a result that only has a maximum is never too low
    lines: list[tuple[Decimal, str]] = []
    if levels.target is not None:
        lines.append((levels.target, "target"))
        lines += [(levels.target + side * size, what) for what, size in (("warning", levels.warning), ("action", levels.action))
                  if size is not None for side in sides]
    lines += [(limit, "limit") for limit in limits if limit is not None]
    ranged = [(size, what) for what, size in (("warning", levels.range_warning), ("action", levels.range_action))
              if size is not None]
    measured = [(float(at), float(one.value)) for at, one in enumerate(points, 1)]
    apart = [(at, abs(b - a)) for (_, a), (at, b) in zip(measured, measured[1:])]
    drawing, across = Drawing(7.2 * INCH, 1.85 * INCH), (0.5, len(points) + 1.1)
    each = [(float(at), float(value)) for at, one in enumerate(points, 1) if one.checks for value in (one.first, *one.checks)]
    all_values = [value for _, value in (*measured, *each)] + [float(value) for value, _ in lines]
    low, high = min(all_values), max(all_values)
    room = (high - low) or max(abs(high) * 0.1, 0.1)
    values = Axes(drawing, (46, 56, 512, 128), across, (low - 0.13 * room, high + 0.2 * room))
    values.frame({at: "" for at, _ in measured}, f"{name}\n{unit}")
    highest = max([value for _, value in apart] + [float(size) for size, _ in ranged])
    ranges = Axes(drawing, (46, 12, 512, 48), across, (0, max(1.25 * highest, 0.01)))
    ranges.frame({at: one.label for (at, _), one in zip(measured, points)}, f"range of two\n{unit}")
    _lines(values, lines)
    _lines(ranges, ranged)
    values.line("values", measured, width=0.8)
    values.marks(measured)
    for number, one in enumerate(points, 1):
        if one.checks:
            values.line(f"check {number}", [(number, float(value)) for value in (one.first, *one.checks)], "-", 0.4)
    values.marks(each, full=False, size=1.2)
    for (at, value), one in zip(measured, points):
        aside = (11, -2) if one.checks else (0, 4)  # not over the rings of its tests
        values.text(f"{round_to(one.value, last_place(one.first)):f}", at, value, *aside, 5.5, on_white=True)
    ranges.line("ranges", apart, width=0.8)
    ranges.marks(apart, square=True, full=False)
    return [values, ranges]


_STYLES = {"target": ("-", 0.5), "warning": ("--", 0.8), "action": ("-.", 0.8), "limit": (":", 1.2)}


def _lines(axes: Axes, lines: Sequence[tuple[Decimal, str]]) -> None:
    """Each line in its style, with its name and value at the right; two at one value share their words."""
    for at in dict.fromkeys(value for value, _ in lines):
        names = [name for value, name in lines if value == at]
        axes.level(float(at), f"{', '.join(names)} {at:f}", *_STYLES[names[-1]])
