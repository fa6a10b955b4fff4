"""The card for the wall of the site hut: the card of the keys, below it how a phone gets to the board. SVG, A4 to fold in two."""
from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from assistant.board import address
from assistant.board.markup import Html, el
from assistant.board.pages import words
from assistant.report import key_card

MODULE_MM = 2.0
LEFT, APART, TOP = 15.0, 95.0, 20.0


def svg(url: str, network: str = "", password: str = "") -> Html:
    """``network``: that which phones have to join first, if it is told. Sizes in mm."""
    codes: list[tuple[str, Sequence[str], str]] = [(words("card_scan"), (url,), url)]
    if network:
        codes.insert(0, (words("card_join"), (network, password), address.wifi(network, password)))
    lower = [_code(LEFT + n * APART, *code) for n, code in enumerate(codes)]
    keys = key_card.svg().replace('width="210mm" height="148mm"', 'width="210" height="148"', 1)    # the units are mm in here
    return el("svg",
              Html(keys),
              el("g", el("text", words("title"), x=LEFT, y=12, font_size=6, font_weight="bold"), lower,
                 el("text", words("card_code"), x=LEFT, y=125, font_size=4), el("text", words("only"), x=LEFT, y=131, font_size=3),
                 transform="translate(0 149)"),
              xmlns="http://www.w3.org/2000/svg", width="210mm", height="297mm", viewBox="0 0 210 297",
              font_family="sans-serif")


def _code(x: float, above: str, below: Sequence[str], text: str) -> Html:
    rows = address.qr_rows(text)
    dark = "".join(f"M{col} {row}h1v1h-1z" for row, line in enumerate(rows) for col, module in enumerate(line) if module)
    size = min(MODULE_MM, 80 / len(rows))
    under = TOP + size * len(rows) + 6
    return el("g", el("text", above, x=x, y=TOP, font_size=4.5),
              el("path", d=dark, transform=f"translate({x:g} {TOP + 1:g}) scale({size:g})", shape_rendering="crispEdges"),
              [el("text", line, x=x, y=under + 6 * n, font_size=4.5, font_weight="bold") for n, line in enumerate(below)])


def write(path: Path, url: str, network: str, password: str) -> None:
    """Raises OSError."""
    path.write_text(svg(url, network, password), encoding="utf-8")
