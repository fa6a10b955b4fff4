"""What the station's screen shows: what to do now, a big clock, the reading, the result, and what it listens for.

`layout` is pure: a `View` and a size in, lines of text out; `screen.py` paints them. Everything
is said by words and shapes; bold and reverse are only an extra. Made to be read at two metres: few words,
much space.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from dataclasses import dataclass, field

from assistant.core.language import sentence
from assistant.station.big_digits import THIN, big, big_width


@dataclass(frozen=True)
class View:
    """All that the screen shows. Every field may be left out."""

    title: str = ""
    """The test and where it stands: "Sequential test, run 1, step 2"."""
    do: str = ""
    """What to do now, in full sentences."""
    caution: str = ""
    """A danger, or ""."""
    clock_s: float | None = None
    """Seconds left, or None when no clock runs."""
    clock_label: str = ""
    """What the clock is: "HOLD", "TAP", "SETTLE"."""
    last: str = ""
    """The last reading: "E1.1 7.25 psi". If just one number stands alone in it, that is drawn big."""
    heard: str = ""
    """What was last heard."""
    listens: str = ""
    """What the station listens for: "a reading, say again"; "" while it is deaf."""
    typed: str = ""
    """Keys typed so far; `*` shows as the decimal point."""
    status: str = ""
    """One line: devices, the practice mark."""
    gauge: str | None = None
    """The gauge, "31.81 psi", or None."""
    gauge_label: str = ""
    """Which gauge that is; empty: the simulated one."""
    keys: str = ""
    """The help line."""
    keys_short: str = ""
    """The same for a narrow screen, one line that is never cut."""
    progress: str = ""
    """"step 12 of 58"."""
    messages: tuple[str, ...] = field(default=())
    """Remarks, the newest last; the last three are shown."""
    check: str = ""
    """The number to be checked, while that is asked: nothing else is drawn big."""
    verdict: str = ""
    """The verdict on the test and why, while something else is done."""
    figures: tuple[tuple[str, str], ...] = ()
    """Results: name and figures, drawn big where there is room."""
    table: tuple[str, ...] = ()
    """The readings so far, a head and rows."""
    other_rows: tuple[str, ...] = ()
    """Rows that go first where there is no room."""
    waits: str = ""
    """What goes on with any key; "" where the station listens or is deaf."""


DO, CAUTION = "▌ ", "!! "
_MARGIN, _GAP = " ", "    "
NARROW = 60
"""Columns: on fewer, digits are thin side by side and the legend is short."""
_NUMBER = re.compile(r"(?<![\w./-])-?\d+(?:[.:]\d+)?(?![\w./-]*\d)")
_PLAIN = str.maketrans({"▌": "|", "█": "#", "─": "-", "■": "#", "●": "o", "▶": ">", "·": "-", "…": "~",
                        "–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "°": " deg ",
                        "±": "+/-", "×": "x", "→": ">", "←": "<", "↑": "^", "↓": "v"})


def layout(view: View, width: int, height: int, plain: bool = False) -> list[str]:
    """Exactly `height` lines of at most `width` characters, each one column wide.

    plain  for a terminal without Unicode: only ASCII comes out
    """
    width, height = max(width, 1), max(height, 1)
    inner = max(width - 2 * len(_MARGIN), 1)
    for size in (2, 1, 0) if height >= 30 or view.check else (1, 0):
        above, below = _rows(view, inner, height, size)
        rows = above + below
        # What has to go first if there is no room: the highest rank, and of one rank the last.
        by_need = sorted(range(len(rows)), key=lambda at: rows[at][0])
        kept = set(by_need[:height])
        dearest_gone = rows[by_need[height]][0] if len(rows) > height else _NOTHING
        if dearest_gone >= {2: _OLDER if view.check else _NOTHING, 1: _TITLE if view.check or view.figures else _TABLE, 0: _DO}[size]:
            break
    top = [text for at, (_, text) in enumerate(rows) if at in kept and at < len(above)]
    bottom = [text for at, (_, text) in enumerate(rows) if at in kept and at >= len(above)]
    return _finish(top + [""] * (height - len(kept)) + bottom, width, plain)


_DO, _NEEDED, _DO_MORE, _TITLE, _TABLE, _HEARD, _MESSAGE, _STATUS, _KEYS, _OLDER, _BLANK, _NOTHING = range(12)


Ranked = list[tuple[int, str]]


def _rows(view: View, width: int, height: int, size: int) -> tuple[Ranked, Ranked]:
    """Every row with its rank, from the top down, and from the panels to the bottom."""
    most = 5 if height >= 20 or view.waits and not view.figures else 4 if view.waits else 3
    do = [DO + line for line in _wrap(view.do, width - len(DO), most)]
    caution = _wrap(view.caution, width - 2 * len(CAUTION), most=2)
    wide = max(map(len, caution), default=0)
    above = [(_TITLE, _ends(view.title.upper(), view.progress, width)), (_BLANK, "─" * width), (_BLANK, "")]
    above += [(_DO if line is do[0] else _DO_MORE, line) for line in do] + [(_BLANK, "")]
    above += [(_NEEDED, f"{CAUTION}{line:<{wide}} !!") for line in caution] + [(_BLANK, "")] * bool(caution)
    above += [(_NEEDED, f"■ {line}") for line in _wrap(view.verdict, width - 2, most=2)]
    above += [(_TABLE, _clip(line, width)) for line in view.table]
    above += [(_OLDER, _clip(line, width)) for line in view.other_rows] + [(_BLANK, "")] * bool(view.table)
    panels, rest = _panels(view, width, size)
    below = [(_NEEDED, line) for line in panels]
    below += [(_NEEDED, line) for line in rest] or [(_BLANK, "")]
    below += [(_HEARD if view.heard else _BLANK, _labelled(sentence("screen.heard"), view.heard, width))]
    below += [(_TITLE, _listening(view, width))]
    room = (3 if height >= 30 else 2) * (3 if view.waits and height >= 20 else 1)
    messages: list[str] = []
    for message in view.messages[:-room - 1:-1]:  # the newest has its room first; an older one never begins in its middle
        lines = _wrap(message, width - 2, most=room - len(messages)) if len(messages) < room else []
        messages[:0] = [f"{'·' if not at else ' '} {line}" for at, line in enumerate(lines)]
    newest = max((at for at, line in enumerate(messages) if line[0] == "·"), default=0)
    below += [(_MESSAGE if at >= newest else _OLDER, line) for at, line in enumerate(messages)]
    below += [(_BLANK, "")] * (room - len(messages))
    help_lines = [(_STATUS, _clip(view.status, width))] * bool(view.status)
    if view.keys_short and width < NARROW:
        help_lines.append((_TITLE, _clip(view.keys_short, width)))
    else:
        help_lines += [(_KEYS, line) for line in _wrap(view.keys, width, most=3)]
    return above, below + [(_BLANK, "─" * width)] * bool(help_lines) + help_lines


def emphasis(line: str) -> str:
    """How a line may be stressed where the terminal can: "bold", "reverse" or ""."""
    text = line.lstrip()
    if text.startswith(CAUTION):
        return "reverse"
    return "bold" if text.startswith((DO[0], "|")) or "█" in text or "##" in text else ""


def _panels(view: View, width: int, size: int) -> tuple[list[str], list[str]]:
    """Clock, gauge, and what is typed (else results, else the last reading), drawn big side by side; and, as text, what did
    not fit. Size 0 draws nothing. The most important takes its place first, and alone may be of size 2. Beside a gauge the last
    reading and results are text, and beside a number to be checked everything is: none can be taken for the other."""
    panels: list[tuple[int, str, str]] = []  # need (0 most, 9: text), label, what it shows; from left to right
    if view.check:
        panels.append((0, f"▶ {sentence('screen.check')}", view.check))
    if view.clock_s is not None:
        panels.append((1, f"■ {view.clock_label.upper() or sentence('screen.clock')}", _clock(view.clock_s)))
    if view.gauge is not None:
        panels.append((2, f"● {view.gauge_label or sentence('screen.gauge')}", view.gauge))
    if view.typed:
        panels.append((0, f"▶ {sentence('screen.typed')}", view.typed.replace("*", ".") + "_"))
    elif view.figures:
        panels += [(3 if view.gauge is None else 9, name.upper(), value) for name, value in view.figures]
    if view.last and not view.typed:
        panels.append((9 if view.gauge is not None or view.figures else 3, sentence("screen.last"), view.last))
    if view.check:
        panels = [(need if at == 0 else 9, label, text) for at, (need, label, text) in enumerate(panels)]
    drawn: dict[int, list[str]] = {}
    texts: dict[int, str] = {}
    used = 0
    narrow = width < NARROW and len(view.figures) > 1 and view.gauge is None
    gap = "  " if narrow else _GAP
    scales: tuple[float, ...] = (THIN,) * bool(size) if narrow else (2, 1)[2 - size:]
    for place, (need, label, text) in sorted(enumerate(panels), key=lambda panel: panel[1][0]):
        number, words = _number_in(text)
        scale = 0.0 if number is None or need == 9 else next((
            one for one in scales if (one < 2 or not drawn) and used + max(big_width(number, one), len(label)) <= width), 0.0)
        if number is None or not scale:
            texts[place] = _clip(f"{label}  {text}", width)
            continue
        block = [_clip(f"{label}  {words}".rstrip(), width - used), *[""] * (round(scale) - 1), *big(number, scale)]
        drawn[place] = [line.ljust(max(map(len, block))) for line in block]
        used += len(drawn[place][0]) + len(gap)
    tall = max(map(len, drawn.values()), default=0)
    for place, block in drawn.items():  # labels in one line, digits on one line
        block[1:1] = [" " * len(block[0])] * (tall - len(block))
    lines = [gap.join(parts).rstrip() for parts in zip(*(drawn[place] for place in sorted(drawn)))]
    return lines, [texts[place] for place in sorted(texts)]


def _number_in(text: str) -> tuple[str | None, str]:
    """The number to draw big, and the words around it."""
    if text.endswith("_"):
        return text, ""
    found = list(_NUMBER.finditer(text))
    if len(found) != 1 or re.search(r"\d/\d", text):
        return None, text
    return found[0].group(), " ".join((text[:found[0].start()] + " " + text[found[0].end():]).split())


def _clock(seconds: float) -> str:
    """Minutes and seconds left, rounded up, so that 0:00 means over."""
    whole = max(0, -int(-seconds // 1))
    return f"{whole // 60}:{whole % 60:02d}"


def _listening(view: View, width: int) -> str:
    if view.waits:
        return _clip(f"▶ {view.waits}", width)
    if not view.listens:
        return f"·· {sentence('screen.deaf')}"
    return _labelled(f"▶ {sentence('screen.say_or_key')}", view.listens, width)


def _labelled(label: str, text: str, width: int) -> str:
    return _clip(f"{label}:  {text}", width) if text else ""


def _ends(left: str, right: str, width: int) -> str:
    """Title and progress. Where there is no room, the step goes first; a round's clock before it stays, and the title is cut."""
    clock = right.rpartition("   ")[0]
    if len(left) + len(right) + 2 > width and 0 < len(clock) <= width - 12:
        right, left = clock, _clip(left, width - len(clock) - 2)
    if len(left) + len(right) + 2 > width:
        return _clip(left, width)
    return left + " " * (width - len(left) - len(right)) + right


def _wrap(text: str, width: int, most: int) -> list[str]:
    lines = textwrap.wrap(_tame(text), max(width, 1))
    if len(lines) > most:
        lines = lines[:most]
        lines[-1] = _clip(lines[-1] + " …", max(width, 1))
        if not lines[-1].endswith("…"):
            lines[-1] = lines[-1][:-1] + "…"
    return lines


def _clip(text: str, width: int) -> str:
    return text if len(text) <= width else text[:max(width - 1, 0)] + "…"


def _tame(text: str) -> str:
    """One column a character: nothing that moves the cursor, joins or is two columns wide gets through."""
    if text.isascii() and text.isprintable():
        return text
    out = []
    for character in unicodedata.normalize("NFC", text):
        if not character.isprintable():
            out.append(" ")
        elif unicodedata.category(character)[0] == "M" or unicodedata.east_asian_width(character) in "WF":
            out.append("?")
        else:
            out.append(character)
    return "".join(out)


def _finish(lines: list[str], width: int, plain: bool) -> list[str]:
    lines = [_tame(_MARGIN + line) for line in lines]
    if plain:
        lines = [line.translate(_PLAIN).encode("ascii", "replace").decode() for line in lines]
    return [line[:width].rstrip() for line in lines]
