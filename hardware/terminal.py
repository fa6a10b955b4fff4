"""The terminal as the station's keypad, and as the hands on the simulated meter.

`decode` turns the terminal's bytes into presses and is pure. `TerminalKeypad` puts the terminal into
key-by-key mode, reads it in its own thread and calls back; it owns everything that is read from the terminal
(the screen only writes), so that no key is lost when the window changes its size.
"""

from __future__ import annotations

import atexit
import os
import re
import select
import signal
import sys
import termios
import threading
from collections.abc import Callable
from types import FrameType
from typing import Any, NamedTuple

KEYS: dict[str, str] = {
    **{digit: digit for digit in "0123456789"},
    ".": "*", ",": "*", "*": "*",                       # decimal point
    "\r": "#", "\n": "#", "#": "#", "y": "#",  # enter, next, yes
    "Y": "#-held",                                      # yes to a safety question
    "a": "A", "A": "A-held",                            # say again; pause / carry on
    "b": "B", "B": "B", "\x7f": "B", "\x08": "B",       # erase, take back
    "c": "C", "n": "C", "N": "C", "x": "C", "X": "C", "C": "C",  # clear, no
    "S": "B-held",                                      # scrap
    "d": "D", "D": "D-held",                            # time left, where are we; quiet / talk
    "l": "light", "L": "light",                         # daylight on the screen, or off again
    "q": "quit", "Q": "quit", "\x03": "quit",           # leave the station; the journal keeps everything
}
"""Characters -> tokens of the station's key map."""

Handler = Callable[[int, FrameType | None], Any] | int | None
"""Of a signal, as Python keeps it."""

METER_KEYS: dict[str, str] = {
    "up": "pump", "down": "bleed", "+": "fine_pump", "-": "fine_bleed",
    "right": "lever_down", "left": "lever_up", " ": "strike",
    "v": "petcocks", "V": "petcocks", "w": "flood", "W": "flood", "u": "unclamp", "U": "unclamp",
}
"""Characters and arrows -> actions on the simulated meter (names of `LivePractice.act`)."""

_ARROWS = {"A": "up", "B": "down", "C": "right", "D": "left"}
# A number pad in application mode sends ESC O and one of these.
_PAD = {"M": "\r", "j": "*", "k": "+", "l": ",", "m": "-", "n": ".",
        **{chr(ord("p") + digit): str(digit) for digit in range(10)}}
