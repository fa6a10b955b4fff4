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


THIN = 0.5
"""A scale for narrow screens: as high as scale 1, half as wide."""


def _dot(scale: float) -> int:
    return round(2 * scale)


def big_width(text: str, scale: float = 1) -> int:
    """Columns that `big` needs."""
    return (sum(len(_rows(character)[0]) + 1 for character in text) - 1) * _dot(scale)


def big(text: str, scale: float = 1) -> list[str]:
    """Five times `scale` lines, or five; a dot is two columns wide, as a terminal's cell is half a square, but for THIN."""
    lines = []
    for row in range(5):
        dots = " ".join(_rows(character)[row] for character in text)
        lines += ["".join(("█" if dot == "#" else " ") * _dot(scale) for dot in dots)] * max(1, round(scale))
    return lines
