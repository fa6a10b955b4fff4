"""Who sends rubbish, slowly, too much or from very many connections keeps nobody else out. Loopback only."""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from assistant.board import connections, http_answers
from tests.board import publisher
from tests.board.phone import Board, Phone

LIMIT_S = 60


def link(board: Board, sent: bytes = b"", own: str = "127.0.0.1") -> socket.socket:
    """From another address of the loopback, where ``own`` says so."""
    found = socket.create_connection(("127.0.0.1", board.port), timeout=LIMIT_S, source_address=(own, 0))
    found.sendall(sent)
    return found


def answer(sock: socket.socket) -> bytes:
    """All until it is closed."""
    got = b""
    with suppress(ConnectionError):
        while part := sock.recv(65536):
            got += part
    return got


def served(board: Board, own: str = "127.0.0.2") -> bool:
    with link(board, b"GET /pair HTTP/1.0\r\nHost: 127.0.0.1\r\n\r\n", own) as sock:
        return answer(sock).startswith(b"HTTP/1.1 200")


def test_a_thousand_connections_of_one_address(board: Board, phone: Phone) -> None:
    """He has his share, and phones theirs: what is told live goes on meanwhile."""
    stream = iter(phone.listen())
    next(stream)
    with ExitStack() as stack:
        held = []
        for _ in range(1000):
            with suppress(ConnectionError):
                held.append(stack.enter_context(link(board, b"GET / HT", own="127.0.0.66")))
        assert served(board)
        publisher.put(board.folder, "now.json", publisher.now(2, do="Meanwhile."))
        assert "Meanwhile." in str(next(stream))
        assert connections.Limited.open["127.0.0.66"] == connections.Limited.most_of_one
    ends = time.monotonic() + LIMIT_S
    while connections.Limited.open["127.0.0.66"]:
        assert time.monotonic() < ends
        time.sleep(0.01)


def test_a_thousand_connections_of_many_addresses(board: Board) -> None:
    with ExitStack() as stack:
        for number in range(1000):
            with suppress(ConnectionError):
                stack.enter_context(link(board, own=f"127.0.1.{number % 250 + 1}"))
        ends = time.monotonic() + LIMIT_S
        while not connections.Limited.most / 2 < connections.Limited.open.total() <= connections.Limited.most:
            assert time.monotonic() < ends, connections.Limited.open.total()
            time.sleep(0.01)
    while connections.Limited.open.total():
        assert time.monotonic() < ends
        time.sleep(0.01)
    assert served(board)


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections.Limited, "request_s", 0.05)
    monkeypatch.setattr(http_answers, "FORM_S", 0.05)


