"""Letter paper with reportlab: a title and marks on every page, tables, fields with a line to write on, drawings."""
from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from functools import partial
from typing import BinaryIO
from xml.sax.saxutils import escape

from reportlab.graphics.shapes import Drawing, Group
from reportlab.lib import colors
from reportlab.lib.pagesizes import letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    NextPageTemplate,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)

from assistant.report.axes import FONT, fonts, printable

WIDTH = 7.5 * inch
_MARGIN = 0.5 * inch
_FOOT, _FOOT_RIGHT = 0.28 * inch, letter[0] - _MARGIN - 18
_PAGES = "pages"
SCALES = (1.0, 0.93, 0.86, 0.8)
"""A page that is a little too full is printed smaller, so that a round stays on one; below that a copy is hard to read (ours)."""


_ALL = (0, 0), (-1, -1)
"""Every cell of a table, as reportlab names them."""


def _padding(left: float, right: float, top: float, bottom: float) -> list[tuple]:
    sides = {"LEFTPADDING": left, "RIGHTPADDING": right, "TOPPADDING": top, "BOTTOMPADDING": bottom}
    return [(side, *_ALL, points) for side, points in sides.items()]


class Page:
    """What is on one page, at one size of print. Texts are plain, but for ``marked_up`` ones."""

    def __init__(self, scale: float) -> None:
        self.scale = scale
        self.story: list[Flowable] = []

    def _words(self, marked_up: str, size: float, bold: bool = False) -> Paragraph:
        points = size * self.scale
        style = ParagraphStyle("plain", fontName=f"{FONT}-Bold" if bold else FONT, fontSize=points, leading=points * 1.22)
        return Paragraph(printable(marked_up), style)

    def _gap(self, points: float) -> None:
        self.story.append(Spacer(1, points * self.scale))

    def head(self, words: str, drawn: bool = False) -> None:
        """``drawn``: over a drawing, which it stays on one page with."""
        self._gap(3)
        head = self._words(escape(words), 8.5, bold=True)
        head.keepWithNext = True
        self.story.append(head)
        self._gap(1)
        self.story[-1].keepWithNext = drawn

    def text(self, words: str, bold: str = "") -> None:
        """A paragraph, its beginning in bold."""
        first = f'<font name="{FONT}-Bold">{escape(bold)}</font> ' if bold else ""
        self.story.append(self._words(first + escape(words), 7.5))

    def small(self, words: str) -> None:
        self.story.append(self._words(escape(words), 5.8))

    def fields(self, fields: Sequence[tuple[str, str]], columns: int = 4, tall: bool = False) -> None:
        """Small names over values, each on a line to write on. ``tall``: with room for a hand, and never parted by a page."""
        cells = [[self._words(escape(name), 5.5), Spacer(1, 8 if tall else 0), self._words(escape(value) or "&nbsp;", 7.5)]
                 for name, value in fields]
        cells += [[]] * (-len(cells) % columns)
        rows = [cells[at:at + columns] for at in range(0, len(cells), columns)]
        self.story.append(Table(rows, colWidths=[WIDTH / columns] * columns, hAlign="LEFT", splitByRow=not tall, style=[
            ("LINEBELOW", *_ALL, 0.4, colors.black), ("VALIGN", *_ALL, "BOTTOM"), *_padding(1, 6, 1, 1)]))
        self._gap(3)

    def table(self, head: Sequence[str], rows: Sequence[Sequence[str]], inches: Sequence[float], marked_up: bool = False) -> None:
        """A ruled table whose head is repeated where it goes on; columns in the proportions of ``inches``."""
        cells = [[self._words(escape(each), 6, bold=True) for each in head]]
        cells += [[self._words(each if marked_up else escape(each), 7) for each in row] for row in rows]
        widths = [WIDTH * each / sum(inches) for each in inches]
        self.story.append(Table(cells, colWidths=widths, repeatRows=1, hAlign="LEFT", style=[
            ("GRID", *_ALL, 0.4, colors.black), ("VALIGN", *_ALL, "TOP"), *_padding(2, 2, 0.8, 1.4)]))
        self._gap(3)

    def lines(self, names: Sequence[str]) -> None:
        """Lines to write on by hand, each with what belongs there."""
        rows = [[self._words(escape(f"{name}:"), 7), ""] for name in names]
        self.story.append(Table(rows, colWidths=[2.1 * inch, WIDTH - 2.1 * inch], hAlign="LEFT", style=[
            ("LINEBELOW", (1, 0), (1, -1), 0.4, colors.black), *_padding(0, 6, 3, 1)]))
        self._gap(3)

    def drawing(self, drawn: Drawing) -> None:
        self.story.append(self._fitted(drawn, WIDTH))

    def drawings(self, drawn: Sequence[Drawing]) -> None:
        """Two beside each other."""
        for at in range(0, len(drawn), 2):
            two = [self._fitted(each, WIDTH / 2) for each in drawn[at:at + 2]]
            self.story.append(Table([two], colWidths=[WIDTH / 2] * len(two), hAlign="LEFT", style=[
                ("VALIGN", *_ALL, "MIDDLE"), ("ALIGN", *_ALL, "CENTER"), *_padding(0, 0, 1, 1)]))

    def _fitted(self, drawn: Drawing, wide: float) -> Drawing:
        """In its own proportions, and smaller where the print is."""
        by = wide * self.scale / drawn.width
        whole = Group(*drawn.contents)
        whole.scale(by, by)
        return Drawing(drawn.width * by, drawn.height * by, whole)

    def high(self) -> float:
        """Points that it needs."""
        return sum(one.wrap(WIDTH, letter[1])[1] for one in self.story)


