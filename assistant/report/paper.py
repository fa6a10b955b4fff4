"""Letter paper with reportlab: a title and marks on every page, tables, fields with a line to write on, drawings."""
from __future__ import annotations

from collections.abc import Sequence
from functools import cache, partial
from io import BytesIO
from pathlib import Path
from typing import BinaryIO
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import inch
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (BaseDocTemplate, Flowable, Frame, Image, KeepInFrame, NextPageTemplate, PageBreak, PageTemplate,
                                Paragraph, Spacer, Table)

WIDTH = 7.5 * inch
BOLD = '<font name="Bowlside-Bold">{}</font>'
LEAST_SCALE = 0.72
"""Print is 7 points here; at 5 points a page is no longer readable on a copy."""
_MARGIN = 0.5 * inch


@cache
def _fonts() -> None:
    """DejaVu Sans, which comes with matplotlib: a name in any European script can be printed."""
    import matplotlib
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdfmetrics.registerFont(TTFont("Bowlside", folder / "DejaVuSans.ttf"))
    pdfmetrics.registerFont(TTFont("Bowlside-Bold", folder / "DejaVuSans-Bold.ttf"))


def _style(size: float, bold: bool = False) -> ParagraphStyle:
    _fonts()
    return ParagraphStyle("plain", fontName="Bowlside-Bold" if bold else "Bowlside", fontSize=size, leading=size * 1.25)


class Paper:
    """Pages being filled. ``made``: when, as the foot of each page says."""

    def __init__(self, made: str) -> None:
        _fonts()
        self.made, self.high = made, 0.0
        self.done: list[Flowable] = []
        self.story: list[Flowable] = []
        """What is on the page being filled."""
        self.templates: list[PageTemplate] = []

    def new_page(self, title: str, marks: Sequence[str]) -> None:
        """A page with its title and marks; what does not fit on it goes on under the same ones."""
        self._close_page()
        name = f"page{len(self.templates)}"
        top = 0.55 * inch + 0.2 * inch * len(marks)
        self.high = letter[1] - 0.45 * inch - top
        frame = Frame(_MARGIN, 0.45 * inch, WIDTH, self.high, 0, 0, 0, 0)
        self.templates.append(PageTemplate(name, [frame], onPage=partial(self._around, title, marks)))
        self.done += [NextPageTemplate(name), PageBreak()] if self.done else []

    def _close_page(self) -> None:
        """A page that is a little too full is made smaller, so that a round stays on one; a far too full one goes on."""
        needed = sum(one.wrap(WIDTH, self.high)[1] for one in self.story)
        if self.high < needed <= self.high / LEAST_SCALE:
            self.story = [KeepInFrame(WIDTH, self.high - 1, self.story, mode="shrink")]
        self.done += self.story
        self.story = []

    def _around(self, title: str, marks: Sequence[str], canvas, document) -> None:
        canvas.setFont("Bowlside-Bold", 12)
        canvas.drawString(_MARGIN, letter[1] - 0.42 * inch, title)
        for number, mark in enumerate(marks):
            high = letter[1] - 0.68 * inch - 0.2 * inch * number
            canvas.rect(_MARGIN, high, WIDTH, 0.18 * inch)
            canvas.setFont("Bowlside-Bold", 8)
            canvas.drawCentredString(letter[0] / 2, high + 4, mark)
        canvas.setFont("Bowlside", 6)
        canvas.drawString(_MARGIN, 0.28 * inch, f"Made by Bowlside from its record, {self.made[:16].replace('T', ' ')}. "
                          "The agency's own edition governs; no conformance is claimed.")
        canvas.drawRightString(letter[0] - _MARGIN, 0.28 * inch, f"page {document.page}")

    def add(self, flowable: Flowable) -> None:
        self.story += [flowable, Spacer(1, 3)]

    def head(self, words: str) -> None:
        head = Paragraph(escape(words), _style(8.5, bold=True))
        head.keepWithNext = True
        self.story += [Spacer(1, 3), head, Spacer(1, 1)]

    def text(self, marked_up: str) -> None:
        self.story.append(Paragraph(marked_up, _style(7.5)))

    def small(self, words: str) -> None:
        self.story.append(Paragraph(escape(words), _style(5.8)))

    def beside(self, drawn: Sequence[Image]) -> None:
        self.story.append(Table([list(drawn)], colWidths=[WIDTH / 2] * len(drawn), hAlign="LEFT",
                                style=[("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 0),
                                       ("VALIGN", (0, 0), (-1, -1), "TOP")]))

    def write(self, target: BinaryIO, title: str) -> None:
        document = BaseDocTemplate(target, pagesize=letter, title=title, author="", creator="Bowlside", invariant=1)
        document.addPageTemplates(self.templates)
        self._close_page()
        document.build(self.done)


def grid(fields: Sequence[tuple[str, str]], columns: int, tall: bool = False) -> Table:
    """Fields as small names over values, each on a line to write on. ``tall``: with room for a hand, and never parted by a page."""
    cells = [[Paragraph(escape(name), _style(5.5)), Spacer(1, 8 if tall else 0), Paragraph(escape(value) or "&nbsp;", _style(7.5))]
             for name, value in fields]
    cells += [[]] * (-len(cells) % columns)
    rows = [cells[at:at + columns] for at in range(0, len(cells), columns)]
    return Table(rows, colWidths=[WIDTH / columns] * columns, hAlign="LEFT", splitByRow=not tall, style=[
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, colors.black), ("LEFTPADDING", (0, 0), (-1, -1), 1), ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1), ("VALIGN", (0, 0), (-1, -1), "BOTTOM")])


def table(head: Sequence[str], rows: Sequence[Sequence[str]], inches: Sequence[float], escaped: bool = False) -> Table:
    """A ruled table whose head is repeated on the next page. ``escaped``: the cells are marked up already."""
    cells = [[Paragraph(escape(each), _style(6, bold=True)) for each in head]]
    cells += [[Paragraph(each if escaped else escape(each), _style(7)) for each in row] for row in rows]
    whole = sum(inches)
    return Table(cells, colWidths=[WIDTH * each / whole for each in inches], repeatRows=1, hAlign="LEFT", style=[
        ("GRID", (0, 0), (-1, -1), 0.4, colors.black), ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2), ("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5)])


def blank_lines(names: Sequence[str]) -> Table:
    """Lines to write on by hand, each with what belongs there."""
    return Table([[Paragraph(escape(f"{name}:"), _style(7)), ""] for name in names], colWidths=[2.1 * inch, WIDTH - 2.1 * inch],
                 hAlign="LEFT", style=[("LINEBELOW", (1, 0), (1, -1), 0.4, colors.black), ("LEFTPADDING", (0, 0), (-1, -1), 0),
                                       ("TOPPADDING", (0, 0), (-1, -1), 3), ("BOTTOMPADDING", (0, 0), (-1, -1), 1)])


def image(png: BytesIO, wide: float) -> Image:
    """A drawing as wide as that, in points, in its own proportions."""
    across, down = ImageReader(png).getSize()
    png.seek(0)
    return Image(png, width=wide, height=wide * down / across)
