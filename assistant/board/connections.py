"""The web server: uvicorn with limits, so that who opens many connections or sends slowly keeps nobody else out.

For the crew's board, and for the office with numbers of its own.
"""
from __future__ import annotations

import asyncio
import logging
import resource
import signal
import socket
from collections import Counter
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

GONE_S = 20
"""Who takes nothing for so long is out of range: he connects anew when he is back."""
HEADER_BYTES = 8192
ENDS = (signal.SIGINT, signal.SIGTERM)


class Limited(H11Protocol):
    """One connection. It is closed where there are too many, or where its request does not come to an end."""

    request_s = 10.0
    """For a request's head to come whole."""
    most, most_of_one = 400, 64
    """Connections, in all and of one address: thirty phones hold about sixty. Ours."""
    open: Counter[str] = Counter()
    """Connections that are kept, by address."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._waiting: asyncio.TimerHandle | None = None
        self._from = self.client[0] if self.client else ""
        self._kept = self.open.total() < self.most and self.open[self._from] < self.most_of_one
        if self._kept:      # what is refused takes no place, not even until it is gone
            self.open[self._from] += 1
            self._wait()
        else:
            transport.abort()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._waiting:
            self._waiting.cancel()
        if self._kept:
            self.open[self._from] -= 1
            if not self.open[self._from]:
                del self.open[self._from]
        super().connection_lost(exc)

    def _wait(self) -> None:
        """From its first byte to its answer's beginning; between two requests uvicorn waits by itself."""
        answering = self.cycle is not None and not self.cycle.response_complete
        if answering and self._waiting:
            self._waiting.cancel()
            self._waiting = None
        elif not answering and not self._waiting and not self.transport.is_closing():
            self._waiting = self.loop.call_later(self.request_s, self.transport.abort)


def settings(http: type[Limited] = Limited) -> dict[str, Any]:
    """What uvicorn.Config is to have, whatever it serves."""
    return {"http": http, "ws": "none", "loop": "asyncio", "lifespan": "on", "interface": "asgi3", "log_config": None,
            "access_log": False, "server_header": False, "proxy_headers": False, "timeout_keep_alive": 10,
            "timeout_graceful_shutdown": 2, "h11_max_incomplete_event_size": HEADER_BYTES}


def listening(address: str, port: int) -> socket.socket:
    """Raises OSError."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    found = socket.create_server((address, port), family=family, backlog=256)
    found.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, GONE_S * 1000)   # the connections have it from here
    return found


def run(server: uvicorn.Server, sock: socket.socket, most: int = Limited.most) -> None:
    """Until a signal."""
    logging.getLogger("uvicorn").setLevel(logging.ERROR)    # what strangers send wrong is not our trouble
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(max(soft, 2 * most), hard), hard))
    signal.pthread_sigmask(signal.SIG_BLOCK, ENDS)      # until uvicorn takes them: before that they would leave half a loop
    try:
        asyncio.run(_serve(server, sock))
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, ENDS)


async def _serve(server: uvicorn.Server, sock: socket.socket) -> None:
    asyncio.get_running_loop().call_soon(signal.pthread_sigmask, signal.SIG_UNBLOCK, ENDS)   # when serve first waits
    await server.serve([sock])
