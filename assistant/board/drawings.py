"""Curves as inline SVG. Colours are the style sheet's, so that they follow dark and light."""
from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from assistant.board.markup import Html, el
from assistant.report.ticks import ticks

WIDE, HIGH = 360, 200
LEFT, RIGHT, TOP, BOTTOM = 46, 350, 14, 176
STILL = 0.2
"""psi (or the chart's unit): a still gauge is not blown up until its last digit looks like a fall."""
Point = tuple[float, float]


class Plot:
    """One pair of axes. ``across`` and ``up``: what lies at their ends."""

    def __init__(self, across: Point, up: Point) -> None:
        self.across, self.up = across, up
        self.parts: list[Html] = []

    def x(self, value: float) -> float:
        return round(LEFT + (value - self.across[0]) / (self.across[1] - self.across[0]) * (RIGHT - LEFT), 1)

    def y(self, value: float) -> float:
        return round(BOTTOM - (value - self.up[0]) / (self.up[1] - self.up[0]) * (BOTTOM - TOP), 1)

    def grid(self, below: Sequence[tuple[float, str]]) -> None:
        marks = ticks(*self.up, most=5)
        places = max((len(f"{mark:.6f}".rstrip("0").partition(".")[2]) for mark in marks), default=0)
        for mark in marks:
            self.parts += [el("path", d=f"M{LEFT} {self.y(mark)}H{RIGHT}", class_="grid"),
                           el("text", f"{mark:.{places}f}", x=LEFT - 4, y=self.y(mark) + 4, class_="side")]
        for at, words in below:
            self.parts.append(el("text", words, x=self.x(at), y=BOTTOM + 16, class_="below"))

    def line(self, points: Sequence[Point], name: str) -> None:
        self.parts.append(el("polyline", points=" ".join(f"{self.x(x)},{self.y(y)}" for x, y in points), class_=name))

    def dots(self, points: Sequence[Point]) -> None:
        self.parts += [el("circle", cx=self.x(x), cy=self.y(y), r=3, class_="dot") for x, y in points]

    def level(self, value: float, words: str, first: bool) -> None:
        """``first``: its name stands at the first point, where the last lies nearer to it."""
        at = self.y(value)
        self.parts += [el("path", d=f"M{LEFT} {at}H{RIGHT}", class_="level"),
                       el("text", words, x=LEFT if first else RIGHT, y=at - 3, class_="named first" if first else "named")]

    def svg(self, told: str) -> Html:
        """``told``: what it shows, for whoever can't see it."""
        return el("svg", self.parts, viewBox=f"0 0 {WIDE} {HIGH}", role="img", aria_label=told)


def curve(points: Sequence[Point], told: str) -> Html:
    """Pressure over seconds, while it grows. Empty without two points."""
    if len(points) < 2:
        return Html("")
    ends = min(x for x, _ in points), max(x for x, _ in points)
    plot = Plot((ends[0], max(ends[1], ends[0] + 10)), _room([y for _, y in points]))
    plot.grid([(at, f"{at:g}") for at in ticks(*plot.across, most=5)])
    plot.line(points, "curve")
    return plot.svg(told)


def chart(points: Sequence[tuple[str, float]], levels: Sequence[tuple[float, str]], told: str) -> Html:
    """A control chart: one point a test, with the limits as named lines. Empty without a point."""
    if not points:
        return Html("")
    plot = Plot((-0.5, len(points) - 0.5), _room([*(value for _, value in points), *(value for value, _ in levels)]))
    every = ceil(len(points) / 6)
    plot.grid([(n, label) for n, (label, _) in enumerate(points) if n % every == 0])
    for value, words in levels:
        plot.level(value, words, first=abs(points[-1][1] - value) < abs(points[0][1] - value))
    dots = [(float(n), value) for n, (_, value) in enumerate(points)]
    plot.line(dots, "curve")
    plot.dots(dots)
    return plot.svg(told)


def _room(values: Sequence[float]) -> Point:
    low, high = min(values), max(values)
    room = max(0.12 * (high - low), (STILL - (high - low)) / 2)
    return low - room, high + room
