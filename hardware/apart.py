"""Keypad and pedal watched by a process of their own.

A recogniser that decodes keeps this process's other threads waiting, on a Pi for longer than a key is down: such a key would
never be seen. A process of its own looks every 5 ms whatever goes on here. It is `python -m hardware.apart`: one line of JSON
with the settings goes in; one line a happening comes out, and every BEAT_S one that tells which of the two work, so that a hang
is noticed; it ends when its input is closed, so never outlives a killed station.
"""
from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from hardware.ports import Device, Trouble

CHILD = (sys.executable, "-m", "hardware.apart")
SECTIONS = ("keypad", "pedal")
ROOT = Path(__file__).resolve().parents[1]
BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 4.0, 5.0)
BEAT_S, SILENT_S, START_S = 0.4, 1.4, 15.0
"""One that is silent for SILENT_S hangs and is ended; for its first line, START_S (a slow memory card)."""
LONGEST_LINE = 1 << 16
"""Bytes; more without a line's end is garbage."""
ENDED = "What watches the keypad and the pedal has ended; it is started again."


class Apart:
    """Calls back from a thread of its own, as Keypad and Pedal do.

    settings  the sections [keypad] and [pedal]
    there     those of the two that work now
    alive     the process runs, and at least one of them works
    """

    def __init__(self, settings: Mapping[str, Mapping[str, Any]], on_key: Callable[[str], None], on_trouble: Trouble,
                 on_talk: Callable[[bool], None] = lambda on: None, command: Sequence[str] = CHILD) -> None:
        self._settings = (json.dumps({name: dict(settings.get(name, {})) for name in SECTIONS}) + "\n").encode()
        self._on_key, self._on_trouble, self._on_talk, self._command = on_key, on_trouble, on_talk, command
        self.there: tuple[str, ...] = ()
        self._talking = False
        self._child: subprocess.Popen[bytes] | None = None
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hands", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        return bool(self.there)

    @property
    def pid(self) -> int | None:
        """The process id while one runs."""
        child = self._child
        return child.pid if child is not None and child.poll() is None else None

    def close(self) -> None:
        self._closed.set()
        child = self._child
        if child is not None:
            _end(child)
        if self._thread is not threading.current_thread():
            self._thread.join(2.0)

    def _run(self) -> None:
        tries, told = 0, False
        while not self._closed.is_set():
            try:
                worked = self._one_child()
            except OSError:
                worked = False
            self.there = ()
            if self._talking:
                self._talking = False
                self._on_talk(False)
            if self._closed.is_set():
                return
            tries, told = (0, False) if worked else (tries, told)
            if not told:
                told = True
                self._on_trouble(ENDED)
            self._closed.wait(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
            tries += 1

    def _one_child(self) -> bool:
        """Until it ends. True: it had opened something."""
        child = self._child = subprocess.Popen(self._command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                               stderr=subprocess.DEVNULL)
        if self._closed.is_set():
            _end(child)
        assert child.stdin is not None and child.stdout is not None
        worked = False
        with contextlib.suppress(BrokenPipeError, ValueError):
            child.stdin.write(self._settings)
            child.stdin.flush()
            for line in _lines(child.stdout.fileno()):
                worked |= self._take(line)
        _end(child)
        return worked

    def _take(self, line: bytes) -> bool:
        """Raises ValueError for what is none of our lines."""
        match json.loads(line):
            case {"key": str(name)}:
                self._on_key(name)
            case {"trouble": str(words)}:
                self._on_trouble(words)
            case {"talk": bool(on)}:
                self._talking = on
                self._on_talk(on)
            case {"works": [*names]} if all(name in SECTIONS for name in names):
                self.there = tuple(names)
            case found:
                raise ValueError(found)
        return self.alive


def _lines(pipe: int) -> Iterator[bytes]:
    """Until it ends, hangs or sends a line without end."""
    rest, patience_s = b"", START_S
    while len(rest) < LONGEST_LINE and select.select([pipe], [], [], patience_s)[0] and (data := os.read(pipe, 1 << 16)):
        *lines, rest = (rest + data).split(b"\n")
        patience_s = SILENT_S if lines else patience_s
        yield from lines


def _end(child: subprocess.Popen[bytes]) -> None:
    """By closing its input; the hard way where that doesn't help."""
    with contextlib.suppress(OSError, ValueError):
        if child.stdin is not None:
            child.stdin.close()
    try:
        child.wait(0.4)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def main() -> int:
    """The process: open, tell, and end with the input."""
    from hardware.header import open_header
    out = os.dup(1)

    def tell(**happening: Any) -> None:
        with contextlib.suppress(BrokenPipeError):
            os.write(out, (json.dumps(happening) + "\n").encode())  # one write a line: threads never mix theirs

    devices: Mapping[str, Device] = {}
    telling = threading.Lock()  # or an older answer might be written after a newer one

    def tell_works() -> None:
        with telling:
            tell(works=[name for name, device in devices.items() if device.alive])

    def beat() -> None:
        while True:
            tell_works()
            time.sleep(BEAT_S)

    threading.Thread(target=beat, daemon=True).start()
    settings = json.loads(sys.stdin.buffer.readline() or b"{}")
    devices = open_header(settings, lambda name: tell(key=name), lambda sentence: tell(trouble=sentence),
                          lambda on: tell(talk=on))
    tell_works()
    sys.stdin.buffer.read()
    for device in devices.values():
        device.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