@pytest.mark.parametrize("begun", [b"", b"G", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: "])
def test_a_request_that_does_not_end_is_ended(board: Board, hasty: None, begun: bytes) -> None:
    with link(board, begun) as sock:
        assert answer(sock) == b""


def test_a_form_that_does_not_end_is_ended(board: Board, hasty: None) -> None:
    head = b"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 9\r\n\r\ncode"
    with link(board, head) as sock:
        assert answer(sock).startswith(b"HTTP/1.1 408")
    assert Phone(board).guess(board.code) == 303, "and has used no guess up"


def test_a_body_without_end_behind_an_answer_is_ended(board: Board, hasty: None) -> None:
    with link(board, b"GET /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 999999999\r\n\r\n") as sock:
        ends = time.monotonic() + LIMIT_S
        with pytest.raises(OSError):
            while time.monotonic() < ends:
                sock.sendall(b"x" * 65536)
    assert served(board)


@pytest.mark.parametrize(
    "head",
    [
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 20_000,
        b"GET /" + b"x" * 20_000,
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\0" * 600,
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
        b"GET http://elsewhere.example/ HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
        b"POST /pair HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\nConnection: close\r\n\r\n",
    ],
)
def test_what_is_no_request_of_ours_gets_nothing(board: Board, hasty: None, head: bytes) -> None:
    with link(board, head) as sock:
        sock.shutdown(socket.SHUT_WR)
        got = answer(sock)
    assert got == b"" or got.split(None, 2)[1] in (b"400", b"421", b"431", b"303", b"404", b"405"), got[:200]
    assert served(board)


def test_who_reads_nothing_keeps_nobody_waiting(board: Board, phone: Phone) -> None:
    """A big report asked for forty times on one connection and never read, while another phone listens."""
    publisher.put(board.folder, "test-1.pdf", b"%PDF" + b"x" * 5_000_000)
    ask = f"GET /test/1.pdf HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: board={phone.cookie}\r\n\r\n".encode()
    stream = iter(phone.listen())
    next(stream)
    with link(board, ask * 40):
        for seq in range(2, 30):
            publisher.put(board.folder, "now.json", publisher.now(seq, do=f"Step {seq}."))
            assert f"Step {seq}." in str(next(stream))


def test_who_takes_nothing_for_long_is_dropped() -> None:
    """By the system, a phone's connection as the listening one: tcp(7), TCP_USER_TIMEOUT."""
    with connections.listening("127.0.0.1", 0) as listening, socket.create_connection(listening.getsockname()) as _:
        accepted, _ = listening.accept()
        with accepted:
            assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == connections.GONE_S * 1000


PLACES = st.sampled_from(["/", "/day", "/events", "/events?page=now", "/test/1", "/test/1.pdf", "/pair", "/static/board.js", "*"])
ODD = st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E), max_size=60).map(lambda text: f"/{text}")
NAMES = st.sampled_from(
    [
        "Host",
        "Cookie",
        "Last-Event-ID",
        "Origin",
        "Content-Length",
        "Transfer-Encoding",
        "Expect",
        "Range",
        "Connection",
        "Accept-Encoding",
        "X-Forwarded-For",
        "If-None-Match",
        "Upgrade",
        "Content-Type",
    ]
)
VALUES = st.one_of(
    st.sampled_from(
        ["127.0.0.1", "chunked", "100-continue", "bytes=0-", "close", "keep-alive", "0", "4", "99999999999999999999"]
    ),
    st.text(st.characters(min_codepoint=0x20, max_codepoint=0xFF, exclude_characters="\x7f"), max_size=40),
)
METHODS = st.one_of(
    st.sampled_from(["GET", "HEAD", "POST", "PUT", "OPTIONS"]), st.from_regex(r"[A-Z!#$%&]{1,12}", fullmatch=True)
)
REQUESTS = st.builds(
    lambda method, path, headers, body, cut: (
        "".join([f"{method} {path} HTTP/1.1\r\n", *(f"{name}: {value}\r\n" for name, value in headers), "\r\n"]).encode(
            "latin-1"
        )[:cut]
        + body
    ),
    METHODS,
    st.one_of(PLACES, ODD),
    st.lists(st.tuples(NAMES, VALUES), max_size=6),
    st.binary(max_size=40),
    st.one_of(st.none(), st.integers(0, 60)),
)


class Errors(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.seen: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.seen.append(self.format(record))


@pytest.fixture
def errors() -> Iterator[list[str]]:
    """What the server complains of as its own mistake."""
    handler, log = Errors(), logging.getLogger("uvicorn.error")
    log.addHandler(handler)
    yield handler.seen
    log.removeHandler(handler)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(request=st.one_of(REQUESTS, st.binary(max_size=300)), paired=st.booleans())
def test_any_request_is_answered_or_closed_and_changes_nothing(
    board: Board, phone: Phone, errors: list[str], request: bytes, paired: bool
) -> None:
    if paired:
        line, end, rest = request.partition(b"\r\n")
        request = line + end + f"Cookie: board={phone.cookie}\r\nHost: 127.0.0.1\r\n".encode() + rest if end else request
    before = {path.name: path.stat().st_mtime_ns for path in board.folder.iterdir()}
    with link(board, request) as sock:
        sock.shutdown(socket.SHUT_WR)
        sock.settimeout(0.5)
        with suppress(OSError):
            got = sock.recv(100)
            assert not got or got.startswith(b"HTTP/1.1 ") and not got.startswith(b"HTTP/1.1 5"), got
    assert before == {path.name: path.stat().st_mtime_ns for path in board.folder.iterdir()} and not errors, errors
