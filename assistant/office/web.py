"""The office's door for stations: bounded before it is read, refused by a sentence, answered only after the commit.

Who asks is known before a byte of a body is read. Reading a body needs a core for a while, and the database makes one wait:
threads do both, few of them the first, so the loop stays free for all others. No instance keeps anything: any number of them
share one database and agree on nothing else.
"""
from __future__ import annotations

import logging
import time
import uuid
from collections import Counter
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from functools import partial
from typing import Any, Concatenate, ParamSpec, TypeVar

import psycopg
from anyio import CapacityLimiter, to_thread
from psycopg import Connection
from psycopg_pool import ConnectionPool, PoolTimeout
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from assistant.board.http_answers import Answer, bearer, client
from assistant.office import intake, stations
from assistant.office.refused import Refused
from assistant.office.request_body import BUSY, Bodies, drained
from assistant.send.piece import MOST_BYTES

MOST_FORM = 1000
"""Bytes of an enrolment."""
MOST_AT_ONCE = 8 * MOST_BYTES
"""Bytes of bodies that a process holds. Its memory may be some five times that."""
MOST_OF_ONE = 2
"""Requests of one station that a process works at: one is in the tables, the next is being read."""
CORES, SMALL = 2, 256 * 1024
"""Bodies that a process reads at once, and as many of so few bytes besides: who catches up on a month makes nobody wait."""
MOST_WAITING = 500
CONNECTION_S, AWAY_S = 5.0, 1.0
"""How long a request waits for the database, and how long nobody waits after it was found away."""
AWAY = "The office's database does not answer just now, and nothing is known to be taken: it is sent again by itself."
FAILED = "This office failed at that request, and nothing is known to be taken: its log says why. It is sent again by itself."
NOTED = (400, 403, 413, 415, 422)
P = ParamSpec("P")
T = TypeVar("T")
_log = logging.getLogger("bowlside.office")


def app(pool: ConnectionPool, name: str, rooms: Sequence[BaseRoute] = ()) -> Starlette:
    """name   what the office calls itself to a station
    rooms  what else is served: the pages
    """
    return Starlette(routes=[*Door(Tables(pool), name).routes, *rooms])


class Tables:
    """The database, asked by threads: as many as the pool has connections."""

    def __init__(self, pool: ConnectionPool) -> None:
        self._pool, self._threads, self._away_until = pool, CapacityLimiter(pool.max_size), 0.0

    async def ask(self, do: Callable[Concatenate[Connection, P], T], *values: P.args, **named: P.kwargs) -> T:
        """What it returns, after the commit. Raises what it raises; Refused where the database is away."""
        if self._threads.statistics().tasks_waiting > MOST_WAITING:
            raise Refused(503, BUSY, 5)
        if time.monotonic() < self._away_until:
            raise Refused(503, AWAY, 10)
        try:
            return await to_thread.run_sync(partial(self._ask, do, *values, **named), limiter=self._threads)
        except (psycopg.OperationalError, psycopg.InterfaceError) as error:
            _log.warning("The database: %s", error)
            raise Refused(503, AWAY, 10) from None

    def _ask(self, do: Callable[..., T], *values: Any, **named: Any) -> T:
        try:
            with self._pool.connection(timeout=CONNECTION_S) as db:
                return do(db, *values, **named)
        except PoolTimeout:
            self._away_until = time.monotonic() + AWAY_S
            raise


class Door:
    def __init__(self, tables: Tables, name: str, most_at_once: int = MOST_AT_ONCE) -> None:
        self.name, self._tables = name, tables
        self._cores, self._quick = CapacityLimiter(CORES), CapacityLimiter(CORES)
        self._bodies = Bodies(most_at_once, self._cores)
        self._working: Counter[uuid.UUID] = Counter()
        self._strangers: dict[str, None] = {}
        self.routes = [Route(path, self._told(answer), methods=["POST"])
                       for path, answer in (("/enrol", self.enrol), ("/pieces", self.pieces), ("/offers", self.offers))]

    async def enrol(self, request: Request) -> Response:
        async with self._bodies.of(request, MOST_FORM) as data:
            given = intake.parsed(data)
        code, program = given.get("code"), given.get("version")
        if not isinstance(code, str):
            raise Refused(400, "An enrolment needs a code: ask the office for one.")
        station, key = await self._tables.ask(stations.redeem, code, client(request), intake.text(program))
        return JSONResponse({"station": str(station.id), "name": station.name, "practice": station.practice, "key": key,
                             "office": self.name})

    async def pieces(self, request: Request) -> Response:
        async with self._station(request) as key, self._bodies.of(request, MOST_BYTES) as data:
            delivery = await self._read(intake.read, data)
            answer = await self._tables.ask(intake.take, key, delivery)
        return JSONResponse(answer.plain())

    async def offers(self, request: Request) -> Response:
        async with self._station(request) as key, self._bodies.of(request, MOST_BYTES) as data:
            offer = await self._read(intake.offer, data)
            wanted = await self._tables.ask(intake.wanted, key, offer)
        return JSONResponse({"wanted": wanted})

    async def _read(self, reader: Callable[[bytes], T], data: bytes) -> T:
        return await to_thread.run_sync(reader, data, limiter=self._quick if len(data) <= SMALL else self._cores)

    @asynccontextmanager
    async def _station(self, request: Request) -> AsyncIterator[str]:
        """Its key. Raises Refused where it is none, or has enough under way."""
        if not (key := bearer(request)):
            raise Refused(401, "This office takes pieces from enrolled stations alone: enrol with a code from the office.")
        try:
            its = (await self._tables.ask(stations.known, key)).id
        except Refused as error:
            if error.status == 401:
                self._stranger(client(request))
            raise
        if self._working[its] >= MOST_OF_ONE:
            raise Refused(503, intake.FULL, 5)
        self._working[its] += 1
        try:
            yield key
        finally:
            self._working[its] -= 1
            if not self._working[its]:
                del self._working[its]

    def _stranger(self, address: str) -> None:
        """Who comes with an unknown key is told once."""
        if address not in self._strangers:
            if len(self._strangers) >= 1000:
                self._strangers.clear()
            self._strangers[address] = None
            _log.warning("An unknown key was used from %s.", address)

    def _told(self, answer: Answer) -> Answer:
        """Whatever goes wrong is one sentence; what is wrong with a station's request is noted, once."""
        async def answered(request: Request) -> Response:
            try:
                return await answer(request)
            except Refused as error:
                status, why, wait_s = error.status, str(error), error.wait_s
            except Exception:
                _log.exception("A request to %s failed.", request.url.path)
                status, why, wait_s = 500, FAILED, 30
            if status in NOTED and (key := bearer(request)):
                with suppress(Refused, psycopg.Error):
                    await self._tables.ask(intake.refuse, key, why)
            await drained(request, MOST_BYTES)
            wait = {} if wait_s is None else {"retry-after": str(wait_s)}
            return JSONResponse({"error": why}, status, {"connection": "close", **wait})
        return answered
