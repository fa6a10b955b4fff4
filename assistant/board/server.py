"""The board's server."""
from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

import uvicorn

from assistant.board import connections
from assistant.board.hub import Hub
from assistant.board.pairing import Pairing, Sessions
from assistant.board.published import Published
from assistant.board.web import app

NICE = 5
"""The station's own work goes first."""


class Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, hub: Hub) -> None:
        super().__init__(config)
        self._hub = hub

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._hub.close()       # else it waits for streams that never end
        await super().shutdown(sockets)


def make(folder: Path, own: Path, addresses: Callable[[], list[str]]) -> Server:
    """A server of the published ``folder``; its own files are in ``own``. ``addresses``: by which it is reached now."""
    hub = Hub(Published(folder))
    return Server(uvicorn.Config(app(hub, Pairing(own, addresses), Sessions(own)), **connections.settings()), hub)


def run(server: Server, sock: socket.socket) -> None:
    """Until a signal."""
    os.nice(NICE)
    connections.run(server, sock)
