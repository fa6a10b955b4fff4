"""`python -m tests.pictures`: the README's two pictures, from the real program.

The screen at a reading of a practice test, as text in an SVG; the first page of the invented day's report, as a PNG that carries
the digest of the page's words, so that a test sees when it is older than the page.
"""
from __future__ import annotations

import hashlib
import re
import tempfile
from html import escape
from io import BytesIO
from pathlib import Path

from assistant.station.layout import layout
from assistant.station.practice_keys import PRACTICE_KEYS
from assistant.station.view import of
from tests.command import bowlside
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import to_run_1

DOCS = Path(__file__).resolve().parents[1] / "assistant" / "docs"
SCREEN, PAGE = DOCS / "screen.svg", DOCS / "report.png"
WIDTH, HEIGHT, ACROSS, DOWN = 88, 24, 8.4, 17
"""Columns and rows of the terminal; of one character, in pixels."""
DIGEST = "Made from words"


def screen() -> str:
    """The terminal while the second charge of run 1 is read, on light ground."""
    with tempfile.TemporaryDirectory() as folder:
        test = to_run_1(Dialogue(Path(folder))).one_step(1, 1, "14.50", "7.25")
        while not test.state.prompt.startswith("pump.1.2"):
            test.hear("yes" if "release" in test.state.prompt else "next")
        view = of(test.state, test.now, "PRACTICE, nothing counts.", "29.93 psi", keys=PRACTICE_KEYS,
                  meter="METER: lever released, petcocks closed, lid on")
    rows = "".join(f'<text x="12" y="{12 + DOWN * (number + 1)}">{escape(line)}</text>\n'
                   for number, line in enumerate(layout(view, WIDTH, HEIGHT)) if line.strip())
    wide, high = round(WIDTH * ACROSS) + 24, HEIGHT * DOWN + 28
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide} {high}" width="{wide}" height="{high}" role="img">\n'
            f"<title>{escape(view.title)}</title>\n"
            f'<rect width="{wide}" height="{high}" rx="8" fill="#fbfaf6" stroke="#444"/>\n'
            f'<g font-family="DejaVu Sans Mono, monospace" font-size="14" fill="#111" xml:space="preserve">\n{rows}</g>\n</svg>\n')


def report(folder: Path) -> Path:
    """The PDF of the invented day."""
    done = bowlside("log", "export", "--demo", folder / "day")
    assert done.code == 0, done
    return folder / "day" / "day.pdf"


def words(pdf: Path) -> str:
    """The digest of what the first page says, but for the day and the hour."""
    from pypdf import PdfReader
    said = re.sub(r"\d{4}-\d\d-\d\d|\d\d:\d\d", "", PdfReader(pdf).pages[0].extract_text())
    return hashlib.sha256(said.encode()).hexdigest()


def draw(pdf: Path) -> bytes:
    """Its first page, 900 pixels high, in sixteen greys."""
    import pypdfium2
    from PIL import PngImagePlugin
    page = pypdfium2.PdfDocument(pdf)[0]
    image = page.render(scale=900 / page.get_height()).to_pil().convert("L").quantize(16)
    told = PngImagePlugin.PngInfo()
    told.add_text(DIGEST, words(pdf))
    png = BytesIO()
    image.save(png, "PNG", optimize=True, pnginfo=told)
    return png.getvalue()


if __name__ == "__main__":
    SCREEN.write_text(screen(), encoding="utf-8")
    with tempfile.TemporaryDirectory() as place:
        PAGE.write_bytes(draw(report(Path(place))))
