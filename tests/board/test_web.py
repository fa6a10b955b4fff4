"""The board over plain HTTP, in its own server: who is let in, what is answered, what is refused."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from assistant.board import http_answers, web
from assistant.board.pairing import Sessions
from tests.board import publisher
from tests.board.phone import Board, Phone

PAGES = ("/", "/day", "/test/1", "/test/1.pdf")


def test_nothing_is_shown_without_the_code(board: Board) -> None:
    phone = Phone(board)
    for path in PAGES:
        status, headers, text = phone.ask(path)
        assert (status, headers["location"], text) == (303, "/pair", "")
    assert phone.ask("/events?page=now")[0] == 401
    status, _, text = phone.ask("/pair")
    assert status == 200 and "Tern Hollow" not in text and board.code not in text
    phone.cookie = "x" * 32
    assert phone.ask("/")[0] == 303


def test_the_code_pairs(board: Board) -> None:
    phone = Phone(board)
    assert phone.guess("12x4") == 400 and phone.guess("") == 400
    assert phone.guess(f"{(int(board.code) + 1) % 10_000:04}") == 403
    assert phone.guess(board.code) == 303
    for path, words in zip(PAGES, ("Hold. Do not touch the meter.", "ticket 40111", "09:10  not taken", "%PDF"), strict=True):
        status, headers, text = phone.ask(path)
        assert status == 200 and words.lower() in text.lower(), path
        assert phone.ask(path, "HEAD")[::2] == (200, "")
    assert [session.phone for session in Sessions(board.own).all()] == [""]


def test_the_cookie_is_for_this_site_alone(board: Board) -> None:
    phone = Phone(board)
    _, headers, _ = phone.ask("/pair", "POST", f"code={board.code}".encode(), Content_Type="application/x-www-form-urlencoded")
    cookie = headers["set-cookie"].lower()
    assert all(word in cookie for word in ("httponly", "samesite=strict", "path=/"))


def test_ten_thousand_guesses_over_the_wire(board: Board, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred over the wire here; all of them against the same object in test_pairing."""
    phone, right = Phone(board), board.code
    guesses = [f"{code:04}" for code in range(5000, 5100) if f"{code:04}" != right]
    answers = [phone.guess(code) for code in guesses]
    assert answers[:4] == [403] * 4 and set(answers[5:]) == {429} and not phone.cookie
    assert phone.guess(right) == 429 and not phone.cookie, "shut for the right one too"
    _, headers, text = phone.ask("/pair")
    assert 0 < int(headers["retry-after"]) <= 60 and "shut" in text


def test_a_revoked_phone_sees_no_more(board: Board, phone: Phone) -> None:
    stream = phone.listen()
    first = next(iter(stream))
    assert "clock" in first["regions"]
    Sessions(board.own).revoke(1)
    assert phone.ask("/")[0] == 303
    publisher.put(board.folder, "now.json", publisher.now(2, do="Secret."))
    assert not [event for event in stream if "Secret" in str(event)], "its stream ends"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "PROPFIND", "FOO"])
def test_pages_are_only_read(phone: Phone, method: str) -> None:
    before = {path: path.read_bytes() for path in phone.board.folder.iterdir()}
    for path in (*PAGES, "/events", "/static/board.css", "/nothing"):
        assert phone.ask(path, method, b"x")[0] in (400, 404, 405), path
    if method != "POST":
        assert phone.ask("/pair", method)[0] in (400, 405)
    assert before == {path: path.read_bytes() for path in phone.board.folder.iterdir()}


