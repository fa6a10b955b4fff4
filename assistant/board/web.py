"""What is answered to whom. GET and HEAD only, but for the pairing form."""
from __future__ import annotations

import asyncio
import re
import socket
from contextlib import asynccontextmanager
from ipaddress import ip_address
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from assistant.board import http_answers, pages
from assistant.board.http_answers import Answer
from assistant.board.hub import Hub
from assistant.board.pairing import FORM, Pairing, Sessions

COOKIE = "board"
KEPT_S = 30 * 86400
MOST_LISTENING = 150
MOST_FORM = 200
"""Bytes of the pairing form."""
STATIC = Path(__file__).with_name("static")
_told = http_answers.told(lambda ident: pages.only(pages.words(ident)), {403: "elsewhere", 404: "missing", 503: "busy"})


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

    async def form(request: Request) -> Response:
        return _pair_page(pairing)

    async def pair(request: Request) -> Response:
        if (origin := request.headers.get("origin")) and origin.partition("://")[2] != request.headers.get("host"):
            raise HTTPException(403)    # a form on somebody else's page, which would use up the guesses
        code = (await http_answers.form(request, MOST_FORM)).get("code", "").strip()
        if not FORM.fullmatch(code):
            return HTMLResponse(pages.pair(pages.words("pair_form")), 400)
        if not pairing.guess(code):
            return _pair_page(pairing, wrong=True)
        answer = RedirectResponse("/", 303)
        cookie = sessions.add(request.headers.get("user-agent", ""), http_answers.client(request))
        answer.set_cookie(COOKIE, cookie, max_age=KEPT_S, httponly=True, samesite="strict")
        return answer

    @asynccontextmanager
    async def lifespan(_: Starlette):
        watching = asyncio.create_task(hub.watch(pairing.look))
        yield
        watching.cancel()

    routes = [Route("/", behind_code(live)), Route("/day", behind_code(live)), Route("/events", events),
              Route("/test/{number}.pdf", behind_code(pdf)), Route("/test/{number}", behind_code(one_test)),
              http_answers.static(*STATIC.iterdir()), Route("/pair", form), Route("/pair", pair, methods=["POST"])]
    return http_answers.with_headers(guarded(Starlette(routes=routes, lifespan=lifespan, exception_handlers={HTTPException: _told})))


def guarded(inner: ASGIApp) -> ASGIApp:
    """Only for its own address, since a page elsewhere may lead a name of its own here."""
    async def outer(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return await inner(scope, receive, send)

        hosts = [value.decode("latin-1") for name, value in scope["headers"] if name == b"host"]
        if len(hosts) == 1 and is_ours(hosts[0]):
            return await inner(scope, receive, send)
        return await HTMLResponse(pages.only(pages.words("bad_host")), 421)(scope, receive, send)
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