# ESC [[ A is F1 of a Linux console: its A must not be taken for a key.
_ESCAPE = re.compile(rb"\x1b(?:\[\[[A-E]|\[[0-?]*[ -/]*[@-Z\\-~]|O[0-9;]*[@-~])")
_ESCAPE_BEGUN = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*|\[\[|O[0-9;]*)?\Z")


class Press(NamedTuple):
    """One key: "key" (a token of KEYS), "meter" (an action of METER_KEYS) or "unknown" (what to call it)."""

    kind: str
    name: str


class TerminalError(OSError):
    """The terminal can't be used as a keypad; str() is one plain sentence."""


def decode(data: bytes, *, meter: bool = False, final: bool = False) -> tuple[list[Press], bytes]:
    """All presses in `data`, and the bytes that may yet become one (an arrow cut in two by the read).

    meter  the meter's keys count too; otherwise they are unknown
    final  nothing more is coming: what looks unfinished is a key of its own (a lone Escape)
    """
    presses: list[Press] = []
    while data:
        if data[0] == 0x1B:
            whole = _ESCAPE.match(data)
            if whole:
                presses.append(_press(_name_of(whole.group().decode("latin-1")), meter))
                data = data[whole.end():]
                continue
            if _ESCAPE_BEGUN.match(data) and not final:
                break
            presses.append(Press("unknown", "Escape"))
            data = data[1:]
            continue
        # UTF-8: the first byte tells how many belong together; a broken one counts alone.
        size = 1 + sum(data[0] >= least for least in (0xC2, 0xE0, 0xF0)) if data[0] < 0xF5 else 1
        if len(data) < size and not final and all(0x80 <= byte < 0xC0 for byte in data[1:]):
            break
        try:
            character = data[:size].decode("utf-8")
        except UnicodeDecodeError:
            character, size = "\N{REPLACEMENT CHARACTER}", 1
        presses.append(_press(character, meter))
        data = data[size:]
    return presses, data


def _name_of(sequence: str) -> str:
    if sequence[1:3] != "[[" and sequence[-1] in _ARROWS:
        return _ARROWS[sequence[-1]]  # with or without shift, control and the like
    if sequence[1] == "O" and sequence[-1] in _PAD:
        return _PAD[sequence[-1]]
    return sequence


def _press(name: str, meter: bool) -> Press:
    if name in KEYS:
        return Press("key", KEYS[name])
    if meter and name in METER_KEYS:
        return Press("meter", METER_KEYS[name])
    if name in _ARROWS.values():
        return Press("unknown", f"{name} arrow")
    if name == " ":
        return Press("unknown", "space bar")
    if name == "\t":
        return Press("unknown", "Tab")
    if len(name) == 1 and ord(name) < 32:
        return Press("unknown", f"Control-{chr(ord(name) + 64)}")
    return Press("unknown", name if len(name) == 1 and name.isprintable() else "special key")


def on_termination(restore: Callable[[], None]) -> Callable[[], None]:
    """Call `restore` when SIGTERM or SIGHUP comes, before what else they do. Returns the way to undo it.

    Works in the main thread only; elsewhere it does nothing. A handler that the station sets later wins,
    and must then stop screen and keypad itself.
    """
    if threading.current_thread() is not threading.main_thread():
        return lambda: None
    undo: list[Callable[[], None]] = []
    for number in (signal.SIGTERM, signal.SIGHUP):
        before = signal.getsignal(number)

        def handler(signum: int, frame: FrameType | None, before: Handler = before) -> None:
            restore()
            if callable(before):
                before(signum, frame)
            elif before != signal.SIG_IGN:
                signal.signal(signum, signal.SIG_DFL)
                os.kill(os.getpid(), signum)

        signal.signal(number, handler)

        def put_back(number: int = number, handler: Handler = handler, before: Handler = before) -> None:
            if signal.getsignal(number) is handler and before is not None:
                signal.signal(number, before)

        undo.append(put_back)

    def undo_all() -> None:
        if threading.current_thread() is threading.main_thread():
            for put_back in undo:
                put_back()

    return undo_all


class TerminalKeypad:
    """The terminal's keys, one by one. Use as a context manager, or `start` and `stop`.

    on_key      called with a token of KEYS; also with "quit" when the terminal goes away
    on_meter    called with an action of METER_KEYS; None: there is no simulated meter
    on_unknown  called with the name of a key that means nothing here
    fd          the terminal (default: standard input)

    The callbacks run in the keypad's own thread and must return at once (post to the queue).
    `start` raises TerminalError, one plain sentence, when `fd` is no terminal.
    """

    ESCAPE_WAIT_S = 0.1  # a lone Escape is known for one when nothing has followed for so long

    def __init__(self, on_key: Callable[[str], None], on_meter: Callable[[str], None] | None = None,
                 on_unknown: Callable[[str], None] | None = None, fd: int | None = None):
        self._on_key = on_key
        self._calls = {"key": on_key, "meter": on_meter, "unknown": on_unknown}
        self._fd = sys.stdin.fileno() if fd is None else fd
        self._mode: list | None = None  # how the terminal was before
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()

    def start(self) -> None:
        try:
            mode = termios.tcgetattr(self._fd)
        except termios.error:
            raise TerminalError("The keypad needs a terminal and standard input is none: "
                                "start in a terminal, or use rehearse with a script.") from None
        ours = termios.tcgetattr(self._fd)
        # Key by key, unseen; Control-C, Control-Z, Control-S and Control-Q are keys. Output stays as it was.
        ours[0] &= ~(termios.IXON | termios.ICRNL | termios.INLCR | termios.IGNCR | termios.ISTRIP)
        ours[3] &= ~(termios.ICANON | termios.ECHO | termios.ISIG | termios.IEXTEN)
        ours[6][termios.VMIN], ours[6][termios.VTIME] = 1, 0
        self._mode = mode
        self._undo_signals = on_termination(self._restore)
        atexit.register(self.stop)
        termios.tcsetattr(self._fd, termios.TCSADRAIN, ours)
        self._wake_read, self._wake_write = os.pipe()
        self._reading = True
        self._thread = threading.Thread(target=self._read_on, name="terminal-keypad", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Give the terminal back as it was. May be called at any time, from any thread, more than once."""
        with self._lock:
            thread, self._thread = self._thread, None
            if thread is None:
                return
            if self._reading:
                os.write(self._wake_write, b".")
        if thread is not threading.current_thread():
            thread.join(2)
        self._undo_signals()
        atexit.unregister(self.stop)
        self._restore()

    def __enter__(self) -> TerminalKeypad:
        self.start()
        return self

    def __exit__(self, *error: object) -> None:
        self.stop()

    def _restore(self) -> None:
        if self._mode is not None:
            try:
                termios.tcsetattr(self._fd, termios.TCSANOW, self._mode)
            except termios.error:
                pass  # the terminal is gone: nothing left to restore

    def _read_on(self) -> None:
        try:
            self._read()
        finally:
            with self._lock:
                self._reading = False
                os.close(self._wake_read)
                os.close(self._wake_write)

    def _read(self) -> None:
        pending = b""
        meter = self._calls["meter"] is not None
        while True:
            wait = self.ESCAPE_WAIT_S if pending else None
            ready, _, _ = select.select([self._fd, self._wake_read], [], [], wait)
            if self._wake_read in ready:
                return
            data = b""
            if ready:
                try:
                    data = os.read(self._fd, 1024)
                except OSError:
                    pass
                if not data:  # hung up
                    self._on_key("quit")
                    return
            presses, pending = decode(pending + data, meter=meter, final=not ready)
            for press in presses:
                call = self._calls[press.kind]
                if call is not None:
                    call(press.name)
                if self._thread is not threading.current_thread():
                    return  # stopped, perhaps by this very key: the terminal is no longer ours
