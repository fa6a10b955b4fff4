"""A small office for what the real one never does: wrong answers, none, a cut after the commit. Over real TLS; it proves pieces as the real
one and keeps them in memory. Against the real office: test_send_to_office.py."""
from __future__ import annotations

import gzip
import json
import ssl
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import trustme

from assistant.record.chain import FIRST
from assistant.record.identity import origin
from assistant.send import piece
from assistant.send.piece import Piece

CODE, KEY_OF_STATION = "1234-5678", "a-key-of-the-tests-0123456789"


@dataclass
class SmallOffice:
    """``taken``: what it has, by record and hash, in the order in which it came."""
    address: str
    authority: Path
    practice: bool = False
    taken: dict[tuple[str, str], Piece] = field(default_factory=dict)
    asked: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    answers: Callable[[str, dict[str, Any]], tuple[int, dict[str, Any]] | None] = lambda path, body: None
    """In place of its own answer; None: its own."""
    cut: Callable[[str], bool] = lambda path: False
    """Whether it commits and then says nothing: the line is cut."""
    refuses: dict[int, str] = field(default_factory=dict)
    """Tests that it does not take, and why."""
    twice: int = 0
    lines: set[tuple[str, int]] = field(default_factory=set)
    """Connections that were made."""
    key: str = KEY_OF_STATION

    def answer(self, path: str, key: str, body: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        self.asked.append((path, body))
        if (given := self.answers(path, body)) is not None:
            return given
        if path == "/enrol":
            if body["code"] != CODE:
                return 403, {"error": "That code is not known here: ask for a new one."}
            return 200, {"station": str(uuid.UUID(int=7)), "name": "Bay 4 (invented)", "key": self.key, "office": "Office of the tests",
                         "practice": self.practice}
        if key != f"Bearer {self.key}":
            return 401, {"error": "This key is not known here: enrol the station again."}
        record = body["record"]
        if path == "/offers":
            return 200, {"wanted": [digest for *_, digest in body["pieces"] if (record, digest) not in self.taken]}
        return 200, self._take(record, body)

    def _take(self, record: str, body: dict[str, Any]) -> dict[str, Any]:
        committed, refused, before = [], [], {body["sent"]} if body["sent"] else set()
        for plain in body["pieces"]:
            each = piece.read(plain, uuid.UUID(record), origin(uuid.UUID(record)))
            before.add(each.before)
            if each.test in self.refuses:
                refused.append({"hash": each.hash, "why": self.refuses[each.test]})
                continue
            self.twice += (record, each.hash) in self.taken
            self.taken.setdefault((record, each.hash), each)
            committed.append(each.hash)
        its = {digest: each for (whose, digest), each in self.taken.items() if whose == record}
        before |= {each.before for each in its.values()}
        starts = {each.before for each in its.values() if each.first == 1} | {origin(uuid.UUID(record)), FIRST}
        return {"committed": committed, "refused": refused, "lacks": sorted(before - starts - its.keys())}


@contextmanager
def office(folder: Path, **more: Any) -> Iterator[SmallOffice]:
    """One that answers until the block is left. ``folder``: where its authority's certificate goes."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(folder / "authority.pem"))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1", "localhost").configure_cert(context)

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            ours.lines.add(self.client_address)
            data = self.rfile.read(int(self.headers["Content-Length"]))
            body = json.loads(gzip.decompress(data) if self.headers.get("Content-Encoding") == "gzip" else data)
            status, told = ours.answer(self.path, self.headers.get("Authorization", ""), body)
            if ours.cut(self.path):
                self.close_connection = True
                return
            text = json.dumps(told).encode()
            self.send_response(status)
            self.send_header("Content-Length", str(len(text)))
            if "location" in told:
                self.send_header("Location", told["location"])
            self.end_headers()
            self.wfile.write(text)

        def log_message(self, *_: object) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads, request_queue_size = True, 64

        def handle_error(self, *_: object) -> None:
            """A handshake that was given up is no news."""

    with Server(("127.0.0.1", 0), Handler) as server:
        server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
        ours = SmallOffice(f"https://127.0.0.1:{server.server_address[1]}", folder / "authority.pem", **more)
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        thread.start()
        try:
            yield ours
        finally:
            server.shutdown()
            thread.join()
