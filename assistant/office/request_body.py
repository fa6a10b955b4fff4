"""A request's body, read within bounds: its own, those of the process, and of time."""
from __future__ import annotations

import asyncio
import zlib
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from anyio import CapacityLimiter, to_thread
from starlette.requests import ClientDisconnect, Request

from assistant.office.refused import Refused

PART_S, WHOLE_S = 30.0, 600.0
"""How long the next bytes, and all of them, may take."""
REST_S = 1.0
"""For the next bytes of what is refused."""
BUSY = "This office is busy just now, and nothing was taken: it is sent again by itself."
TORN = "That request broke off: send it again."


class Bodies:
    """All that a process holds at once. most: bytes; cores: a limit to the threads that unpack."""

    def __init__(self, most: int, cores: CapacityLimiter) -> None:
        self._free, self._cores = most, cores

    @asynccontextmanager
    async def of(self, request: Request, most: int) -> AsyncIterator[bytes]:
        """The body, which has its place until it is let go. Raises Refused. ``most``: bytes, as they come and unpacked."""
        packing = request.headers.get("content-encoding", "identity").lower()
        if packing not in ("identity", "gzip"):
            raise Refused(415, "This office unpacks gzip alone: upgrade the older of station and office.")
        length = request.headers.get("content-length", "0")
        if not length.isascii() or not length.isdigit() or len(length) > 15 or int(length) > most:
            raise too_large(most)
        held = 0

        def hold(size: int) -> None:
            nonlocal held
            if size > self._free:
                raise Refused(503, BUSY, 5)
            self._free -= size
            held += size

        try:
            data = await _bytes(request, most, hold)
            if packing == "gzip":
                data = await to_thread.run_sync(unpacked, data, most, limiter=self._cores)
                hold(max(0, len(data) - held))
            yield data
        finally:
            self._free += held


async def _bytes(request: Request, most: int, hold: Callable[[int], None]) -> bytes:
    parts, size, clock = [], 0, asyncio.get_running_loop().time
    try:
        ends = clock() + WHOLE_S
        async with asyncio.timeout(PART_S) as limit:
            async for part in request.stream():
                size += len(part)
                if size > most:
                    raise too_large(most)
                hold(len(part))
                parts.append(part)
                limit.reschedule(min(ends, clock() + PART_S))
    except TimeoutError:
        raise Refused(408, "That request came too slowly: send fewer pieces at once.") from None
    except ClientDisconnect:
        raise Refused(400, TORN) from None
    return b"".join(parts)


def too_large(most: int) -> Refused:
    much = f"{most // 2**20} MiB" if most >= 2**20 else f"{most} bytes"
    return Refused(413, f"That request is larger than {much}: send fewer pieces at once.")


def unpacked(packed: bytes, most: int) -> bytes:
    """gzip, and never more than ``most`` bytes in memory. Raises Refused."""
    unpacker = zlib.decompressobj(31)       # 31: gzip's head and check, the largest window
    try:
        data = unpacker.decompress(packed, most + 1)
    except zlib.error:
        raise Refused(400, TORN) from None
    if len(data) > most:
        raise too_large(most)
    if not unpacker.eof or unpacker.unused_data:
        raise Refused(400, TORN)
    return data


async def drained(request: Request, most: int) -> None:
    """Take the rest and forget it, while it comes: a client that is still sending would not hear why it was refused."""
    size, clock = 0, asyncio.get_running_loop().time
    ends = clock() + PART_S
    try:
        async with asyncio.timeout(REST_S) as limit:
            async for part in request.stream():
                size += len(part)
                if size > most:
                    return
                limit.reschedule(min(ends, clock() + REST_S))
    except (TimeoutError, ClientDisconnect, RuntimeError):      # RuntimeError: all of it was read
        pass
