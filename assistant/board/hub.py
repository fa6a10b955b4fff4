"""Who is told what and when: one look at the folder for all phones, and for each phone what changed since it was last told."""
from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from functools import lru_cache

from assistant.board import pages
from assistant.board.published import Published, Snapshot
from hardware.clock import boot_now

LOOK_S = 0.04
"""Between two looks while a phone listens: a quarter of what a person takes for at once (100 ms)."""
IDLE_S = 0.5
BEAT_S = 5.0
"""Something is sent at least as often, so that a phone notices that it is cut off."""


class Hub:
    """``clock``: s since boot, the same as the station's."""

    def __init__(self, published: Published, clock: Callable[[], float] = boot_now) -> None:
        self.published, self.clock = published, clock
        self.listeners = 0
        self._news = asyncio.Event()
        self._over = False
        published.look()

    def close(self) -> None:
        """Every listener's stream ends."""
        self._over = True
        self._news.set()

    async def watch(self, each_second: Callable[[], None]) -> None:
        """Look until cancelled; ``each_second`` is called about as often."""
        due = 0.0
        while not self._over:
            if self.published.look():
                self._news.set()
                self._news = asyncio.Event()
            if self.clock() >= due:
                due = self.clock() + 1.0
                each_second()
            await asyncio.sleep(LOOK_S if self.listeners else IDLE_S)

    async def messages(self, page: str, last: str, allowed: Callable[[], bool]) -> AsyncIterator[bytes]:
        """Server-sent events for one phone, which was last told ``last``. A phone that reads slowly gets the newest, not all."""
        self.listeners += 1
        try:
            self.published.look()
            seen = self.published.snapshot if last == self.published.snapshot.id else None
            yield b"retry: 1000\n\n"
            while not self._over and allowed():
                news, shown = self._news, self.published.snapshot
                yield message(page, seen, shown, self.clock())
                seen = shown
                try:
                    async with asyncio.timeout(BEAT_S):
                        await news.wait()
                except TimeoutError:
                    pass
        finally:
            self.listeners -= 1


def message(page: str, seen: Snapshot | None, shown: Snapshot, sent: float) -> bytes:
    """One event: the regions that changed, when the station last spoke and when this was sent, both in s of the boot clock."""
    return f"id: {shown.id}\ndata: {{\"sent\": {sent:.3f}, {_changed(page, seen, shown)}}}\n\n".encode()


@lru_cache(maxsize=8)
def _changed(page: str, seen: Snapshot | None, shown: Snapshot) -> str:
    before, regions = (_regions(page, seen) if seen else {}), _regions(page, shown)
    changed = {name: html for name, html in regions.items() if before.get(name) != html}
    return f'"at": {shown.at:.3f}, "regions": {json.dumps(changed)}'


@lru_cache(maxsize=8)
def _regions(page: str, shown: Snapshot) -> pages.Regions:
    return pages.LIVE[page](shown)
