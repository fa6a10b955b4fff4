"""What the station's screen shows: what to do now, a big clock, the reading, the result, and what it listens for.

`layout` is pure: a `View` and a size in, lines of text out; `screen.py` paints them. Everything
is said by words and shapes; bold, reverse and colour are only an extra. Made to be read at two metres: few words,
much space.

Every row has a need. If there is no room for all, those of the least need go, and before a row goes that says more, numbers are
drawn smaller: first all at twice the size, then the less important ones as text.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from dataclasses import dataclass, field
from typing import NamedTuple

from assistant.core.language import sentence
from assistant.station.big_digits import THIN, big, big_width


@dataclass(frozen=True)
class View:
    """All that the screen shows. Every field may be left out."""

    title: str = ""
    """The test and where it stands: "Sequential test, run 1, step 2"."""
    do: str = ""
    """What to do now, in full sentences."""
    hint: str = ""
    """How that is done on the simulated meter."""
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
    meter: str = ""
    """How the simulated meter stands: "METER: lever released, petcocks OPEN, lid on"."""
    gauge: str | None = None
    """The gauge, "31.81 psi", or None."""
    gauge_label: str = ""
    """Which gauge that is; empty: the simulated one."""
    keys: str = ""
    """The help line."""
    keys_short: str = ""
    """The same for a narrow screen: what is pressed most comes first."""
    deadline: str = ""
    """A clock of the round, in words: "4 minutes left to begin slump."."""
    progress: str = ""
    """"step 12 of 58"."""
    messages: tuple[str, ...] = field(default=())
    """Remarks, the newest last; the last three are shown."""
    notices: tuple[str, ...] = ()
    """What devices report: true all the time, so everything of the moment comes before it."""
    check: str = ""
    """The number to be checked, while that is asked: nothing else is drawn big."""
    verdict: str = ""
    """The verdict on the test and why, while something else is done."""
    passed: bool | None = None
    """Whether the verdict is a pass, or a fail or invalid; None: neither."""
    figures: tuple[tuple[str, str], ...] = ()
    """Results: name and figures, drawn big where there is room."""
    table: tuple[str, ...] = ()
    """The readings so far, a head and rows."""
    other_rows: tuple[str, ...] = ()
    """Rows that go first where there is no room."""
    waits: str = ""
    """What goes on with any key; "" where the station listens or is deaf."""


class Line(str):
    """A line of the screen, and how it may be stressed where the terminal can: "bold", "caution", "pass", "fail" or ""."""
    style: str = ""


class _Row(NamedTuple):
    need: int
    text: str
    style: str = ""


DO, CAUTION = "┃ ", "!! "
_MARGIN, _GAP = " ", "    "
NARROW = 60
"""Columns: on fewer, the legend is short, and digits may be thin."""
LOW = 20
"""Lines: on fewer, everything is brief."""
_NUMBER = re.compile(r"(?<![\w./-])-?\d+(?:[.:]\d+)?(?![\w./-]*\d)")
_PLAIN = str.maketrans({"┃": "|", "█": "#", "─": "-", "■": "#", "●": "o", "▶": ">", "·": "-", "…": "~",
                        "–": "-", "—": "-", "’": "'", "‘": "'", "“": '"', "”": '"', "°": " deg ",
                        "±": "+/-", "×": "x", "→": ">", "←": "<", "↑": "^", "↓": "v"})

(_DO, _CAUTION, _NUMBERS, _DO_MORE, _LISTENS, _VERDICT, _KEYS, _CLOCKS, _TEXTS, _MESSAGE, _HINT, _TITLE, _BEFORE, _STATUS, _TABLE,
 _TABLE_HEAD, _MORE, _NOTICE, _BLANK, _NOTHING) = range(20)
_ALWAYS, _TYPED, _CLOCK, _GAUGE, _RESULT, _LAST, _TEXT = range(7)
"""What a number is for, most important first: to be checked, typed, a clock, a gauge, a result, the last reading; never big."""
_MAY_GO = {_ALWAYS: _CLOCKS, _TYPED: _TITLE, _CLOCK: _TITLE, _GAUGE: _TABLE, _RESULT: _TABLE, _LAST: _MORE}
"""So little needed must a row be to go before a number of that kind is drawn as text."""


def layout(view: View, width: int, height: int, plain: bool = False) -> list[Line]:
    """Exactly `height` lines of at most `width` characters, each one column wide.

    plain  for a terminal without Unicode: only ASCII comes out
    """
    width, height = max(width, 1), max(height, 1)
    inner = max(width - 2 * len(_MARGIN), 1)
    twice = [(2, _LAST, _MORE if view.check else _NOTHING)] if height >= 30 or view.check else []
    for scale, least, may_go in (*twice, *((1, kind, need) for kind, need in reversed(_MAY_GO.items())), (0, _ALWAYS, 0)):
        above, below = _rows(view, inner, height, scale, least)
        rows = above + below
        by_need = sorted(range(len(rows)), key=lambda at: rows[at].need)
        if all(rows[at].need >= may_go for at in by_need[height:]):
            break
    kept = set(by_need[:height])
    top = [row for at, row in enumerate(above) if at in kept]
    bottom = [row for at, row in enumerate(below, len(above)) if at in kept]
    return [_finish(row, width, plain) for row in (*top, *[_Row(_BLANK, "")] * (height - len(kept)), *bottom)]


def _rows(view: View, width: int, height: int, scale: int, least: int) -> tuple[list[_Row], list[_Row]]:
    """Every row, from the top down, and from the panels to the bottom."""
    judged = "" if view.passed is None else "pass" if view.passed else "fail"
    blank, rule = _Row(_BLANK, ""), _Row(_BLANK, "─" * width)
    do = [DO + line for line in _wrap(view.do, width - len(DO), most=10)]
    caution = _wrap(view.caution, width - 2 * len(CAUTION), most=5)
    wide = max(map(len, caution), default=0)
    above = [_Row(_TITLE, _heading(view, width)), *(_Row(_CLOCKS, line) for line in _wrap(view.deadline, width, most=3)), rule, blank]
    above += [_Row(_DO_MORE if at else _DO, line, judged if view.waits else "bold") for at, line in enumerate(do)]
    above += [_Row(_HINT, f"  {line}") for line in _wrap(view.hint, width - len(DO), most=4)] + [blank]
    above += [_Row(_CAUTION, f"{CAUTION}{line:<{wide}} !!", "caution") for line in caution] + [blank] * bool(caution)
    above += [_Row(_VERDICT, f"■ {line}", judged) for line in _wrap(view.verdict, width - 2, most=3 if height < LOW else 6)]
    above += [_Row(_VERDICT if view.waits else _TABLE if at else _TABLE_HEAD, _clip(line, width)) for at, line in enumerate(view.table)]
    above += [_Row(_MORE, _clip(line, width)) for line in view.other_rows] + [blank] * bool(view.table)
    below = _panels(view, width, scale, least) or [blank]
    below += [_Row(_MORE, line) for line in _wrap(view.heard and f"{sentence('screen.heard')}:  {view.heard}", width, most=2)] or [blank]
    below += [_Row(_LISTENS, line) for line in _listening(view, width)]
    below += _remarks(view, width, room=(3 if height >= 30 else 2) * (3 if view.waits and height >= LOW else 1))
    legend = _legend(view.keys_short, width) if view.keys_short and width < NARROW else _legend(view.keys, width)
    both = ("   " if width >= NARROW else " ").join(filter(None, (view.status, view.meter)))
    help_rows = [_Row(_CLOCKS if view.meter else _STATUS, line) for line in _wrap(both, width, most=4)]
    help_rows += [_Row(_MORE if at and width < NARROW else _KEYS, line) for at, line in enumerate(legend)]
    return above, below + [rule] * bool(help_rows) + help_rows


def _heading(view: View, width: int) -> str:
    """Title and progress. Where there is no room the step goes first, then the name of the test before its stage."""
    title = view.title.upper()
    while len(title) > width and ", " in title:
        title = title.partition(", ")[2]
    title = _clip(title, width)
    gap = width - len(title) - len(view.progress)
    return title + " " * gap + view.progress if gap > 1 else title


def _remarks(view: View, width: int, room: int) -> list[_Row]:
    """The newest has its room first; an older one never begins in its middle. What devices report has what is left."""
    needs = [*[_NOTICE] * len(view.notices), *[_MORE] * (len(view.messages) - 1), *[_MESSAGE] * bool(view.messages)]
    rows: list[_Row] = []
    for need, message in list(zip(needs, (*view.notices, *view.messages), strict=True))[:-room - 1:-1]:
        most = 1 if need == _NOTICE and width < NARROW else (room if view.waits else max(room, 4)) - len(rows)
        its = _wrap(message, width - 2, most) if len(rows) < room else []
        rows[:0] = [_Row(need, f"{' ' if at else '·'} {line}") for at, line in enumerate(its)]
    return rows + [_Row(_BLANK, "")] * (room - len(rows))


def _panels(view: View, width: int, scale: int, least: int) -> list[_Row]:
    """Clock, gauge, and what is typed (else results, else the last reading), drawn big side by side; and, as text, what did
    not fit or is less important than ``least``. Scale 0 draws nothing. The most important takes its place first, and alone may be of
    scale 2. Beside a gauge the last reading and results are text, and beside a number to be checked everything is: none can be
    taken for the other."""
    panels: list[tuple[int, str, str]] = []  # what it is for, label, what it shows; from left to right
    if view.check:
        panels.append((_ALWAYS, f"▶ {sentence('screen.check')}", view.check))
    if view.clock_s is not None:
        panels.append((_CLOCK, f"■ {view.clock_label.upper() or sentence('screen.clock')}", _clock(view.clock_s)))
    if view.gauge is not None:
        panels.append((_GAUGE, f"● {view.gauge_label or sentence('screen.gauge')}", view.gauge))
    if view.typed:
        panels.append((_TYPED, f"▶ {sentence('screen.typed')}", view.typed.replace("*", ".") + "_"))
    elif view.figures:
        results = _ALWAYS if view.waits else _RESULT
        panels += [(results if view.gauge is None else _TEXT, name.upper(), value) for name, value in view.figures]
    if view.last and not view.typed:
        panels.append((_TEXT if view.gauge is not None or view.figures else _LAST, sentence("screen.last"), view.last))
    if view.check:
        panels = [(kind if at == 0 else _TEXT, label, text) for at, (kind, label, text) in enumerate(panels)]
    drawn: dict[int, list[str]] = {}
    texts: dict[int, list[_Row]] = {}
    used = 0
    narrow, two = width < NARROW, len(view.figures) > 1 and view.gauge is None
    gap = "  " if narrow and two else _GAP
    scales = (2, 1, *[THIN] * narrow)[2 - scale:] if scale and not (narrow and two) else [THIN] * bool(scale)
    for place, (kind, label, text) in sorted(enumerate(panels), key=lambda panel: panel[1][0]):
        number, words = _number_in(text)
        fits = 0.0 if number is None or kind > least else next((
            each for each in scales if (each < 2 or not drawn) and used + max(big_width(number, each), len(label)) <= width), 0.0)
        if number is None or not fits:
            need = {_ALWAYS: _NUMBERS, _TYPED: _NUMBERS, _CLOCK: _NUMBERS, _GAUGE: _CLOCKS}.get(
                kind, _BEFORE if text == view.last else _TEXTS)
            texts[place] = [_Row(_MORE if at else need, line) for at, line in enumerate(_wrap(f"{label}  {text}", width, most=2))]
            continue
        block = [_clip(f"{label}  {words}".rstrip(), width - used), *[""] * (round(fits) - 1), *big(number, fits)]
        drawn[place] = [line.ljust(max(map(len, block))) for line in block]
        used += len(drawn[place][0]) + len(gap)
    tall = max(map(len, drawn.values()), default=0)
    for place, block in drawn.items():  # labels in one line, digits on one line
        block[1:1] = [" " * len(block[0])] * (tall - len(block))
    rows = [_Row(_NUMBERS, gap.join(parts).rstrip(), "bold" if at else "")
            for at, parts in enumerate(zip(*(drawn[place] for place in sorted(drawn))))]
    return rows + [row for place in sorted(texts) for row in texts[place]]


def _number_in(text: str) -> tuple[str | None, str]:
    """The number to draw big, and the words around it."""
    if text.endswith("_"):
        return text, ""
    numbers = list(_NUMBER.finditer(text))
    if len(numbers) != 1 or re.search(r"\d/\d", text):
        return None, text
    only = numbers[0]
    return only.group(), " ".join((text[:only.start()] + " " + text[only.end():]).split())


def _clock(seconds: float) -> str:
    """Minutes and seconds left, rounded up, so that 0:00 means over."""
    whole = max(0, -int(-seconds // 1))
    return f"{whole // 60}:{whole % 60:02d}"


def _listening(view: View, width: int) -> list[str]:
    if view.waits:
        return _wrap(f"▶ {view.waits}", width, most=2)
    if not view.listens:
        return [f"·· {sentence('screen.deaf')}"]
    return _wrap(f"▶ {sentence('screen.say_or_key')}:  {view.listens}", width, most=3)


def _legend(keys: str, width: int) -> list[str]:
    """Broken only where there is more than one space: a key stays beside what it does."""
    lines: list[str] = []
    for part, gap in re.findall(r"(\S+(?: \S+)*)( *)", keys):
        before = lines[-1] if lines else ""
        if lines and len(before) + len(part) <= width:
            lines[-1] += part + gap
        else:
            lines.append(part + gap)
    return [_clip(line.rstrip(), width) for line in lines]


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


def _finish(row: _Row, width: int, plain: bool) -> Line:
    text = _tame(_MARGIN + row.text)
    if plain:
        text = text.translate(_PLAIN).encode("ascii", "replace").decode()
    line = Line(text[:width].rstrip())
    line.style = row.style
    return line
