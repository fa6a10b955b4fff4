"""A thread that looks at one device again and again, and survives whatever the device does."""
from __future__ import annotations

import threading
from collections.abc import Callable

from hardware.ports import Trouble

RETRY_S = 1.0
"""After a look that failed, the next one comes so much later."""


class Ticker:
    """Calls `look()`, waits the seconds that it answers (None: until `wake`), and calls it again, until `close`.

    what        the device in the sentence, as in "the keypad"
    on_trouble  told one sentence when a look fails, once until it works again
    """

    def __init__(self, what: str, look: Callable[[], float | None], on_trouble: Trouble) -> None:
        self._what, self._look, self._on_trouble = what, look, on_trouble
        self._wake, self._closed, self._told = threading.Event(), False, False
        self._thread = threading.Thread(target=self._run, name=what, daemon=True)
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Running, and its last look worked."""
        return self._thread.is_alive() and not self._told

    def wake(self) -> None:
        """Look at once."""
        self._wake.set()

    def close(self) -> None:
        """No look is under way any more when this returns, unless the device hangs."""
        self._closed = True
        self._wake.set()
        if self._thread is not threading.current_thread():
            self._thread.join(2.0)

    def _run(self) -> None:
        while not self._closed:
            try:
                wait = self._look()
                self._told = False
            except Exception as error:
                wait = RETRY_S
                if not self._told and not self._closed:
                    self._told = True
                    self._on_trouble(f"{self._what[:1].upper()}{self._what[1:]} gives trouble ({error}); it is tried again.")
            self._wake.wait(wait)
            self._wake.clear()
