"""What the answers of the crew's board and of the office's pages have in common, whatever they say."""
from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from urllib.parse import parse_qs

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from assistant.board.markup import Html

POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
          "base-uri 'none'; frame-ancestors 'none'")
HEADERS = {"content-security-policy": POLICY, "x-content-type-options": "nosniff", "referrer-policy": "same-origin",
           "cache-control": "no-store", "cross-origin-resource-policy": "same-origin", "x-frame-options": "DENY"}
"""Of every answer. Nothing from elsewhere, no script but ours, in nobody's frame."""
KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
FORM_S = 5.0
"""How long a form may take to come."""
Answer = Callable[[Request], Awaitable[Response]]


def with_headers(inner: ASGIApp) -> ASGIApp:
    """Every answer of ``inner`` has the HEADERS."""
    async def outer(scope: Scope, receive: Receive, send: Send) -> None:
        async def put_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(HEADERS)
                if headers.get("content-type") == "application/pdf":
                    del headers["content-security-policy"]      # a browser's own viewer needs its own style
            await send(message)
        await inner(scope, receive, put_on)
    return outer


def static(*paths: Path) -> Route:
    """Style sheets, scripts and drawings by their names, read once."""
    files = {path.name: (path.read_bytes(), KINDS[path.suffix]) for path in paths}

    async def answer(request: Request) -> Response:
        if (name := request.path_params["name"]) not in files:
            raise HTTPException(404)
        return Response(files[name][0], media_type=files[name][1])
    return Route("/static/{name}", answer)


def told(page: Callable[[str], Html], sentences: Mapping[int, str]) -> Callable[[Request, Exception], Awaitable[Response]]:
    """What an HTTPException is answered with: a page, where there is a sentence for its status."""
    async def answer(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        if error.status_code in sentences:
            return HTMLResponse(page(sentences[error.status_code]), error.status_code, error.headers)
        return Response(status_code=error.status_code, headers=error.headers)
    return answer


async def form(request: Request, most: int) -> dict[str, str]:
    """The fields of a small form, at most so many bytes. Raises HTTPException: too much of it, or too slowly."""
    body = b""
    try:
        async with asyncio.timeout(FORM_S):
            async for part in request.stream():
                body += part
                if len(body) > most:
                    raise HTTPException(413, headers={"connection": "close"})
        return {name: values[0] for name, values in parse_qs(body.decode("latin-1"), max_num_fields=5).items()}
    except (TimeoutError, ClientDisconnect):
        raise HTTPException(408, headers={"connection": "close"}) from None
    except ValueError:
        raise HTTPException(400) from None


def bearer(request: Request) -> str | None:
    """The key that a program gives with each question (RFC 6750); None: it gives none."""
    kind, _, key = request.headers.get("authorization", "").partition(" ")
    return key if kind.lower() == "bearer" else None


def client(request: Request) -> str:
    """The address that it came from."""
    return request.client.host if request.client else ""
