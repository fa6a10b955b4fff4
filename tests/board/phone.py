"""A board that serves in a thread of the test, and a phone that asks it by plain HTTP."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from assistant.board import connections, pairing, server


class Board:
    """Serving from ``folder`` on a free port of the loopback, until `stop`."""

    def __init__(self, folder: Path, own: Path, port: int = 0) -> None:
        self.folder, self.own = folder, own
        self._socket = connections.listening("127.0.0.1", port)
        self.port = self._socket.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self._server = server.make(folder, own, lambda: [self.url])
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],))
        self._thread.start()

    @property
    def code(self) -> str:
        return str(pairing.code_of(self.own)["code"])

    def stop(self) -> None:
        self._server.should_exit = True
        self._thread.join(60)
        assert not self._thread.is_alive(), "it does not stop"


class Phone:
    def __init__(self, board: Board) -> None:
        self.board, self.cookie = board, ""

    def ask(self, path: str, method: str = "GET", body: bytes | None = None, **headers: str) -> tuple[int, dict[str, str], str]:
        """Status, headers in small letters, body."""
        link = http.client.HTTPConnection("127.0.0.1", self.board.port, timeout=60)
        try:
            own = {"Cookie": f"board={self.cookie}"} if self.cookie else {}
            link.request(method, path, body, {**own, **{name.replace("_", "-"): value for name, value in headers.items()}})
            answer = link.getresponse()
            return (
                answer.status,
                {name.lower(): value for name, value in answer.getheaders()},
                answer.read().decode("utf-8", "replace"),
            )
        finally:
            link.close()

    def guess(self, code: str, **headers: str) -> int:
        status, got, _ = self.ask(
            "/pair",
            "POST",
            urlencode({"code": code}).encode(),
            **{"Content_Type": "application/x-www-form-urlencoded", **headers},
        )
        if cookie := got.get("set-cookie"):
            self.cookie = cookie.partition("=")[2].partition(";")[0]
        return status

    def pair(self) -> Phone:
        assert self.guess(self.board.code) == 303
        return self

    def listen(self, page: str = "now", last: str = "") -> Stream:
        return Stream(self, page, last)


class Stream:
    """Server-sent events, one after the other."""

    def __init__(self, phone: Phone, page: str, last: str) -> None:
        self._socket = socket.create_connection(("127.0.0.1", phone.board.port), timeout=60)
        more = f"Last-Event-ID: {last}\r\n" if last else ""
        self._socket.sendall(
            f"GET /events?page={page} HTTP/1.0\r\nHost: 127.0.0.1\r\nCookie: board={phone.cookie}\r\n{more}\r\n".encode()
        )
        self._file = self._socket.makefile("r", encoding="utf-8", newline="\n")
        self.status = int(self._file.readline().split()[1])
        while self._file.readline().strip():
            pass

    def __iter__(self) -> Iterator[dict[str, Any]]:
        event: dict[str, Any] = {}
        for line in self._file:
            if line.startswith("id: "):
                event["id"] = line[4:].strip()
            elif line.startswith("data: "):
                yield {**event, **json.loads(line[6:])}

    def until(self, wanted, limit_s: float = 60) -> dict[str, Any]:
        ends = time.monotonic() + limit_s
        for event in self:
            if wanted(event):
                return event
            assert time.monotonic() < ends
        raise AssertionError("the stream ended")

    def close(self) -> None:
        self._file.close()
        self._socket.close()
