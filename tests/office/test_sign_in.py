"""The door: asked as a browser and as a tool ask, over the application's own interface (ASGI), on a real PostgreSQL."""
from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import urlencode

import psycopg
import pytest
from psycopg import Connection
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from assistant.board.markup import Html, el, join
from assistant.office import database as tables
from assistant.office import readers, sign_in
from assistant.office.readers import Reader


@dataclass
class Browser:
    app: Starlette
    address: str = "192.0.2.1"
    cookies: dict[str, str] = field(default_factory=dict)
    headers: dict[str, str] = field(default_factory=dict)

    def ask(self, path: str, form: dict[str, str] | bytes | None = None, **more: str) -> Answer:
        return asyncio.run(self._ask(path, form, more))

    async def _ask(self, path: str, form: dict[str, str] | bytes | None, more: dict[str, str]) -> Answer:
        body = form if isinstance(form, bytes) else urlencode(form or {}).encode()
        headers = {"host": "office.example", **({"cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items())} if self.cookies else {}),
                   **self.headers, **{key.replace("_", "-"): value for key, value in more.items()}}
        scope = {"type": "http", "method": "GET" if form is None else "POST", "path": path, "raw_path": path.encode(), "query_string": b"",
                 "headers": [(key.encode(), value.encode()) for key, value in headers.items()], "scheme": "https", "root_path": "",
                 "server": ("office.example", 443), "client": (self.address, 1), "http_version": "1.1"}
        sent: list[Any] = []

        given = [{"type": "http.request", "body": body, "more_body": False}]

        async def receive() -> dict[str, Any]:
            if not given:
                await asyncio.Event().wait()    # it stays
            return given.pop()

        async def send(message: Any) -> None:
            sent.append(message)
        await self.app(scope, receive, send)    # type: ignore[arg-type]
        told = [(key.decode(), value.decode()) for key, value in sent[0]["headers"]]
        for key, value in told:
            if key == "set-cookie":
                self.cookies |= {name: morsel.value for name, morsel in SimpleCookie(value).items()}
        return Answer(sent[0]["status"], dict(told), b"".join(each.get("body", b"") for each in sent[1:]))


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()


def page(title: str, *inside: Any, reader: str = "") -> Html:
    return join(el("h1", title), *inside)


@pytest.fixture
def owner(database: str) -> Iterator[Connection]:
    with psycopg.connect(database, autocommit=True) as connection:
        readers.let_web_in(connection, database)
        yield connection


@pytest.fixture
def browser(database: str, owner: Connection) -> Iterator[Browser]:
    def look(request: Request, connection: Connection, reader: Reader) -> Response:
        row = connection.execute("SELECT office.reader(), current_user").fetchone()
        return PlainTextResponse(f"{reader.name} {row}")
    with tables.pool(readers.web_url(database), most=2) as pool:
        door = sign_in.Door(pool, page)
        yield Browser(Starlette(routes=[*door.routes(), Route("/", door.behind(look))]))


def test_a_key_leads_in_and_the_cookie_is_kept_well(owner: Connection, browser: Browser) -> None:
    key = readers.add(owner, "Anna", "agency")
    assert browser.ask("/").headers["location"] == "/sign-in"
    assert 'autocomplete="off"' in browser.ask("/sign-in").text
    answer = browser.ask("/sign-in", {"key": key}, origin="https://office.example", sec_fetch_site="same-origin")
    assert answer.status == 303 and answer.headers["location"] == "/"
    said = {part.strip().lower() for part in answer.headers["set-cookie"].split(";")[1:]}
    assert said == {"secure", "httponly", "samesite=strict", "path=/", "max-age=604800"}
    assert answer.headers["set-cookie"].startswith("__Host-")
    assert browser.ask("/").text == "Anna (1, 'bowlside_web')"
    assert "Signed in as Anna, as an agency." in browser.ask("/sign-in").text


def test_a_revoked_reader_is_out_at_once(owner: Connection, browser: Browser) -> None:
    browser.ask("/sign-in", {"key": readers.add(owner, "Anna", "agency")})
    assert browser.ask("/").status == 200
    readers.revoke(owner, "Anna")
    assert browser.ask("/").status == 303


def test_signing_out_needs_the_sessions_own_token(owner: Connection, browser: Browser) -> None:
    browser.ask("/sign-in", {"key": readers.add(owner, "Anna", "agency")})
    token = re.search('name="token" value="([0-9a-f]+)"', browser.ask("/sign-in").text)
    assert token
    other = Browser(browser.app)
    other.ask("/sign-in", {"key": readers.add(owner, "Otto", "lab")})
    assert other.ask("/sign-out", {"token": token[1]}).status == 403
    for form, headers in (({}, {}), ({"token": ""}, {}), ({"token": token[1]}, {"origin": "https://elsewhere.example"}),
                          ({"token": token[1]}, {"origin": "null"}), ({"token": token[1]}, {"sec_fetch_site": "cross-site"}),
                          ({"token": token[1]}, {"origin": "http://office.example"})):
        assert browser.ask("/sign-out", form, **headers).status == 403
    assert browser.ask("/sign-out").status == 405 and browser.ask("/").status == 200
    kept = dict(browser.cookies)
    answer = browser.ask("/sign-out", {"token": token[1]})
    assert answer.headers["location"] == "/sign-in" and 'Max-Age=0' in answer.headers["set-cookie"]
    browser.cookies = kept
    assert browser.ask("/").status == 303, "the session is gone, not the cookie alone"
    assert other.ask("/").status == 200


def test_wrong_keys_are_told_and_then_not_looked_at(owner: Connection, browser: Browser) -> None:
    key = readers.add(owner, "Anna", "agency")
    for _ in range(10):
        answer = browser.ask("/sign-in", {"key": "AAAAA-BBBBB"})
        assert answer.status == 403 and "No reader has this key" in answer.text and "AAAAA" not in answer.text
    answer = browser.ask("/sign-in", {"key": key})
    assert answer.status == 429 and 0 < int(answer.headers["retry-after"]) <= 900 and "Too many wrong keys" in answer.text
    assert browser.ask("/", authorization=f"Bearer {key}").status == 429
    browser.address = "192.0.2.2"
    assert browser.ask("/sign-in", {"key": key}).status == 303


def test_a_tool_gives_its_key_each_time(owner: Connection, browser: Browser) -> None:
    key = readers.add(owner, "tool", "contractor")
    answer = browser.ask("/", authorization=f"Bearer {key}")
    assert answer.status == 200 and answer.text.startswith("tool") and "set-cookie" not in answer.headers
    assert owner.execute("SELECT count(*) FROM office.sessions").fetchone() == (0,)
    assert browser.ask("/", authorization="Bearer nothing").status == 401
    readers.revoke(owner, "tool")
    assert browser.ask("/", authorization=f"Bearer {key}").status == 401


@pytest.mark.parametrize(("form", "status"), [
    (b"key=" + b"A" * 400, 413), (b"&" * 300, 400), (b"", 403), (b"\xff\xfe=%ff%fe", 403), (b"key=%00", 403), (b"key='; DROP TABLE x", 403),
    (b"key=%F0%9F%94%91", 403)])
def test_forms_that_are_none(form: bytes, status: int, browser: Browser) -> None:
    assert browser.ask("/sign-in", form).status == status


@pytest.mark.parametrize("cookie", ["", "a", "\u00e9", "'; DROP TABLE office.sessions; --", "x" * 5000])
def test_cookies_that_are_none(cookie: str, browser: Browser) -> None:
    browser.cookies = {sign_in.COOKIE: cookie}
    assert browser.ask("/").status == 303
