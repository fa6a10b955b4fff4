"""The painter of the station's screen: a `View` laid out on the terminal."""

from __future__ import annotations

import atexit
import curses
import os
import re
import select
import sys
import tempfile
import threading

from assistant.station.layout import Line, View, layout
from hardware.terminal import on_termination


class ScreenError(OSError):
    """This terminal can't show the screen; str() is one plain sentence."""


class Screen:
    """Paints the latest `View` on the terminal. Use as a context manager, or `start`, `show`, `stop`.

    Painting has its own thread and only the newest view counts, so that a terminal that hangs never stops a
    test. Only changed lines are written. The window's size is looked at four times a second, so that a resize
    shows even while nothing else changes. Nothing is read from the terminal (that is the keypad's). While it
    is on, what libraries write to the terminal as errors is kept aside (`stop` returns it): it can't spoil
    the screen.

    fd        the terminal (default: standard output)
    plain     only ASCII; None: unless the locale says UTF-8
    daylight  dark on light, whatever the terminal's own colours are

    Colour is for danger and the verdict alone, and none is used where the variable NO_COLOR is set and not empty
    (https://no-color.org).

    `start` raises ScreenError, one plain sentence, when the terminal is none or can't place text.
    """

    def __init__(self, fd: int | None = None, plain: bool | None = None, daylight: bool = False):
        self._fd = sys.stdout.fileno() if fd is None else fd
        locale = next(filter(None, map(os.environ.get, ("LC_ALL", "LC_CTYPE", "LANG"))), "")
        self._plain = not re.search("utf-?8", locale, re.IGNORECASE) if plain is None else plain
        self._daylight, self._whitened = daylight, False
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
                for name in ("smcup", "rmcup", "civis", "cnorm", "clear", "cup", "el", "bold", "rev", "sgr0", "setaf", "setab",
                             "initc", "oc")}
        if not (caps["cup"] and caps["clear"] and caps["el"]):
            raise ScreenError(f"A terminal of type TERM={term!r} can't place text on a screen: type "
                              "'export TERM=xterm' if it really can, then start again.")
        self._caps, self._colors = caps, curses.tigetnum("colors")
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

    def switch(self) -> None:
        """Daylight on, or off again."""
        self._daylight = not self._daylight
        self._news.set()

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
                self._write(caps["sgr0"] + self._palette(False) + (caps["rmcup"] or caps["clear"]) + caps["cnorm"])
        except OSError:
            pass  # the terminal is gone: nothing left to restore
        if self._stray:
            os.dup2(self._stderr, 2)
            os.close(self._stderr)
        if held:
            self._painting.release()

    def _paint_on(self) -> None:
        shown: tuple[object, ...] = ()
        lines: list[Line] = []
        try:
            while self._on:
                self._news.wait(0.25)
                self._news.clear()
                view, size, daylight = self._view, self._size(), self._daylight
                if view is None or (view, size, daylight) == shown:
                    continue
                fresh = layout(view, *size, self._plain)
                with self._painting:
                    if not self._on:
                        return
                    self._paint(lines if (size, daylight) == shown[1:] else None, fresh, size.columns, daylight)
                lines, shown = fresh, (view, size, daylight)
        except OSError:
            pass  # the terminal is gone; the keypad says so

    def _size(self) -> os.terminal_size:
        size = os.get_terminal_size(self._fd)
        # A serial line knows no size.
        return size if size.columns and size.lines else os.terminal_size((80, 24))

    def _paint(self, before: list[Line] | None, lines: list[Line], width: int, daylight: bool) -> None:
        style, plain = self._styles(daylight), self._caps["sgr0"]
        out = [] if before else [plain, self._palette(daylight), self._caps["clear"]]
        for row, new in enumerate(lines):
            if before is None or (before[row], before[row].style) != (new, new.style):
                text = new.lstrip()
                indent, rest = len(new) - len(text), width - len(new) - (row == len(lines) - 1)  # its last cell would scroll
                out += [curses.tparm(self._caps["cup"], row, 0), style[""] + b" " * indent + plain, style[new.style] + text.encode() + plain,
                        style[""] + b" " * rest + plain if style[""] else self._caps["el"]]
        self._write(b"".join(out))

    def _styles(self, daylight: bool) -> dict[str, bytes]:
        """What begins a line of each style. In daylight black on white is all that is seen: no colour, and no bold, which many
        terminals draw as grey; what must stand out is white on black."""
        caps, white = self._caps, 15 if self._colors >= 16 else 7

        def pair(ink: int, ground: int) -> bytes:
            return curses.tparm(caps["setaf"], ink) + curses.tparm(caps["setab"], ground)
        colour = self._colors >= 8 and bool(caps["setaf"] and caps["setab"]) and not os.environ.get("NO_COLOR")
        if daylight:
            ground, bar = (pair(0, white), pair(white, 0)) if colour else (caps["rev"], b"")
            return {"": ground, "bold": ground, "caution": bar, "pass": ground, "fail": bar}
        bold, rev = caps["bold"], caps["rev"]
        if not colour:
            return {"": b"", "bold": bold, "caution": rev, "pass": bold, "fail": bold}
        return {"": b"", "bold": bold, "caution": pair(0, 3), "pass": pair(0, 2), "fail": pair(white, 1)}

    def _palette(self, white: bool) -> bytes:
        """On a console of eight colours white is a grey unless its palette is changed; and that is given back."""
        can = self._colors == 8 and self._caps["initc"] and self._caps["oc"] and not os.environ.get("NO_COLOR")
        if not can or white == self._whitened:
            return b""
        self._whitened = white
        return curses.tparm(self._caps["initc"], 7, 1000, 1000, 1000) if white else self._caps["oc"]

    def _write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._fd, data):]
