"""The station's screen: what to do now, a big clock, the reading, and what it listens for.

`layout` is pure: a `View` and a size in, lines of text out. `Screen` paints them on the terminal. Everything
is said by words and shapes; bold and reverse are only an extra. Made to be read at two metres: few words,
much space.
"""

from __future__ import annotations

import atexit
import curses
import os
import re
import select
import sys
import tempfile
import textwrap
import threading
import unicodedata
from dataclasses import dataclass, field

from assistant.core.language import sentence
from assistant.station.big_digits import big, big_width
from hardware.terminal import on_termination


@dataclass(frozen=True)
class View:
    """All that the screen shows. Every field may be left out."""

    title: str = ""
    """The test and where it stands: "Sequential test, run 1, step 2"."""
    do: str = ""
    """What to do now, in full sentences; the first one is shown in capitals."""
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
    progress: str = ""
    """"step 12 of 58"."""
    messages: tuple[str, ...] = field(default=())
    """Remarks, the newest last; the last three are shown."""


DO, CAUTION = "▌ ", "!! "
_MARGIN, _GAP = " ", "    "
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
    for size in (2, 1, 0) if height >= 30 else (1, 0):
        above, below = _rows(view, inner, height, size)
        rows = above + below
        # What has to go first if there is no room: the highest rank, and of one rank the last.
        by_need = sorted(range(len(rows)), key=lambda at: rows[at][0])
        kept = set(by_need[:height])
        dearest_gone = rows[by_need[height]][0] if len(rows) > height else _NOTHING
        if dearest_gone >= {2: _NOTHING, 1: _HEARD, 0: _DO}[size]:
            break
    top = [text for at, (_, text) in enumerate(rows) if at in kept and at < len(above)]
    bottom = [text for at, (_, text) in enumerate(rows) if at in kept and at >= len(above)]
    return _finish(top + [""] * (height - len(kept)) + bottom, width, plain)


_DO, _NEEDED, _DO_MORE, _TITLE, _HEARD, _MESSAGE, _STATUS, _KEYS, _OLDER, _BLANK, _NOTHING = range(11)


Ranked = list[tuple[int, str]]


def _rows(view: View, width: int, height: int, size: int) -> tuple[Ranked, Ranked]:
    """Every row with its rank, from the top down, and from the panels to the bottom."""
    do = _do_lines(view.do, width, most=5 if height >= 20 else 3)
    caution = _wrap(view.caution, width - 2 * len(CAUTION), most=2)
    wide = max(map(len, caution), default=0)
    above = [(_TITLE, _ends(view.title.upper(), view.progress, width)), (_BLANK, "─" * width), (_BLANK, "")]
    above += [(_DO if line is do[0] else _DO_MORE, line) for line in do] + [(_BLANK, "")]
    above += [(_NEEDED, f"{CAUTION}{line:<{wide}} !!") for line in caution] + [(_BLANK, "")] * bool(caution)
    panels, rest = _panels(view, width, size)
    below = [(_NEEDED, line) for line in panels]
    below += [(_NEEDED, line) for line in rest] or [(_BLANK, "")]
    below += [(_HEARD, _labelled(sentence("screen.heard"), view.heard, width)), (_TITLE, _listening(view, width))]
    room = 3 if height >= 30 else 2
    messages: list[str] = []
    for message in view.messages[:-room - 1:-1]:  # the newest has its room first; an older one never begins in its middle
        lines = _wrap(message, width - 2, most=room - len(messages)) if len(messages) < room else []
        messages[:0] = [f"{'·' if not at else ' '} {line}" for at, line in enumerate(lines)]
    newest = max((at for at, line in enumerate(messages) if line[0] == "·"), default=0)
    below += [(_MESSAGE if at >= newest else _OLDER, line) for at, line in enumerate(messages)]
    below += [(_BLANK, "")] * (room - len(messages))
    help_lines = [(_STATUS, _clip(view.status, width))] * bool(view.status)
    help_lines += [(_KEYS, line) for line in _wrap(view.keys, width, most=3)]
    return above, below + [(_BLANK, "─" * width)] * bool(help_lines) + help_lines


