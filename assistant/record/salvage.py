"""Events found in the bytes of a damaged journal, without SQLite, which gives up where its own structure is broken.

A row of the journal looks the same wherever it lies: in the database, in the write-ahead log, or in a page that is no
longer used. All that look like one are found here; which of them are true only the chain of hashes tells (recover.py).
After SQLite's published file format: sections 1.6 (cells, overflow pages), 2.1 (records), 4.1 (the log).
"""
from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from sys import intern

from assistant.record.journal import Row

PAGE = 4096
"""Bytes: SQLite's own size, which the journal never changes."""
LOCAL, LEAST = PAGE - 35, (PAGE - 12) * 32 // 255 - 23
"""Bytes of a longer row that stay in its cell: at most, and at least (section 1.6)."""
LOG_HEAD, FRAME_HEAD = 32, 24
_HASH = b"\x81\x0d"
"""How the header of a record names a text of 64 letters: the sixth column, and in the first event of a test the seventh."""
_COLUMNS, _WHOLE = (6, 7), {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 8: 0, 9: 0}
"""Bytes of a whole number by its type; 8 and 9 are the numbers 0 and 1 themselves."""


def rows(database: bytes, log: bytes) -> Iterator[Row]:
    """Every row that these bytes may hold, true or not, some of them many times."""
    pages = _Pages(database, log)
    for data in (database, log):
        end = data.find(_HASH)
        while end >= 0:
            for behind in (b"", b"\0", _HASH):  # schema 1; within a test; its first event
                size = len(_HASH) + len(behind)
                if data.startswith(behind, end + len(_HASH)):
                    for head in range(6 + size, 18 + len(behind)):  # the header's first byte is its own length
                        start = end + size - head
                        if start >= 2 and data[start] == head and data[start + 1] == 0:
                            yield from _at(data, start, head, pages)
            end = data.find(_HASH, end + 1)


def schema(database: bytes, log: bytes) -> int:
    """As the first page has it (section 1.3); 0 where there is none."""
    page = _Pages(database, log).logged.get(1, database[:PAGE])
    return int.from_bytes(page[60:64], "big") if page.startswith(b"SQLite format 3") else 0


@dataclass
class _Pages:
    """The pages by number, in which a long row goes on. One is written once, so any copy of it will do."""
    database: bytes
    log: bytes

    def __post_init__(self) -> None:
        self.logged: dict[int, bytes] = {}
        for at in range(LOG_HEAD, len(self.log) - FRAME_HEAD - PAGE + 1, FRAME_HEAD + PAGE):
            body = at + FRAME_HEAD
            self.logged[int.from_bytes(self.log[at:at + 4], "big")] = self.log[body:body + PAGE]

    def chain(self, first: int, length: int, log_first: bool) -> bytes:
        """What lies on the pages from ``first`` on; shorter than ``length`` if they break off."""
        data, number = b"", first
        while number and len(data) < length:
            there = self.database[(number - 1) * PAGE:number * PAGE]
            page = self.logged.get(number, there) if log_first else there or self.logged.get(number, b"")
            number, data = int.from_bytes(page[:4], "big"), data + page[4:]
            if not page:
                break
        return data[:length]


def _at(data: bytes, start: int, head: int, pages: _Pages) -> Iterator[Row]:
    """The row whose record begins at ``start`` with a header of ``head`` bytes; two if its long text is found twice; or none."""
    types, at = [], start + 1
    while at < start + head:
        number, at = _number(data, at)
        types.append(number)
    if len(types) not in _COLUMNS or at != start + head or types[1] not in _WHOLE:
        return
    if any(kind < 13 or not kind % 2 for kind in types[2:6]):  # not all texts
        return
    widths = [0, _WHOLE[types[1]], *(max(0, (kind - 13) // 2) for kind in types[2:])]
    size = head + sum(widths)
    for record in _records(data, start, size, pages):
        values, place = [], head
        for width in widths:
            values.append(record[place:place + width])
            place += width
        test = types[1] - 8 if types[1] in (8, 9) else int.from_bytes(values[1], "big", signed=True)
        if len(record) == size:
            with suppress(UnicodeDecodeError):
                wall, boot, body, digest, *before = (value.decode() for value in values[2:])
                yield Row(_number_before(data, start), test, wall, intern(boot), body, digest, "".join(before) or None)


def _records(data: bytes, start: int, size: int, pages: _Pages) -> Iterator[bytes]:
    if size <= LOCAL:
        yield data[start:start + size]
        return
    local = LEAST + (size - LEAST) % (PAGE - 4)
    local = local if local <= LOCAL else LEAST
    onward = int.from_bytes(data[start + local:start + local + 4], "big")
    for log_first in (True, False):
        yield data[start:start + local] + pages.chain(onward, size - local, log_first)


def _number(data: bytes, at: int) -> tuple[int, int]:
    """A number of SQLite's variable length, and where the next thing begins."""
    value = 0
    for at in range(at, min(at + 8, len(data))):
        value = value << 7 | data[at] & 0x7F
        if data[at] < 0x80:
            break
    return value, at + 1


def _number_before(data: bytes, end: int) -> int:
    """The number that ends there: all its bytes but the last have their highest bit set, and so has none before it."""
    begin = end - 1
    while begin > 0 and end - begin < 8 and data[begin - 1] >= 0x80:
        begin -= 1
    return _number(data, begin)[0]
