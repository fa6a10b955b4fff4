"""A few primitives that draw circuits as SVG: wires, parts, boxes with pins. Units are pixels; y goes down.

Parts lie between two points, level or upright. Lines are black on white and print on any printer.
"""
from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

Point = tuple[float, float]
STUB = 18      # of a box's pin
PITCH = 26     # between two pins of a box
HAZARD = "#9c1c1c"


class Sheet:
    """One drawing. Every method adds something; `svg` gives the text of the file."""

    def __init__(self, width: int, height: int, title: str) -> None:
        self.width, self.height, self.title = width, height, title
        self._parts: list[str] = []
        self.text(14, 24, title, size=15, bold=True)

    def text(self, x: float, y: float, words: str, anchor: str = "start", size: float = 11, bold: bool = False,
             colour: str = "black") -> None:
        """One line; ``anchor`` is start, middle or end."""
        weight = ' font-weight="bold"' if bold else ""
        self._parts.append(f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" text-anchor="{anchor}" fill="{colour}"{weight}>'
                           f"{escape(words)}</text>")

    def wire(self, *points: Point, thick: float = 1.4) -> None:
        self._parts.append(f'<polyline points="{" ".join(f"{x:g},{y:g}" for x, y in points)}" fill="none" stroke="black" '
                           f'stroke-width="{thick:g}"/>')

    def dot(self, at: Point) -> None:
        """Wires that cross here are joined."""
        self._parts.append(f'<circle cx="{at[0]:g}" cy="{at[1]:g}" r="3"/>')

    def _shape(self, path: str, fill: str = "white") -> None:
        self._parts.append(f'<path d="{path}" fill="{fill}" stroke="black" stroke-width="1.4" stroke-linejoin="round"/>')

    def _between(self, a: Point, b: Point, half: float) -> tuple[Point, Point, bool]:
        """Leads from both points to a part of length 2 ``half`` in the middle; where the part begins and ends; whether level."""
        level = a[1] == b[1]
        if not level and a[0] != b[0]:
            raise ValueError("a part lies level or upright")
        middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
        sign = 1 if (b[0] - a[0] if level else b[1] - a[1]) > 0 else -1
        step = (sign * half, 0.0) if level else (0.0, sign * half)
        begin, end = (middle[0] - step[0], middle[1] - step[1]), (middle[0] + step[0], middle[1] + step[1])
        self.wire(a, begin)
        self.wire(end, b)
        return begin, end, level

    def _label(self, a: Point, b: Point, words: str, off: float = 13) -> None:
        x, y = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
        if not words:
            return
        if a[1] == b[1]:
            self.text(x, y - off, words, "middle")
        else:
            self.text(x + off, y + 4, words)

    def resistor(self, a: Point, b: Point, words: str) -> None:
        begin, end, level = self._between(a, b, 17)
        dx, dy = (0, 7) if level else (7, 0)
        self._shape(f"M{begin[0] - dx:g},{begin[1] - dy:g} L{end[0] - dx:g},{end[1] - dy:g} "
                    f"L{end[0] + dx:g},{end[1] + dy:g} L{begin[0] + dx:g},{begin[1] + dy:g} Z")
        self._label(a, b, words)

    def capacitor(self, a: Point, b: Point, words: str) -> None:
        begin, end, level = self._between(a, b, 3)
        for x, y in (begin, end):
            dx, dy = (0, 11) if level else (11, 0)
            self.wire((x - dx, y - dy), (x + dx, y + dy), thick=2.4)
        self._label(a, b, words, 17)

    def diode(self, a: Point, b: Point, words: str, light: bool = False) -> None:
        """Current goes from ``a`` to ``b``; the bar is at ``b``."""
        begin, end, level = self._between(a, b, 8)
        dx, dy = (0, 9) if level else (9, 0)
        self._shape(f"M{begin[0] - dx:g},{begin[1] - dy:g} L{end[0]:g},{end[1]:g} L{begin[0] + dx:g},{begin[1] + dy:g} Z")
        self.wire((end[0] - dx, end[1] - dy), (end[0] + dx, end[1] + dy), thick=2.4)
        if light:
            for off in (0, 8):
                x, y = end[0] + 9 + (off if level else 3), end[1] - 10 - (0 if level else off)
                self._shape(f"M{x - 4:g},{y + 4:g} l9,-9 m-5,0 l5,0 l0,5", "none")
        self._label(a, b, words, 22 if light else 15)

    def led(self, a: Point, b: Point, words: str) -> None:
        self.diode(a, b, words, light=True)

    def contact(self, a: Point, b: Point, words: str) -> None:
        """A contact that is open until it is pressed."""
        begin, end, level = self._between(a, b, 14)
        self.wire(begin, (end[0] - 2, end[1] - 14) if level else (end[0] - 14, end[1] - 2))
        for x, y in (begin, end):
            self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="2.5" fill="white" stroke="black"/>')
        self._label(a, b, words, 22)

    def load(self, a: Point, b: Point, words: str) -> None:
        """A lamp or a buzzer as a circle."""
        begin, end, _ = self._between(a, b, 16)
        x, y = (begin[0] + end[0]) / 2, (begin[1] + end[1]) / 2
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="16" fill="white" stroke="black" stroke-width="1.4"/>')
        self._label(a, b, words, 24)

    def transistor(self, base: Point) -> tuple[Point, Point]:
        """An NPN transistor right of its base; where collector (above) and emitter (below) end."""
        x, y = base
        self.wire(base, (x + 14, y))
        self.wire((x + 14, y - 13), (x + 14, y + 13), thick=2.6)
        self.wire((x + 14, y - 6), (x + 30, y - 18), (x + 30, y - 30))
        self.wire((x + 14, y + 6), (x + 30, y + 18), (x + 30, y + 30))
        self._shape(f"M{x + 30:g},{y + 18:g} l-9,-2 l5,-7 Z", "black")
        return (x + 30, y - 30), (x + 30, y + 30)

    def ground(self, at: Point) -> None:
        x, y = at
        self.wire(at, (x, y + 8))
        for n, half in enumerate((11, 7, 3)):
            self.wire((x - half, y + 8 + 4 * n), (x + half, y + 8 + 4 * n), thick=1.8)

    def supply(self, at: Point, words: str) -> None:
        x, y = at
        self.wire(at, (x, y - 8))
        self.wire((x - 10, y - 8), (x + 10, y - 8), thick=1.8)
        self.text(x, y - 14, words, "middle")

    def box(self, x: float, y: float, width: float, title: str, left: Sequence[str] = (), right: Sequence[str] = (),
            least: float = 0, pitch: float = PITCH) -> dict[str, Point]:
        """A box with named pins; where each pin's stub ends, by its name. Names on one box must differ."""
        height = max(least, pitch * max(len(left), len(right), 1) + 36)
        self._parts.append(f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" rx="5" fill="#f4f4f4" '
                           'stroke="black" stroke-width="1.6"/>')
        self.text(x + width / 2, y + 19, title, "middle", 12, bold=True)
        ends: dict[str, Point] = {}
        for names, edge, way, anchor in ((left, x, -1, "start"), (right, x + width, 1, "end")):
            for n, name in enumerate(names):
                at = y + 44 + pitch * n
                self.wire((edge, at), (edge + way * STUB, at))
                self.text(edge - way * 6, at + 4, name, anchor)
                ends[name] = (edge + way * STUB, at)
        return ends

    def key(self, at: Point, words: str) -> None:
        """A key of a keypad, about its middle."""
        self._parts.append(f'<rect x="{at[0] - 17:g}" y="{at[1] - 17:g}" width="34" height="34" rx="5" fill="white" '
                           'stroke="black"/>')
        self.text(at[0], at[1] + 5, words, "middle", 14, bold=True)

    def pin(self, at: Point, words: str, fill: str) -> None:
        """One pin of a header, with its number in it."""
        self._parts.append(f'<circle cx="{at[0]:g}" cy="{at[1]:g}" r="10" fill="{fill}" stroke="black"/>')
        self.text(at[0], at[1] + 3.5, words, "middle", 9)

    def warn(self, y: float, words: str) -> None:
        """A line at the bottom that says what burns."""
        self.text(14, y, words, size=11.5, bold=True, colour=HAZARD)

    def svg(self) -> str:
        return (f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width}" height="{self.height}" '
                f'viewBox="0 0 {self.width} {self.height}" font-family="DejaVu Sans, Arial, sans-serif">\n'
                f"<title>{escape(self.title)}</title>\n"
                f'<rect width="{self.width}" height="{self.height}" fill="white"/>\n' + "\n".join(self._parts) + "\n</svg>\n")
