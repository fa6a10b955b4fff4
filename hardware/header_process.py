"""Keypad, pedal and buttons watched by a process of their own (hardware/worker.py).

A recogniser that decodes keeps this process's other threads waiting, on a Pi for longer than a key is down: such a key would
never be seen. A process of its own looks every 5 ms whatever goes on here. It is `python -m hardware.header_process SETTINGS`, in
JSON; it is asked nothing, and tells each happening as JSON, and every BEAT_S which of them work, so that a hang is noticed.
"""
from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from hardware.ports import Device, Trouble
from hardware.worker import Tell, Worker, WorkerError, serve

SECTIONS = ("keypad", "pedal", "buttons")
WAITS_S = (0.25, 0.5, 1.0, 2.0, 4.0, 5.0)
BEAT_S, SILENT_S, START_S = 0.4, 1.4, 15.0
"""One that is silent for SILENT_S hangs and is ended; for its greeting, START_S (a slow memory card)."""
ENDED = "What watches the keys on the header has ended; it is started again."


class HeaderProcess:
    """Calls back from a thread of its own, as Keypad and Pedal do.

    settings  the sections [keypad], [pedal] and [buttons]
    there     those of them that work now
    alive     the process runs, and at least one of them works
    """

    def __init__(self, settings: Mapping[str, Mapping[str, Any]], on_key: Callable[[str], None], on_trouble: Trouble,
                 on_talk: Callable[[bool], None] = lambda on: None, command: Sequence[str] | None = None) -> None:
        self._on_key, self._on_trouble, self._on_talk = on_key, on_trouble, on_talk
        self.there: tuple[str, ...] = ()
        self._talking = False
        sections = json.dumps({name: dict(settings.get(name, {})) for name in SECTIONS})
        self.worker = Worker("hardware.header_process", sections, start_s=START_S, waits_s=WAITS_S,
                             command=command and (*command, sections))
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hands", daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        return bool(self.there)

    def close(self) -> None:
        self._closed.set()
        self.worker.cut()
        if self._thread is not threading.current_thread():
            self._thread.join(2.0)

    def _run(self) -> None:
        while not self._closed.wait(self.worker.rest_s):
            try:
                self.worker.start()
                while True:
                    self.worker.told(SILENT_S, self._take)
            except WorkerError:
                self.there = ()
            if self._talking:
                self._talking = False
                self._on_talk(False)
            if self.worker.failures == 1 and not self._closed.is_set():
                self._on_trouble(ENDED)

    def _take(self, told: bytes) -> None:
        """Raises ValueError for what is no happening."""
        match json.loads(told):
            case {"key": str(name)}:
                self._on_key(name)
            case {"trouble": str(words)}:
                self._on_trouble(words)
            case {"talk": bool(on)}:
                self._talking = on
                self._on_talk(on)
            case {"works": [*names]} if all(name in SECTIONS for name in names):
                self.there = tuple(names)
            case other:
                raise ValueError(other)
        if self.there:
            self.worker.failures = 0


def main() -> int:
    """The process: open, and tell."""
    from hardware.header import open_header
    devices: Mapping[str, Device] = {}

    def works() -> bytes:
        return json.dumps({"works": [name for name, device in devices.items() if device.alive]}).encode()

    def open_(tell: Tell) -> tuple[bytes, Callable[[bytes], bytes]]:
        nonlocal devices

        def happens(**happening: Any) -> None:
            tell(json.dumps(happening).encode())

        def beat() -> None:
            while True:
                tell(works())
                time.sleep(BEAT_S)

        threading.Thread(target=beat, daemon=True).start()
        devices = open_header(json.loads(sys.argv[-1]), lambda name: happens(key=name),
                              lambda sentence: happens(trouble=sentence), lambda on: happens(talk=on))
        return works(), bytes

    status = serve(open_, int(START_S))
    for device in devices.values():
        device.close()
    return status


if __name__ == "__main__":
    sys.exit(main())