def emphasis(line: str) -> str:
    """How a line may be stressed where the terminal can: "bold", "reverse" or ""."""
    text = line.lstrip()
    if text.startswith(CAUTION):
        return "reverse"
    return "bold" if text.startswith((DO[0], "|")) or "█" in text or "##" in text else ""


def _do_lines(do: str, width: int, most: int) -> list[str]:
    """The first sentence in capitals, the rest as it is, under a bar at the left."""
    first = re.match(r".*?[.!?](?=\s|\Z)", do, re.DOTALL)
    end = first.end() if first else len(do)
    return [DO + line for line in _wrap(do[:end].upper() + do[end:], width - len(DO), most)]


def _panels(view: View, width: int, size: int) -> tuple[list[str], list[str]]:
    """Clock, gauge, and what is typed (else the last reading), drawn big side by side; and, as text, what did
    not fit. Size 0 draws nothing. The most important takes its place first, and alone may be of size 2."""
    panels: list[tuple[int, str, str]] = []  # need (0 most), label, what it shows; from left to right
    if view.clock_s is not None:
        panels.append((1, f"■ {view.clock_label.upper() or sentence('screen.clock')}", _clock(view.clock_s)))
    if view.gauge is not None:
        panels.append((2, f"● {view.gauge_label or sentence('screen.gauge')}", view.gauge))
    if view.typed:
        panels.append((0, f"▶ {sentence('screen.typed')}", view.typed.replace("*", ".") + "_"))
    elif view.last:
        panels.append((3, sentence("screen.last"), view.last))
    drawn: dict[int, list[str]] = {}
    texts: dict[int, str] = {}
    used = 0
    for place, (_, label, text) in sorted(enumerate(panels), key=lambda panel: panel[1][0]):
        number, words = _number_in(text)
        scale = min(size, 1 if drawn else 2)
        while scale and (number is None or used + max(big_width(number, scale), len(label)) > width):
            scale -= 1
        if number is None or not scale:
            texts[place] = _clip(f"{label}  {text}", width)
            continue
        block = [_clip(f"{label}  {words}".rstrip(), width - used), *[""] * (scale - 1), *big(number, scale)]
        drawn[place] = [line.ljust(max(map(len, block))) for line in block]
        used += len(drawn[place][0]) + len(_GAP)
    tall = max(map(len, drawn.values()), default=0)
    for place, block in drawn.items():  # labels in one line, digits on one line
        block[1:1] = [" " * len(block[0])] * (tall - len(block))
    lines = [_GAP.join(parts).rstrip() for parts in zip(*(drawn[place] for place in sorted(drawn)))]
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


class ScreenError(OSError):
    """This terminal can't show the screen; str() is one plain sentence."""


