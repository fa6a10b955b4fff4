"""A plain chart in vectors, to be put on paper: axes, lines, marks and words, drawn with reportlab. Sizes are in points."""
from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from unicodedata import normalize

from reportlab.graphics.shapes import Circle, Drawing, Group, Line, PolyLine, Rect, String
from reportlab.lib.colors import Color, black, white
from reportlab.pdfbase.pdfmetrics import getFont, registerFont, stringWidth
from reportlab.pdfbase.ttfonts import TTFont

from assistant.report.ticks import ticks

FONT = "Bowlside"
GREY = Color(0.8, 0.8, 0.8)
DASHES = {"-": None, "--": (4, 2), "-.": (5, 2, 1, 2), ":": (1, 1.5)}
Point = tuple[float, float]


@cache
def fonts() -> None:
    """DejaVu Sans 2.37, cut down to the Latin, Greek and Cyrillic letters and the signs that a report may need.

    Cut with fonttools, as ``pyftsubset DejaVuSans.ttf --no-hinting --layout-features= --unicodes=20-7E,A0-24F,2B0-2DD,370-52F,
    1E00-1EFF,2010-2026,2030-203A,2044,2070-208E,20AC,2103,2109,2116,2122,2126,2150-215E,2190-2193,2212,2215,221A,221E,2248,2260,
    2264,2265,25A0,25CF``.
    """
    folder = Path(__file__).with_name("fonts")
    registerFont(TTFont(FONT, folder / "DejaVuSans.ttf"))
    registerFont(TTFont(f"{FONT}-Bold", folder / "DejaVuSans-Bold.ttf"))


def printable(words: str) -> str:
    """``words`` with the number of each character that the font lacks in its place, as ``[U+4E2D]``: nothing is lost unseen."""
    fonts()
    has = getFont(FONT).face.charToGlyph
    return "".join(letter if letter.isspace() or ord(letter) in has else f"[U+{ord(letter):04X}]"
                   for letter in normalize("NFC", words))


class Axes:
    """One pair of axes on a drawing. ``plotted``: the points of each line by its name, and every word, as tests read them."""

    def __init__(self, drawing: Drawing, box: tuple[float, float, float, float], across: Point, up: Point) -> None:
        """``box``: left, bottom, right and top of the axes on the drawing; ``across``, ``up``: what lies at its edges."""
        fonts()
        self.drawing, self.box, self.across, self.up = drawing, box, across, up
        self.plotted: dict[str, list[Point]] = {}
        self.words: list[str] = []

    def x(self, value: float) -> float:
        left, _, right, _ = self.box
        return left + (value - self.across[0]) / (self.across[1] - self.across[0]) * (right - left)

    def y(self, value: float) -> float:
        _, bottom, _, top = self.box
        return bottom + (value - self.up[0]) / (self.up[1] - self.up[0]) * (top - bottom)

    def frame(self, below: Mapping[float, str], aside: str, under: str = "", title: str = "", size: float = 6.0) -> None:
        """The two axes; ``below`` and round numbers at the side are marked; ``aside``: what goes up, a line each."""
        left, bottom, right, top = self.box
        self.drawing.add(PolyLine([left, top, left, bottom, right, bottom], strokeWidth=0.6))
        for at, words in below.items():
            self.drawing.add(Line(self.x(at), bottom, self.x(at), bottom - 2, strokeWidth=0.6))
            self._put(words, self.x(at), bottom - 2 - size, size, "middle")
        marks = ticks(*self.up, most=max(2, int((top - bottom) / 14)))
        places = max([0, *(len(f"{one:.6f}".rstrip("0").partition(".")[2]) for one in marks)])
        for at in marks:
            self.drawing.add(Line(left - 2, self.y(at), left, self.y(at), strokeWidth=0.6))
            self._put(f"{at:.{places}f}", left - 3, self.y(at) - size / 3, size, "end")
        wide = max([stringWidth(f"{at:.{places}f}", FONT, size) for at in marks], default=0)
        for number, words in enumerate(reversed(printable(aside).split("\n"))):
            turned = Group(String(0, 0, words, fontName=FONT, fontSize=size, textAnchor="middle"))
            turned.translate(left - wide - 6 - number * size * 1.2, (bottom + top) / 2)
            turned.rotate(90)
            self.drawing.add(turned)
            self.words.append(words)
        self._put(under, (left + right) / 2, bottom - 3 - 2.2 * size, size, "middle")
        for number, words in enumerate(reversed(title.split("\n"))):
            self._put(words, (left + right) / 2, top + 3 + number * size * 1.2, size, "middle")

    def line(self, name: str, points: Iterable[Point], style: str = "-", width: float = 0.9, color=black) -> None:
        found = self.plotted[name] = list(points)
        self.drawing.add(PolyLine([at for x, y in found for at in (self.x(x), self.y(y))], strokeWidth=width, strokeColor=color,
                                  strokeDashArray=DASHES[style], strokeLineJoin=1))

    def marks(self, points: Iterable[Point], square: bool = False, full: bool = True, size: float = 1.5, color=black) -> None:
        look = {"strokeColor": color, "strokeWidth": 0.6, "fillColor": color if full else white}
        for x, y in points:
            at, high = self.x(x), self.y(y)
            self.drawing.add(Rect(at - size, high - size, 2 * size, 2 * size, **look) if square
                             else Circle(at, high, size, **look))

    def level(self, at: float, words: str, style: str, width: float) -> None:
        """A line all across, with its name over its right end."""
        left, _, right, _ = self.box
        self.drawing.add(Line(left, self.y(at), right, self.y(at), strokeWidth=width, strokeDashArray=DASHES[style]))
        self._put(words, right - 2, self.y(at) + 1.5, 5, "end")

    def bar(self, at: float, value: float, wide: float = 0.5) -> None:
        low, high = sorted((self.y(0), self.y(value)))
        self.drawing.add(Rect(self.x(at - wide / 2), low, self.x(wide) - self.x(0), high - low, fillColor=GREY, strokeWidth=0.7))
        self.plotted.setdefault("bars", []).append((at, value))

    def text(self, words: str, x: float, y: float, right: float = 0, up: float = 0, size: float = 5, anchor: str = "middle",
             on_white: bool = False) -> None:
        """``words`` beside a place of the chart."""
        at, high = self.x(x) + right, self.y(y) + up
        if on_white:
            wide = stringWidth(printable(words), FONT, size)
            self.drawing.add(Rect(at - wide / 2, high - 0.3 * size, wide, 1.2 * size, fillColor=white, strokeColor=None))
        self._put(words, at, high, size, anchor)

    def legend(self, entries: Sequence[tuple[str, str, float, object]], x: float, y: float, size: float = 6) -> None:
        """Name, style, width and colour of each line, from the point ``x``, ``y`` of the drawing downward."""
        for number, (name, style, width, color) in enumerate(entries):
            high = y - number * size * 1.25
            self.drawing.add(Line(x, high, x + 14, high, strokeDashArray=DASHES[style], strokeWidth=width, strokeColor=color))
            self._put(name, x + 17, high - size / 3, size, "start")

    def _put(self, words: str, x: float, y: float, size: float, anchor: str) -> None:
        if words:
            words = printable(words)
            self.drawing.add(String(x, y, words, fontName=FONT, fontSize=size, textAnchor=anchor))
            self.words.append(words)
