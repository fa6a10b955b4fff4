"""Everything that a reader may see, as one ZIP that is written while it is sent: tests.csv for a spreadsheet, records/RECORD.json with
every test, pieces.jsonl with the hashed events, and contents.json, last, with what the others hold.

All of it is of one instant (one transaction that only reads), and no more than one test is at hand at a time; what grows is the ZIP's
list of its files, some 200 bytes a record. ``bowlside office verify`` works the other way: assistant/office/verify.py.
"""
from __future__ import annotations

import io
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from itertools import chain, groupby
from typing import Any
from uuid import UUID
from zipfile import ZIP_DEFLATED, ZipFile

from psycopg import Connection, IsolationLevel
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from assistant.board.markup import Html, el
from assistant.core.language import sentence
from assistant.files.jsonline import dumps
from assistant.office import database, readers, test_document
from assistant.office.readers import Reader
from assistant.office.test_document import rules
from assistant.report import csv_file, json_file
from assistant.report.rows import doubts

FORM, VERSION = "bowlside-export", 1
CSV, PIECES, CONTENTS = "tests.csv", "pieces.jsonl", "contents.json"
MORE = ("record", "piece", "sent by")
"""Columns before those of a station's own export: which record, the hash of the test's last event, the station's name here."""
CHUNK, AT_ONCE = 2**16, 50
"""Bytes that are sent together; rows that are fetched together."""
MOST, IDLE_MIN = 2, 10
"""Exports at a time of one instance; minutes that who takes one may stand still, since the database keeps its instant for it. Ours."""
PEOPLE, ROLE = "people", "role"
"""Why a piece has no events here: its people's days are over; or this reader sees no events."""
_free = threading.BoundedSemaphore(MOST)


def routes(behind: Callable[[Callable[[Request, Connection, Reader], Response]], Callable[[Request], Response]],
           url: str, page: Callable[..., Html]) -> list[Route]:
    """``behind`` and ``page`` as the door has them; ``url``: of the pages' role."""
    def told(request: Request, connection: Connection, reader: Reader) -> Response:
        return Response(page(_words("title"), el("p", _words("told")), el("p", el("a", _words("take"), href="/export.zip", download=True)),
                             el("p", _words("verify")), reader=reader.name), media_type="text/html")

    def taken(request: Request, connection: Connection, reader: Reader) -> Response:
        if request.method == "HEAD":
            return Response(media_type="application/zip")
        if not _free.acquire(blocking=False):
            return Response(page(_words("title"), el("p", _words("busy")), reader=reader.name), 503, {"retry-after": "60"}, "text/html")
        now = datetime.now().astimezone()
        parts = _held(stream(url, reader, now))
        # It is begun here, so that it ends by itself whatever becomes of the answer.
        return StreamingResponse(chain([next(parts)], parts), media_type="application/zip", headers={
            "content-disposition": f'attachment; filename="office-{now:%Y-%m-%d-%H%M}.zip"'})

    return [Route("/export", behind(told)), Route("/export.zip", behind(taken))]


def _held(parts: Iterator[bytes]) -> Iterator[bytes]:
    try:
        yield b""
        yield from parts
    finally:
        _free.release()


def stream(url: str, reader: Reader, made: datetime) -> Iterator[bytes]:
    """``url``: of the pages' role."""
    with database.connect(url) as connection:
        connection.isolation_level, connection.read_only = IsolationLevel.REPEATABLE_READ, True
        with readers.acting(connection, reader):
            connection.execute("SELECT set_config('idle_in_transaction_session_timeout', %s, true)", (f"{IDLE_MIN}min",))
            yield from _Export(connection, reader, made).parts()


