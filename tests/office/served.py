"""The office's pages, served on the loopback for their tests: real tables, real row security, the real server.

Who signs in, and how, is tested in test_sign_in.py: here a reader is simply there.
"""

from __future__ import annotations

import http.client
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from uuid import UUID, uuid5

import psycopg
import uvicorn
from psycopg_pool import ConnectionPool
from starlette.requests import Request
from starlette.responses import Response

from assistant.office import database, readers
from assistant.office.pages import routes
from assistant.office.readers import Reader
from tests.office.pieces import RECORD, derive, pieces_of, put


class Served:
    """``url``: of the database, as its owner."""

    def __init__(self, url: str) -> None:
        self.owner = psycopg.connect(url, autocommit=True)
        readers.let_web_in(self.owner, url)
        readers.add(self.owner, "Office", "office")
        self.reader = self.named("Office")
        self._pool: ConnectionPool = database.pool(readers.web_url(url))
        self._server = uvicorn.Server(uvicorn.Config(
            routes.guarded(routes.routes(self._behind)), log_level="warning", timeout_graceful_shutdown=1))
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = self._socket.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._socket]})

    def __enter__(self) -> Served:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.should_exit = True
        self._thread.join(60)
        self._pool.close()
        self.owner.close()

    def named(self, name: str) -> Reader:
        row = self.owner.execute("SELECT id, name, role FROM office.readers WHERE name = %s", (name,)).fetchone()
        assert row is not None
        return Reader(*row)

    def add(self, folder: Path, station: str = "Rig 1", record: UUID | None = None) -> UUID:
        """The tests of a journal, as they come from that station and are derived."""
        record = record or uuid5(RECORD, station)
        put(self.owner, pieces_of(folder), record, station)
        self.owner.execute("UPDATE office.stations SET heard_at = now(), clock_off_s = 0.3 WHERE name = %s", (station,))
        derive(self.owner)
        return record

    def ask(self, path: str, headers: dict[str, str] | None = None, **asked: str) -> tuple[int, dict[str, str], bytes]:
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            link.request("GET", f"{path}?{urlencode(asked)}" if asked else path, headers=headers or {})
            answer = link.getresponse()
            return answer.status, {name.lower(): value for name, value in answer.getheaders()}, answer.read()
        finally:
            link.close()

    def text(self, path: str, **asked: str) -> str:
        status, _, body = self.ask(path, **asked)
        assert status == 200, (status, path, body)
        return body.decode()

    def test(self, record: UUID, number: int) -> str:
        """Its page."""
        row = self.owner.execute("SELECT piece FROM office.tests WHERE record = %s AND number = %s ORDER BY piece",
                                 (record, number)).fetchone()
        assert row is not None
        return f"/test/{record}/{bytes(row[0]).hex()}"

    def _behind(self, answer: Callable[[Request, Any, Reader], Response]) -> Callable[[Request], Response]:
        def answered(request: Request) -> Response:
            with self._pool.connection() as db, readers.acting(db, self.reader):
                return answer(request, db, self.reader)
        return answered
