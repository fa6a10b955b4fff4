"""The door to the office's pages: a form for a key, a cookie for its session, and no page without either.

A tool gives its key with each question instead, as ``Authorization: Bearer KEY``. Whatever changes something is asked by POST, from
a page of this office, with the session's own token.
"""
from __future__ import annotations

from collections.abc import Callable
from typing import Any

from psycopg import Connection
from psycopg_pool import ConnectionPool
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from assistant.board.http_answers import bearer, client, form
from assistant.board.markup import Html, el
from assistant.core.language import sentence
from assistant.office import readers
from assistant.office.readers import Reader, Shut

COOKIE = "__Host-office"
"""By this name a browser takes it only over TLS, for this machine alone and for all of it."""
MOST_FORM = 400
"""Bytes of a form."""
Page = Callable[..., Html]
"""As ``page(title, *inside)`` or ``page(title, *inside, reader=name)``."""
Answer = Callable[[Request, Connection, Reader], Response]


class Door:
    """``pool``: of the pages' role."""

    def __init__(self, pool: ConnectionPool, page: Page) -> None:
        self._pool, self._page = pool, page

    def behind(self, answer: Answer) -> Callable[[Request], Response]:
        """An endpoint that answers readers alone: within one transaction, which sees what that reader may see."""
        def checked(request: Request) -> Response:
            with self._pool.connection() as connection:
                try:
                    reader = self.reader(request, connection)
                except Shut as shut:
                    return _shut(shut, Html(_words("shut", seconds=shut.seconds)))
                if reader is None:
                    return self._nobody(request)
                with readers.acting(connection, reader):
                    return answer(request, connection, reader)
        return checked

    def reader(self, request: Request, connection: Connection) -> Reader | None:
        """Raises Shut."""
        if (key := bearer(request)) is not None:
            return readers.by_key(connection, key, client(request))
        return readers.signed_in(connection, request.cookies.get(COOKIE, ""))

    def routes(self) -> list[Route]:
        return [Route("/sign-in", self._show), Route("/sign-in", self._sign_in, methods=["POST"]),
                Route("/sign-out", self._sign_out, methods=["POST"])]

    def _nobody(self, request: Request) -> Response:
        if bearer(request) is not None:
            return Response(_words("wrong_key"), 401, {"www-authenticate": "Bearer"}, "text/plain")
        return RedirectResponse("/sign-in", 303)

    def _show(self, request: Request) -> Response:
        cookie = request.cookies.get(COOKIE, "")
        with self._pool.connection() as connection:
            reader = readers.signed_in(connection, cookie)
        if reader is None:
            return self._form()
        return HTMLResponse(self._page(_words("title"), el("p", _words("signed_in", name=reader.name, role=_words(reader.role))), el(
            "form", [el("input", type="hidden", name="token", value=readers.token(cookie)), el("button", _words("sign_out"))],
            method="post", action="/sign-out"), reader=reader.name))

    def _form(self, told: str = "", status: int = 200) -> Response:
        return HTMLResponse(self._page(
            _words("title"), el("p", told, role="alert") if told else None, el("form", [
                el("label", _words("key"), for_="key"),
                el("input", id="key", name="key", required=True, autocomplete="off", autocapitalize="characters", spellcheck="false",
                   maxlength=60),
                el("button", _words("sign_in"))], method="post", action="/sign-in"), el("p", _words("told"))), status)

    async def _sign_in(self, request: Request) -> Response:
        return await run_in_threadpool(self._signed_in, request, (await _posted(request)).get("key", ""))

    def _signed_in(self, request: Request, key: str) -> Response:
        with self._pool.connection() as connection:
            try:
                cookie = readers.sign_in(connection, key, client(request))
            except Shut as shut:
                return _shut(shut, self._form(_words("shut", seconds=shut.seconds)).body)
        if cookie is None:
            return self._form(_words("wrong_key"), 403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, cookie, max_age=int(readers.LASTS.total_seconds()), secure=True, httponly=True, samesite="strict")
        return answer

    async def _sign_out(self, request: Request) -> Response:
        cookie, given = request.cookies.get(COOKIE, ""), (await _posted(request)).get("token", "")
        if not readers.is_token(given, cookie):
            raise HTTPException(403)
        await run_in_threadpool(self._signed_out, cookie)
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(COOKIE, secure=True, httponly=True, samesite="strict")
        return answer

    def _signed_out(self, cookie: str) -> None:
        with self._pool.connection() as connection:
            readers.sign_out(connection, cookie)


def _shut(shut: Shut, body: Any) -> Response:
    return HTMLResponse(body, 429, {"retry-after": str(shut.seconds)})


async def _posted(request: Request) -> dict[str, str]:
    """A form of this office's own page. Raises HTTPException."""
    origin, site = request.headers.get("origin"), request.headers.get("sec-fetch-site", "same-origin")
    if site not in ("same-origin", "none") or origin is not None and origin != f"https://{request.headers.get('host')}":
        raise HTTPException(403)
    return await form(request, MOST_FORM)


def _words(ident: str, **fields: object) -> str:
    return sentence(f"office_door.{ident}", **fields)