class Screen:
    """Paints the latest `View` on the terminal. Use as a context manager, or `start`, `show`, `stop`.

    Painting has its own thread and only the newest view counts, so that a terminal that hangs never stops a
    test. Only changed lines are written. The window's size is looked at four times a second, so that a resize
    shows even while nothing else changes. Nothing is read from the terminal (that is the keypad's). While it
    is on, what libraries write to the terminal as errors is kept aside (`stop` returns it): it can't spoil
    the screen.

    fd     the terminal (default: standard output)
    plain  only ASCII; None: unless the locale says UTF-8

    `start` raises ScreenError, one plain sentence, when the terminal is none or can't place text.
    """

    def __init__(self, fd: int | None = None, plain: bool | None = None):
        self._fd = sys.stdout.fileno() if fd is None else fd
        locale = next(filter(None, map(os.environ.get, ("LC_ALL", "LC_CTYPE", "LANG"))), "")
        self._plain = not re.search("utf-?8", locale, re.IGNORECASE) if plain is None else plain
        self._view: View | None = None
        self._news = threading.Event()
        self._painting = threading.Lock()
        self._thread: threading.Thread | None = None
        self._on = False

    def start(self) -> None:
        term = os.environ.get("TERM", "")
        if not os.isatty(self._fd):
            raise ScreenError("The screen needs a terminal and standard output is none: start in a terminal, "
                              "or use rehearse with a script.")
        try:
            curses.setupterm(None, self._fd)
        except curses.error:
            raise ScreenError(f"This machine doesn't know the terminal type TERM={term!r}: type "
                              "'export TERM=xterm', then start again.") from None
        caps = {name: re.sub(rb"\$<[^>]*>", b"", curses.tigetstr(name) or b"")
                for name in ("smcup", "rmcup", "civis", "cnorm", "clear", "cup", "el", "bold", "rev", "sgr0")}
        if not (caps["cup"] and caps["clear"] and caps["el"]):
            raise ScreenError(f"A terminal of type TERM={term!r} can't place text on a screen: type "
                              "'export TERM=xterm' if it really can, then start again.")
        self._caps = caps
        self._stray = tempfile.TemporaryFile() if os.isatty(2) else None
        if self._stray:
            sys.stderr.flush()
            self._stderr = os.dup(2)
            os.dup2(self._stray.fileno(), 2)
        self._on = True
        self._undo_signals = on_termination(self._restore)
        atexit.register(self._forgotten)
        self._write(caps["smcup"] + caps["civis"] + caps["clear"])
        self._thread = threading.Thread(target=self._paint_on, name="screen", daemon=True)
        self._thread.start()

    def show(self, view: View) -> None:
        """Show this view as soon as the terminal takes it. Returns at once, from any thread."""
        self._view = view
        self._news.set()

    def stop(self) -> str:
        """Give the terminal back; what was written as errors meanwhile. May be called more than once."""
        thread, self._thread = self._thread, None
        if thread is None:
            return ""
        self._undo_signals()
        atexit.unregister(self._forgotten)
        self._restore()
        self._news.set()
        thread.join(1)
        if not self._stray:
            return ""
        self._stray.seek(0)
        return self._stray.read().decode("utf-8", "replace")

    def __enter__(self) -> Screen:
        self.start()
        return self

    def __exit__(self, *error: object) -> None:
        self.stop()

    def _forgotten(self) -> None:
        sys.stderr.write(self.stop())

    def _restore(self) -> None:
        if not self._on:
            return
        held = self._painting.acquire(timeout=0.5)  # not in the middle of a frame, unless the terminal hangs
        self._on = False
        try:
            if select.select([], [self._fd], [], 0.2)[1]:
                caps = self._caps
                self._write(caps["sgr0"] + (caps["rmcup"] or caps["clear"]) + caps["cnorm"])
        except OSError:
            pass  # the terminal is gone: nothing left to restore
        if self._stray:
            os.dup2(self._stderr, 2)
            os.close(self._stderr)
        if held:
            self._painting.release()

    def _paint_on(self) -> None:
        shown: tuple[View | None, os.terminal_size | None] = (None, None)
        lines: list[str] = []
        try:
            while self._on:
                self._news.wait(0.25)
                self._news.clear()
                view, size = self._view, self._size()
                if view is None or (view, size) == shown:
                    continue
                fresh = layout(view, *size, self._plain)
                with self._painting:
                    if not self._on:
                        return
                    self._paint(lines if size == shown[1] else None, fresh)
                lines, shown = fresh, (view, size)
        except OSError:
            pass  # the terminal is gone; the keypad says so

    def _size(self) -> os.terminal_size:
        size = os.get_terminal_size(self._fd)
        # A serial line knows no size.
        return size if size.columns and size.lines else os.terminal_size((80, 24))

    def _paint(self, before: list[str] | None, lines: list[str]) -> None:
        out = [] if before else [self._caps["clear"]]
        before = before or [""] * len(lines)
        stress = {"bold": self._caps["bold"], "reverse": self._caps["rev"], "": b""}
        for row, (old, new) in enumerate(zip(before, lines)):
            if old != new:
                text = new.lstrip()
                out += [curses.tparm(self._caps["cup"], row, 0), b" " * (len(new) - len(text)),
                        stress[emphasis(new)], text.encode(), self._caps["sgr0"], self._caps["el"]]
        self._write(b"".join(out))

    def _write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._fd, data):]
