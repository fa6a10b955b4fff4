"""Digits of five rows for the screen, readable at two metres."""

from __future__ import annotations

_SHAPES = {
    "0": "### # # # # # # ###", "1": " #  ##   #   #  ###", "2": "###   # ### #   ###",
    "3": "###   # ###   # ###", "4": "# # # # ###   #   #", "5": "### #   ###   # ###",
    "6": "### #   ### # # ###", "7": "###   #   #   #   #", "8": "### # # ### # # ###",
    "9": "### # # ###   # ###", "-": "        ###        ", "_": "                ###",
}
_NARROW = {".": "    #", ":": " # # ", " ": "     "}
"""One column wide, top to bottom."""


def _rows(character: str) -> list[str]:
    if character in _NARROW:
        return list(_NARROW[character])
    shape = _SHAPES.get(character, _SHAPES["-"])
    return [shape[at:at + 3] for at in range(0, 20, 4)]


def big_width(text: str, scale: int = 1) -> int:
    """Columns that `big` needs."""
    return sum(len(_rows(character)[0]) + 1 for character in text) * 2 * scale - 2 * scale


def big(text: str, scale: int = 1) -> list[str]:
    """Five times `scale` lines; a dot is two columns wide, as a terminal's cell is half a square."""
    lines = []
    for row in range(5):
        dots = " ".join(_rows(character)[row] for character in text)
        lines += ["".join(("█" if dot == "#" else " ") * 2 * scale for dot in dots)] * scale
    return lines