@pytest.mark.parametrize(
    "path",
    [
        "/test/../../etc/passwd",
        "/static/../web.py",
        "/static/..%2fweb.py",
        "/static/%2e%2e/web.py",
        "/test/1.json",
        "/now.json",
        "/test/-1",
        "/test/1%00",
        "/test/99999999999999999999",
        "/test/1/",
        "//etc/passwd",
        "/%2e%2e/",
        "/static/",
        "/static/board.css/",
        "/test/1.pdf/x",
        "/events?page=../day",
        "/test/%D9%A3",
        "/\\..\\x",
        "/" + "a" * 6000,
        "/test/" + "9" * 5000,
        "/test/" + "9" * 5000 + ".pdf",
    ],
)
def test_nothing_else_is_there(phone: Phone, path: str) -> None:
    status, headers, text = phone.ask(path)
    assert status in (400, 404) or (status in (303, 307) and headers["location"].endswith(path.rstrip("/"))), (status, text)
    assert "root:" not in text and "import" not in text and '"schema"' not in text


def test_every_answer_shuts_the_browser(board: Board, phone: Phone) -> None:
    for path in (*PAGES, "/pair", "/nothing", "/static/board.js"):
        _, headers, _ = phone.ask(path)
        assert "server" not in headers
        for name, value in http_answers.HEADERS.items():
            if not (path.endswith(".pdf") and name == "content-security-policy"):
                assert headers[name] == value, (path, name)
    assert "unsafe" not in http_answers.POLICY and http_answers.POLICY.startswith("default-src 'none'")


@pytest.mark.parametrize(
    "host", ["board.example", "127.0.0.1.example", "127.0.0.1@x", "", "localhost:x", "[::1", "a b", "127.0.0.1:8080:1"]
)
def test_a_name_that_leads_here_by_a_trick_is_refused(phone: Phone, host: str) -> None:
    status, _, text = phone.ask("/", Host=host)
    assert status in (400, 421) and "Tern Hollow" not in text


def test_its_own_names_are_its_own() -> None:
    own = socket.gethostname()
    assert all(
        map(
            web.is_ours,
            ("127.0.0.1", "127.0.0.1:8080", "[::1]:8080", "localhost", "192.168.4.1:80", own, f"{own.upper()}.local:8080"),
        )
    )


def test_a_form_on_another_page_uses_no_guess_up(board: Board) -> None:
    phone = Phone(board)
    assert {phone.guess("0000", Origin=origin) for origin in ("http://elsewhere.example", "null") for _ in range(5)} == {403}
    assert phone.guess(board.code, Origin=board.url) in (303, 403)
    assert Phone(board).guess(board.code, Host="127.0.0.1:9", Origin="http://127.0.0.1:9") == 303


def test_a_form_is_small(board: Board) -> None:
    phone = Phone(board)
    assert phone.guess("1" * 5000) == 413
    assert phone.ask("/pair", "POST", b"code=%s&" % board.code.encode() * 9)[0] in (400, 413)
    assert phone.guess(board.code) == 303


def test_no_request_writes_what_the_station_reads(board: Board) -> None:
    """The published folder may be shut to writing altogether, and the code's file stays as it is."""

    def stamps() -> dict[str, tuple[int, int]]:
        return {
            path.name: (path.stat().st_mtime_ns, path.stat().st_ino)
            for path in (*board.folder.iterdir(), board.own / "board.json")
        }

    before, phone = stamps(), Phone(board)
    os.chmod(board.folder, 0o550)
    for code in ["0000", "0001", board.code, *["0002"] * 9]:
        phone.guess(code)
    for path in (*PAGES, "/pair", "/x"):
        phone.ask(path)
    assert stamps() == before
    assert {path.name for path in board.own.iterdir()} == {"board.json", "sessions.json", "sessions.lock"}


def test_a_board_that_starts_again_knows_its_phones(tmp_path: Path) -> None:
    publisher.whole(tmp_path / "published")
    first = Board(tmp_path / "published", tmp_path / "own")
    phone = Phone(first).pair()
    code = first.code
    first.stop()
    second = Board(tmp_path / "published", tmp_path / "own", first.port)
    try:
        assert phone.ask("/")[0] == 200 and len(second.code) == len(code) == 4
    finally:
        second.stop()