class _Counted(Canvas):
    """Once all pages are there it is known how many: the form that each of them shows at its foot."""

    def save(self) -> None:
        self.beginForm(_PAGES)
        self.setFont(FONT, 6)
        self.drawString(_FOOT_RIGHT, _FOOT, f"of {self.getPageNumber() - 1}")
        self.endForm()
        super().save()


class Paper:
    """The whole document. ``made``: when, as the foot of each page says."""

    def __init__(self, made: str) -> None:
        fonts()
        self.made = made
        self.story: list[Flowable] = []
        self.templates: list[PageTemplate] = []

    def page(self, title: str, marks: Sequence[str], fill: Callable[[Page], None]) -> None:
        """A page with its title and marks, in the largest print in which it is one page.

        Far too much goes on, under the same title and marks.
        """
        name = f"page{len(self.templates)}"
        title, marks = printable(title), [printable(mark) for mark in marks]
        top = 0.55 * inch + 0.2 * inch * len(marks)
        high = letter[1] - 0.45 * inch - top
        frame = Frame(_MARGIN, 0.45 * inch, WIDTH, high, 0, 0, 0, 0)
        self.templates.append(PageTemplate(name, [frame], onPage=partial(self._around, title, marks)))
        for scale in SCALES:
            page = Page(scale)
            fill(page)
            if page.high() <= high:
                break
        self.story += [*([NextPageTemplate(name), PageBreak()] if self.story else []), *page.story]

    def _around(self, title: str, marks: Sequence[str], canvas, document) -> None:
        wide = pdfmetrics.stringWidth(title, f"{FONT}-Bold", 12)
        canvas.setFont(f"{FONT}-Bold", 12 * min(1.0, WIDTH / wide))
        canvas.drawString(_MARGIN, letter[1] - 0.42 * inch, title)
        for number, mark in enumerate(marks):
            high = letter[1] - 0.68 * inch - 0.2 * inch * number
            canvas.rect(_MARGIN, high, WIDTH, 0.18 * inch)
            canvas.setFont(f"{FONT}-Bold", 8)
            canvas.drawCentredString(letter[0] / 2, high + 4, mark)
        canvas.setFont(FONT, 6)
        canvas.drawString(_MARGIN, _FOOT, f"Made by Bowlside from its record, {self.made[:16].replace('T', ' ')}. "
                          "Local codes and licensed practice come first. The agency's own edition governs; "
                          "no conformance is claimed.")
        canvas.drawRightString(_FOOT_RIGHT - 2, _FOOT, f"page {document.page}")
        canvas.doForm(_PAGES)

    def write(self, target: BinaryIO, title: str) -> None:
        """The same record and ``made`` give the same bytes."""
        document = BaseDocTemplate(target, pagesize=letter, title=title, author="", creator="Bowlside", invariant=1)
        document.addPageTemplates(self.templates)
        document.build(self.story, canvasmaker=self._canvas)

    def _canvas(self, *args, **more) -> Canvas:
        canvas = _Counted(*args, **more)
        offset = datetime.fromisoformat(self.made).strftime("%z")
        created = self.made[:16].translate({ord(each): None for each in "-:T"})
        canvas.setDateFormatter(lambda *_: f"D:{created}00" + (f"{offset[:3]}'{offset[3:5]}'" if offset else ""))
        return canvas
