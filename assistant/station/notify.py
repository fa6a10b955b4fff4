"""Tells the service manager that the station is up and its loop still turns.

One datagram of NAME=VALUE lines to the socket in $NOTIFY_SOCKET, as sd_notify(3) and sd_watchdog_enabled(3) document it. Without
that variable (in a terminal, say) nothing is sent, and nothing goes wrong.
"""
from __future__ import annotations

import os
import socket
from collections.abc import Callable, MutableMapping
from contextlib import suppress

from hardware.clock import boot_now

ADDRESS, WATCHDOG, WATCHED = "NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"


class Notify:
    """Made once, at the start; takes its variables out of the environment, so that no child process speaks in our name.

    every_s  seconds between two signs of life: a quarter of the time after which the manager ends us; 0: it doesn't watch
    """

    def __init__(self, environment: MutableMapping[str, str] = os.environ, now: Callable[[], float] = boot_now) -> None:
        address, limit, pid = (environment.pop(name, "") for name in (ADDRESS, WATCHDOG, WATCHED))
        self._address = f"\0{address[1:]}" if address.startswith("@") else address  # "@": a name that is in no folder
        watched = limit.isascii() and limit.isdigit() and pid in ("", str(os.getpid()))
        self.every_s = int(limit) / 1e6 / 4 if watched else 0.0
        self._now, self._next = now, 0.0
        self._ready = False

    def alive(self) -> None:
        """Call it with every turn of the loop; it sends only as often as is needed. The first call says that we are up."""
        if not self._address:
            return
        if not self._ready:
            self._ready = self._send("READY=1")
        if self.every_s and self._now() >= self._next and self._send("WATCHDOG=1"):
            self._next = self._now() + self.every_s

    def stopping(self) -> None:
        """We are about to end, and mean to."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> bool:
        """Never waits and never fails the test that is running: what could not be sent is sent with the next turn."""
        if self._address:
            with suppress(OSError, ValueError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as out:
                out.connect(self._address)
                return out.send(text.encode()) == len(text)
        return False
