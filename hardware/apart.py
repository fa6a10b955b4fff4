"""Keypad and pedal watched by a process of their own.

A recogniser that decodes keeps this process's other threads waiting, on a Pi for longer than a key is down: such a key would
never be seen. A process of its own looks every 5 ms whatever goes on here. It is `python -m hardware.apart`: one line of JSON
with the settings goes in; one line a happening comes out; it ends when its input is closed, so never outlives a killed station.
"""
from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from hardware.ports import Trouble

CHILD = (sys.executable, "-m", "hardware.apart")
ROOT = Path(__file__).resolve().parents[1]
BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 4.0, 5.0)
ENDED = "What watches the keypad and the pedal has ended; it is started again."


class Apart:
    """Calls back from a thread of its own, as Keypad and Pedal do.

    settings  the sections [keypad] and [pedal]
    alive     the process runs and has opened at least one device
    """

    def __init__(self, settings: Mapping[str, Mapping[str, Any]], on_key: Callable[[str], None], on_trouble: Trouble,
                 on_talk: Callable[[bool], None] = lambda on: None, command: Sequence[str] = CHILD) -> None:
        self._settings = (json.dumps({name: dict(settings.get(name, {})) for name in ("keypad", "pedal")}) + "\n").encode()
        self._on_key, self._on_trouble, self._on_talk, self._command = on_key, on_trouble, on_talk, command
        self.alive, self._talking = False, False
        self._child: subprocess.Popen[bytes] | None = None
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hands", daemon=True)
        self._thread.start()

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
            self.alive = False
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
            for line in child.stdout:
                worked |= self._take(line)
        _end(child)
        return worked

    def _take(self, line: bytes) -> bool:
        found = json.loads(line)
        if "key" in found:
            self._on_key(found["key"])
        elif "trouble" in found:
            self._on_trouble(found["trouble"])
        elif "talk" in found:
            self._talking = found["talk"]
            self._on_talk(found["talk"])
        elif found.get("open"):
            self.alive = True
        return self.alive


def _end(child: subprocess.Popen[bytes]) -> None:
    """By closing its input; the hard way where that doesn't help."""
    with contextlib.suppress(OSError, ValueError):
        if child.stdin is not None:
            child.stdin.close()
    try:
        child.wait(1.0)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


def main() -> int:
    """The process: open, tell, and end with the input."""
    from hardware.hands import open_header
    out = os.dup(1)

    def tell(**happening: Any) -> None:
        with contextlib.suppress(BrokenPipeError):
            os.write(out, (json.dumps(happening) + "\n").encode())  # one write a line: threads never mix theirs

    settings = json.loads(sys.stdin.buffer.readline() or b"{}")
    devices = open_header(settings, lambda name: tell(key=name), lambda sentence: tell(trouble=sentence),
                          lambda on: tell(talk=on))
    tell(open=len(devices))
    sys.stdin.buffer.read()
    for device in devices:
        device.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
