"""What is answered to whom. GET and HEAD only, but for the pairing form."""
from __future__ import annotations

import asyncio
import re
import socket
from collections.abc import Awaitable, Callable
from contextlib import asynccontextmanager
from ipaddress import ip_address
from pathlib import Path
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from assistant.board import pages
from assistant.board.hub import Hub
from assistant.board.pairing import FORM, Pairing, Sessions

COOKIE = "board"
KEPT_S = 30 * 86400
MOST_LISTENING = 150
MOST_FORM, FORM_S = 200, 5.0
"""Bytes of the pairing form and how long it may take."""
POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
          "base-uri 'none'; frame-ancestors 'none'")
HEADERS = {"content-security-policy": POLICY, "x-content-type-options": "nosniff", "referrer-policy": "same-origin",
           "cache-control": "no-store", "cross-origin-resource-policy": "same-origin", "x-frame-options": "DENY"}
STATIC = {path.name: path.read_bytes() for path in sorted(Path(__file__).with_name("static").iterdir())}
KINDS = {"css": "text/css", "js": "text/javascript", "svg": "image/svg+xml"}
Answer = Callable[[Request], Awaitable[Response]]


def app(hub: Hub, pairing: Pairing, sessions: Sessions) -> ASGIApp:
    def paired(request: Request) -> bool:
        return sessions.known(request.cookies.get(COOKIE, ""))

    def behind_code(answer: Answer) -> Answer:
        async def checked(request: Request) -> Response:
            if paired(request):
                return await answer(request)
            return RedirectResponse("/pair", 303)
        return checked

    async def live(request: Request) -> Response:
        shown = hub.published.snapshot
        page = {"/": "now", "/day": "day"}[request.url.path]
        return HTMLResponse(pages.live(page, shown, hub.clock(), str(shown.now.get("station") or "")))

    async def events(request: Request) -> Response:
        if not paired(request):
            return Response(status_code=401)
        if hub.listeners >= MOST_LISTENING:
            raise HTTPException(503)
        page, last = request.query_params.get("page", ""), request.headers.get("last-event-id", "")
        if page not in pages.LIVE:
            raise HTTPException(404)
        stream = StreamingResponse(hub.messages(page, last, lambda: paired(request)), media_type="text/event-stream")
        return stream if request.method == "GET" else Response(media_type="text/event-stream")

    async def one_test(request: Request) -> Response:
        number = _number(request)
        told = hub.published.test(number)
        if told is None:
            raise HTTPException(404)
        return HTMLResponse(pages.test(told, hub.published.listed(number)))

    async def pdf(request: Request) -> Response:
        number = _number(request)
        found = hub.published.pdf(number)
        if found is None:
            raise HTTPException(404)
        return Response(found, media_type="application/pdf",
                        headers={"content-disposition": f'inline; filename="test-{number}.pdf"'})

    async def static(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in STATIC:
            raise HTTPException(404)
        return Response(STATIC[name], media_type=KINDS[name.rpartition(".")[2]])

    async def form(request: Request) -> Response:
        return _pair_page(pairing)

    async def pair(request: Request) -> Response:
        if (origin := request.headers.get("origin")) and origin.partition("://")[2] != request.headers.get("host"):
            raise HTTPException(403)    # a form on somebody else's page, which would use up the guesses
        code = await _form(request)
        if not FORM.fullmatch(code):
            return HTMLResponse(pages.pair(pages.words("pair_form")), 400)
        if not pairing.guess(code):
            return _pair_page(pairing, wrong=True)
        answer = RedirectResponse("/", 303)
        client = request.client.host if request.client else ""
        answer.set_cookie(COOKIE, sessions.add(request.headers.get("user-agent", ""), client), max_age=KEPT_S, httponly=True,
                          samesite="strict")
        return answer

    @asynccontextmanager
    async def lifespan(_: Starlette):
        watching = asyncio.create_task(hub.watch(pairing.look))
        yield
        watching.cancel()

    routes = [Route("/", behind_code(live)), Route("/day", behind_code(live)), Route("/events", events),
              Route("/test/{number}.pdf", behind_code(pdf)), Route("/test/{number}", behind_code(one_test)),
              Route("/static/{name}", static), Route("/pair", form), Route("/pair", pair, methods=["POST"])]
    return guarded(Starlette(routes=routes, lifespan=lifespan, exception_handlers={HTTPException: _told}))


def guarded(inner: ASGIApp) -> ASGIApp:
    """Only for its own address, since a page elsewhere may lead a name of its own here; every answer has the HEADERS."""
    async def outer(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return await inner(scope, receive, send)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = message.setdefault("headers", [])
                pdf = (b"content-type", b"application/pdf") in headers
                headers += [(name.encode(), value.encode()) for name, value in HEADERS.items()
                            if not (pdf and name == "content-security-policy")]     # a browser's own viewer needs its own style
            await send(message)

        hosts = [value.decode("latin-1") for name, value in scope["headers"] if name == b"host"]
        if len(hosts) == 1 and is_ours(hosts[0]):
            return await inner(scope, receive, with_headers)
        return await HTMLResponse(pages.only(pages.words("bad_host")), 421)(scope, receive, with_headers)
    return outer


def is_ours(host: str) -> bool:
    """A number, or this machine's own name: no other name can lead here but by somebody's trick."""
    name = re.sub(r":\d{1,5}$", "", host)
    own = socket.gethostname().lower()
    if name.lower() in ("localhost", own, f"{own}.local"):
        return True
    try:
        ip_address(name.removeprefix("[").removesuffix("]") if name.startswith("[") else name)
    except ValueError:
        return False
    return True


def _pair_page(pairing: Pairing, wrong: bool = False) -> Response:
    if shut := pairing.shut_s:
        seconds = f"{shut:.0f}"
        return HTMLResponse(pages.pair(pages.words("pair_locked", seconds=seconds), shut=True), 429, {"retry-after": seconds})
    return HTMLResponse(pages.pair(pages.words("pair_wrong", left=pairing.left) if wrong else ""), 403 if wrong else 200)


def _number(request: Request) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", request.path_params["number"]):      # int() refuses 5,000 digits by an error
        raise HTTPException(404)
    return int(request.path_params["number"])


async def form(request: Request, most: int) -> bytes:
    """What a small form sends, at most so many bytes. Raises HTTPException: too much of it, or too slowly."""
    body = b""
    try:
        async with asyncio.timeout(FORM_S):
            async for part in request.stream():
                body += part
                if len(body) > most:
                    raise HTTPException(413, headers={"connection": "close"})
    except (TimeoutError, ClientDisconnect):
        raise HTTPException(408, headers={"connection": "close"}) from None
    return body


async def _form(request: Request) -> str:
    body = await form(request, MOST_FORM)
    return parse_qs(body.decode("latin-1"), max_num_fields=5).get("code", [""])[0].strip() if body.count(b"&") < 5 else ""


async def _told(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    headers = error.headers if isinstance(error, HTTPException) else None
    told = {403: "elsewhere", 404: "missing", 503: "busy"}.get(status)
    if told is None:
        return Response(status_code=status, headers=headers)
    return HTMLResponse(pages.only(pages.words(told)), status, headers)
