"""The office's door as its tests use it: a real database, the real app on a real server, and what a station would send."""
from __future__ import annotations

import gzip
import json
import socket
import threading
from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

import requests
import uvicorn
from psycopg_pool import ConnectionPool
from starlette.applications import Starlette

from assistant.office import stations, web
from assistant.send.piece import FORM, VERSION, Piece

Given = Piece | dict[str, Any]


class Door:
    """``pool``: to the office's database, all tables made."""

    def __init__(self, pool: ConnectionPool, most_at_once: int = web.MOST_AT_ONCE) -> None:
        self.pool, self.session = pool, requests.Session()
        app = Starlette(routes=web.Door(web.Tables(pool), "Made office (invented)", most_at_once).routes)
        self._server = uvicorn.Server(uvicorn.Config(app, log_level="warning"))

    def __enter__(self) -> "Door":
        listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{listener.getsockname()[1]}"
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [listener]})
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.session.close()
        self._server.should_exit = True
        self._thread.join()

    def ask(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        with self.pool.connection() as db:
            return db.execute(sql, values).fetchall()   # type: ignore[arg-type]

    def do(self, sql: str, *values: Any) -> None:
        with self.pool.connection() as db:
            db.execute(sql, values)     # type: ignore[arg-type]

    def code(self, name: str, practice: bool = False) -> str:
        with self.pool.connection() as db:
            return str(stations.code(db, name, practice))

    def enrol(self, name: str, practice: bool = False) -> str:
        """Its key."""
        answer = self.session.post(f"{self.url}/enrol", json={"code": self.code(name, practice), "version": "0"})
        assert answer.status_code == 200, answer.text
        return answer.json()["key"]

    def send(self, key: str, record: UUID, pieces: Iterable[Given] = (), packed: bool = False, **more: Any) -> Any:
        body = json.dumps(asked(record, pieces, **more)).encode()
        return self.raw("/pieces", key, gzip.compress(body) if packed else body, {"content-encoding": "gzip"} if packed else {})

    def sent(self, key: str, record: UUID, pieces: Iterable[Given] = (), **more: Any) -> dict[str, Any]:
        answer = self.send(key, record, pieces, **more)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def offer(self, key: str, record: UUID, pieces: Iterable[Piece]) -> Any:
        offered = [[piece.test, piece.first, piece.last, piece.hash] for piece in pieces]
        return self.raw("/offers", key, json.dumps({"record": str(record), "pieces": offered}).encode())

    def raw(self, path: str, key: str, body: Any, headers: dict[str, str] | None = None) -> Any:
        return self.session.post(self.url + path, data=body, headers={"authorization": f"Bearer {key}", **(headers or {})})

    def empty(self) -> None:
        """As after the tables were made."""
        self.do("TRUNCATE office.stations, office.codes, office.guesses, office.records, office.pieces, office.events, "
                "office.refusals CASCADE")

    def refusals(self) -> list[tuple[Any, ...]]:
        return self.ask("SELECT why, times FROM office.refusals ORDER BY first_at, why")

    def events(self, record: UUID) -> list[tuple[Any, ...]]:
        """As a journal has them, each once, whichever pieces share it."""
        return self.ask("SELECT DISTINCT seq, wall, boot, body, encode(hash, 'hex') FROM office.events WHERE record = %s "
                        "ORDER BY seq", record)


def asked(record: UUID, pieces: Iterable[Given] = (), **more: Any) -> dict[str, Any]:
    plain = [piece.plain() if isinstance(piece, Piece) else piece for piece in pieces]
    return {"form": FORM, "version": VERSION, "record": str(record), "program": "0", "newest": None, "waiting": 0, "sent": None,
            "pieces": plain, **more}


def rows_of(pieces: Sequence[Piece]) -> list[tuple[Any, ...]]:
    """What the table of events is to hold of these."""
    return sorted({tuple(row) for piece in pieces for row in piece.rows})
