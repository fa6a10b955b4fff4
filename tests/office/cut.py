"""A link that is cut: a relay on this machine that drops all its connections now and then, at any byte, and takes none for a while."""
from __future__ import annotations

import asyncio
import contextlib
import threading
from random import Random


class Relay:
    """Within ``with``: what comes to ``port`` goes on to ``to``. ``every``, ``away``: s between two cuts, and until it takes more."""

    def __init__(self, to: int, every: float = 2.0, away: float = 0.3, seed: int = 0) -> None:
        self.to, self.every, self.away, self.port, self.cuts = to, every, away, 0, 0
        self._random = Random(seed)
        self._open: set[asyncio.StreamWriter] = set()
        self._down = False
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._run()), daemon=True)

    def __enter__(self) -> Relay:
        self._thread.start()
        self._ready.wait(10)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(10)

    async def _run(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        server = await asyncio.start_server(self._take, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        while not self._stop.is_set():
            if await self._wait(self._random.expovariate(1 / self.every) if self.every else None):
                break
            self.cuts, self._down = self.cuts + 1, True
            for writer in list(self._open):
                writer.transport.abort()
            await self._wait(self._random.random() * 2 * self.away)
            self._down = False
        server.close()

    async def _wait(self, s: float | None) -> bool:
        with contextlib.suppress(asyncio.TimeoutError):
            await asyncio.wait_for(self._stop.wait(), s)
        return self._stop.is_set()

    async def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._down:
            writer.transport.abort()
            return
        try:
            onward, back = await asyncio.open_connection("127.0.0.1", self.to)
        except OSError:
            writer.transport.abort()
            return
        self._open |= {writer, back}
        await asyncio.gather(_pump(reader, back), _pump(onward, writer))
        self._open -= {writer, back}


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError, asyncio.IncompleteReadError):
        while data := await reader.read(65536):
            writer.write(data)
            await writer.drain()
    writer.transport.abort() if reader.exception() else writer.close()