class _Sink(io.RawIOBase):
    """What the ZIP writes, until it is taken."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self.size = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._parts.append(bytes(data))
        self.size += len(self._parts[-1])
        return len(self._parts[-1])

    def take(self) -> bytes:
        whole, self._parts, self.size = b"".join(self._parts), [], 0
        return whole


class _Export:
    def __init__(self, connection: Connection, reader: Reader, made: datetime) -> None:
        self._connection, self._reader, self._made = connection, reader, made
        self._sink = _Sink()
        self._counts = {"tests": 0, "records": 0, "pieces": 0, "events": 0}

    def parts(self) -> Iterator[bytes]:
        with ZipFile(self._sink, "w", ZIP_DEFLATED) as archive:
            for _ in chain(self._csv(archive), self._records(archive), self._pieces(archive)):
                if self._sink.size >= CHUNK:
                    yield self._sink.take()
            with self._member(archive, CONTENTS) as file:
                file.write(dumps({"form": FORM, "version": VERSION, "made": self._made.isoformat(timespec="seconds"),
                                  "reader": self._reader.name, "role": self._reader.role, "rules": rules(), **self._counts}) + "\n")
        yield self._sink.take()

    @contextmanager
    def _member(self, archive: ZipFile, name: str, encoding: str = "utf-8") -> Iterator[io.TextIOWrapper]:
        with archive.open(name, "w", force_zip64=True) as raw, io.TextIOWrapper(raw, encoding, newline="\n") as file:
            yield file

    def _csv(self, archive: ZipFile) -> Iterator[None]:
        columns = csv_file.Columns(MORE)
        for test in self._tests():
            columns.add(test.document)
            yield
        with self._member(archive, CSV, csv_file.ENCODING) as file:
            write = csv_file.writer(columns.names, file)
            for test in self._tests():
                write(test.cells)
                yield

    def _records(self, archive: ZipFile) -> Iterator[None]:
        """Each as a station exports its own; a test has besides its piece, and whether its people are left out."""
        for record, tests in groupby(self._tests(), key=lambda test: test.record):
            self._counts["records"] += 1
            told, numbers = [], {}
            with self._member(archive, f"records/{record}.json") as file:
                file.write(f'{{"form": "bowlside-record", "version": {json_file.VERSION}, "made": {dumps(self._made.isoformat(timespec="seconds"))}, '
                           '"acceptance": [], "tests": [')
                between = "\n"
                for _, its in groupby(tests, key=lambda test: test.day):
                    short = []
                    for test in its:
                        file.write(between + dumps(json_file.test(test.document) | {"piece": test.piece, **test.left_out}))
                        self._counts["tests"] += 1
                        between = ",\n"
                        short.append(test_document.brief(test.document) | {"readings": [], "results": []})
                        numbers[test.piece] = test.document["id"]
                        yield
                    told += doubts(short)
                file.write(f'\n], "doubts": {dumps(told)}, "rounds": {dumps(self._rounds(record, numbers))}}}\n')

    def _rounds(self, record: UUID, numbers: dict[str, int]) -> list[dict[str, Any]]:
        return [{"round": name, "tests": [numbers[piece.hex()] for piece in pieces if piece.hex() in numbers],
                 "load": {"verdict": verdict, "why": why, "standing": standing} if verdict else None,
                 "properties": test_document.exact(properties)}
                for name, pieces, verdict, why, standing, properties in self._connection.execute(
                    "SELECT round, pieces, verdict, why, standing, properties::text FROM office.rounds WHERE record = %s "
                    "ORDER BY began, round, branch", (record,))]

    def _tests(self) -> Iterator[_Test]:
        """By record and number. Lists name people only where their job lets them be compared."""
        for row in self._asked("""
                SELECT t.record, t.piece, t.day, coalesce(s.name, ''), load.verdict, named.so, r.gone,
                       (CASE WHEN named.so THEN t.document ELSE office.without_people(t.document) END)::text
                FROM office.tests t JOIN office.stations s ON s.id = t.station
                LEFT JOIN LATERAL (SELECT p.people_gone IS NOT NULL AS gone FROM office.pieces p
                                   WHERE p.record = t.record AND p.hash = t.piece) r ON true
                CROSS JOIN LATERAL (SELECT t.job = ANY ((SELECT office.compared())::text[]) AS so) named
                LEFT JOIN LATERAL (SELECT max(verdict) AS verdict FROM office.rounds r
                                   WHERE t.round <> '' AND r.record = t.record AND r.round = t.round AND t.piece = ANY (r.pieces)) load ON true
                ORDER BY t.record, t.number, t.piece"""):
            yield _Test(*row)

    def _pieces(self, archive: ZipFile) -> Iterator[None]:
        with self._member(archive, PIECES) as file:
            rows = self._asked("""
                SELECT p.record, p.kind, p.test, p.first, p.last, encode(p.before, 'hex'), encode(p.hash, 'hex'), p.people_gone IS NOT NULL,
                       e.seq, e.wall, e.boot, e.body, encode(e.hash, 'hex')
                FROM office.pieces p LEFT JOIN office.events e ON e.record = p.record AND e.piece = p.hash
                ORDER BY p.record, p.first, p.hash, e.seq""")
            for (record, *its, gone), events in groupby(rows, key=lambda row: row[:8]):
                piece: dict[str, Any] = dict(zip(("kind", "test", "first", "last", "before", "hash"), its))
                piece["rows"] = [list(row[8:]) for row in events if row[8] is not None]
                stub = piece["kind"] in ("withheld", "damaged") or piece["rows"]
                self._counts["pieces"] += 1
                self._counts["events"] += len(piece["rows"])
                # Whatever stands in an event stays what it is: this is what was hashed.
                file.write(json.dumps({"record": str(record), "left_out": "" if stub else PEOPLE if gone else ROLE, **piece}) + "\n")
                yield

    def _asked(self, question: Any) -> Iterator[tuple[Any, ...]]:
        with self._connection.cursor(name="export") as cursor:
            cursor.itersize = AT_ONCE
            cursor.execute(question)
            yield from cursor


class _Test:
    def __init__(self, record: UUID, piece: bytes, day: Any, station: str, load: str | None, named: bool, gone: bool, document: str) -> None:
        self.record, self.piece, self.day = record, piece.hex(), day
        self.left_out = {} if named and not gone else {"people_left_out": True}
        self.document = test_document.loads(document)
        self._first = dict(zip(MORE, (str(record), self.piece, station)))
        self._load = load or ""

    @property
    def cells(self) -> dict[str, str]:
        return csv_file.row(self.document) | {"load verdict": self._load} | self._first


def _words(ident: str) -> str:
    return sentence(f"office_export.{ident}")
