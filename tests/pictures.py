"""`python -m tests.pictures`: the README's three pictures, from the real program.

The screen at a reading of a practice test, as text in an SVG; the first page of the invented day's report, as a PNG that carries
the digest of the page's words, so that a test sees when it is older than the page; and the crew's board on a phone in a leak hold,
the same way, where there is a Chromium to draw it.
"""
from __future__ import annotations

import hashlib
import re
import tempfile
from decimal import Decimal
from html import escape
from io import BytesIO
from pathlib import Path

from PIL import Image, PngImagePlugin

from assistant.board.bulletin import of as bulletin_of
from assistant.board.bulletin import stamped
from assistant.board.markup import Html
from assistant.board.pages import live
from assistant.board.published import Snapshot
from assistant.core.events import GaugeReads
from assistant.station.layout import layout
from assistant.station.practice_keys import PRACTICE_KEYS
from assistant.station.view import of
from tests.board import browser
from tests.command import bowlside
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import to_run_1

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "assistant" / "docs"
SCREEN, PAGE, BOARD = DOCS / "screen.svg", DOCS / "report.png", DOCS / "board.png"
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
    """Its first page, 900 pixels high."""
    import pypdfium2
    page = pypdfium2.PdfDocument(pdf)[0]
    return _png(page.render(scale=900 / page.get_height()).to_pil().convert("L"), words(pdf))


def board() -> Html:
    """The board's page, two minutes into a leak hold whose gauge is on a wire and falls by 0.02 psi."""
    with tempfile.TemporaryDirectory() as folder:
        test = Dialogue(Path(folder), header={"station": "Station 1 (invented)"})
        test.hear("next").hear("yes").reading("leak.charge", "45.25").wait(8).reading("leak.initial", "45.21")
        for second in range(121):
            test.wait(1).event(GaugeReads(test.now, Decimal(45210 - second // 6) / 1000))
        shown = stamped(bulletin_of(test.state, practice=True), test.now)
    return live("now", Snapshot("picture", {**shown, "at": test.now}), test.now, shown["station"])


def board_words(page: Html) -> str:
    """The digest of what stands on it. The style sheet and the letters' shapes are not in it."""
    return hashlib.sha256(" ".join(re.sub(r"<[^>]*>", " ", page).split()).encode()).hexdigest()


def draw_board(page: Html, folder: Path) -> bytes:
    """What a phone shows of it, 390 x 844 pixels."""
    with browser.started("chromium") as chromium:
        style = (ROOT / "assistant/board/static/board.css").as_uri()
        (folder / "board.html").write_text(re.sub(r"<script.*?</script>|<noscript.*?</noscript>", "", page)
                                           .replace("/static/board.css", style), encoding="utf-8")
        chromium.size(390, 844)
        chromium.open((folder / "board.html").as_uri())
        chromium.picture(folder / "board.png", whole=False)
    return _png(Image.open(folder / "board.png").convert("RGB"), board_words(page))


def _png(image: Image.Image, digest: str) -> bytes:
    """In sixteen colours, with the digest of the words that stand on it."""
    told = PngImagePlugin.PngInfo()
    told.add_text(DIGEST, digest)
    png = BytesIO()
    image.quantize(16).save(png, "PNG", optimize=True, pnginfo=told)
    return png.getvalue()


if __name__ == "__main__":
    SCREEN.write_text(screen(), encoding="utf-8")
    with tempfile.TemporaryDirectory() as place:
        PAGE.write_bytes(draw(report(Path(place))))
        if "chromium" in browser.here():
            BOARD.write_bytes(draw_board(board(), Path(place)))
        else:
            print(f"No Chromium here: {BOARD} stays as it is.")
