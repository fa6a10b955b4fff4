"""The addresses of the office's pages. Each answer is of one transaction that sees what its reader may see.

A page is asked for again every two seconds by whoever looks at it; where nothing changed the answer is 304 and empty. Nothing is
kept between two requests, so any instance may answer.
"""
from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import psycopg
from psycopg import Connection
from psycopg_pool import ConnectionPool
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp

from assistant.board import http_answers
from assistant.board.markup import Html
from assistant.office import export, job_history
from assistant.office.pages import charts, doubts, frame, jobs, one_test, queries, stations
from assistant.office.readers import OFFICE, Reader
from assistant.office.sign_in import Door
from assistant.report import cylinders, pdf_file
from assistant.report.rows import Test
from assistant.send.piece import is_hash

_told = http_answers.told(lambda ident: frame.only(frame.words(ident)), {403: "elsewhere", 404: "missing"})
ROOMS = Path(__file__).parents[2]
STATIC = tuple(ROOMS / name for name in ("board/static/board.css", "board/static/icon.svg", "office/static/office.css",
                                         "office/static/office.js"))
KEPT_DAYS = 60
"""A set of cylinders that nobody picked up for so long is told of no longer. Ours."""


Made = Html | Response
Answer = Callable[[Request, Connection, Reader], Made]
"""The connection: in a transaction that sees what this reader may see."""
Endpoint = Callable[[Request], Response]


def rooms(pool: ConnectionPool) -> list[BaseRoute]:
    """All that is for readers, the door among it. ``pool``: of the pages' role (readers.web_url)."""
    door = Door(pool, frame.plain)
    exports = export.routes(door.behind, str(pool.conninfo), partial(frame.page, "/export", live=False))
    return [Mount("/", guarded([*door.routes(), *routes(door.behind), *exports]))]


def guarded(inside: Sequence[BaseRoute]) -> ASGIApp:
    """What goes wrong is a page with one sentence."""
    return http_answers.with_headers(Starlette(routes=inside, exception_handlers={
        HTTPException: _told, psycopg.OperationalError: _away, Exception: _failed}))


def routes(behind: Callable[[Callable[[Request, Connection, Reader], Response]], Endpoint]) -> list[BaseRoute]:
    """``behind``: of the door, which lets readers alone in."""
    def page(path: str, answer: Answer) -> Route:
        def made(request: Request, db: Connection, reader: Reader) -> Response:
            found = answer(request, db, reader)
            return found if isinstance(found, Response) else _fresh(request, found)
        inside = behind(made)

        def answered(request: Request) -> Response:
            try:
                return inside(request)
            except (queries.BadKey, psycopg.DataError):   # what came is no date, no number, no hash
                return told(frame.words("bad_address"), 400)
        return Route(path, answered)
    return [*(page(path, answer) for path, answer in PAGES.items()), http_answers.static(*STATIC)]


def told(sentence: str, status: int, headers: Mapping[str, str] | None = None) -> Response:
    return HTMLResponse(frame.only(sentence), status, headers)


async def _away(request: Request, error: Exception) -> Response:
    """The page itself asks again, and so does who loads it anew."""
    return told(frame.words("away"), 503, {"retry-after": "5"})


async def _failed(request: Request, error: Exception) -> Response:
    """Of a mistake of ours, or a label that a station should not have let through: one page, and no other. The log says why."""
    return told(frame.words("page_failed"), 500)


def _fresh(request: Request, made: Html) -> Response:
    tag = f'"{hashlib.sha256(made.encode()).hexdigest()[:32]}"'
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers={"etag": tag})
    return HTMLResponse(made, headers={"etag": tag})


def _none() -> Made:
    """Not there, or not for this reader: nobody is told which."""
    return told(frame.words("missing"), 404)


def _key(request: Request, length: int) -> queries.Key:
    return queries.key(request.query_params.get("after"), length)


def _now() -> datetime:
    return datetime.now(UTC)


# --- stations and jobs --------------------------------------------------------------------------------------------------------

def all_stations(request: Request, db: Connection, reader: Reader) -> Made:
    return stations.now(queries.stations(db, _key(request, 1)), _now(), reader.name)


def station(request: Request, db: Connection, reader: Reader) -> Made:
    ident = request.path_params["station"]
    if (found := queries.station(db, ident)) is None:
        return _none()
    tests = queries.tests_of_station(db, ident, _key(request, 3))
    return stations.station(found, queries.records(db, ident), tests, queries.results(db, tests), _now(), reader.name)


def all_jobs(request: Request, db: Connection, reader: Reader) -> Made:
    return jobs.listed(queries.jobs(db, _key(request, 1)), reader.name)


def job(request: Request, db: Connection, reader: Reader) -> Made:
    name = _name(request)
    tests = queries.tests_of_job(db, name, _key(request, 3))
    return jobs.one(name, tests, queries.results(db, tests), reader.name)


def job_charts(request: Request, db: Connection, reader: Reader) -> Made:
    name = _name(request)
    history, left = job_history.history(db, name)
    given, today = job_history.of(db, name), date.today().isoformat()
    return charts.of(name, given, history, today, len(history) if left else 0, reader.name)


def job_people(request: Request, db: Connection, reader: Reader) -> Made:
    name = _name(request)
    asked = request.query_params.get("since") or (_now() - timedelta(days=queries.DAYS)).date().isoformat()
    try:
        since = date.fromisoformat(asked)
    except ValueError:
        return told(frame.words("bad_address"), 400)
    if not queries.compared(db, name):
        return jobs.people(name, False, (), (), since.isoformat(), reader.name)
    return jobs.people(name, True, queries.by_technician(db, name, since), queries.by_meter(db, name, since),
                       since.isoformat(), reader.name)


def _name(request: Request) -> str:
    name = request.query_params.get("name", "")
    if "\0" in name:
        raise queries.BadKey
    return name


# --- one test, one round ------------------------------------------------------------------------------------------------------

def _test(request: Request, db: Connection) -> tuple[queries.Row, Test] | None:
    piece = request.path_params["piece"]
    return queries.test(db, request.path_params["record"], bytes.fromhex(piece)) if is_hash(piece) else None


def test(request: Request, db: Connection, reader: Reader) -> Made:
    if (found := _test(request, db)) is None:
        return _none()
    row, whole = found
    return one_test.whole(row, whole, queries.others(db, row), reader.name)


def events(request: Request, db: Connection, reader: Reader) -> Made:
    if (found := _test(request, db)) is None:
        return _none()
    return one_test.events(found[0], queries.events(db, found[0], _key(request, 1)), reader.name)


def test_pdf(request: Request, db: Connection, reader: Reader) -> Made:
    if (found := _test(request, db)) is None:
        return _none()
    return _pdf([found[1]], db, f"test-{found[0]['number']}")


def round_of(request: Request, db: Connection, reader: Reader) -> Made:
    if not (found := _round(request, db)):
        return _none()
    return one_test.round_of(_name(request), str(found[0][0][0]["day"]), found, reader.name)


def round_pdf(request: Request, db: Connection, reader: Reader) -> Made:
    found, asked = _round(request, db), request.query_params.get("history", "0")
    if not asked.isdecimal() or len(asked) > 3 or int(asked) >= len(found):
        return _none()
    rows, tests = found[int(asked)]
    return _pdf(tests, db, f"round-{rows[0]['day']}")


def _round(request: Request, db: Connection) -> Sequence[tuple[Sequence[queries.Row], Sequence[Test]]]:
    name = _name(request)
    return queries.round_of(db, request.path_params["record"], name, request.query_params.get("day", "")) if name else []


def _pdf(tests: Sequence[Test], db: Connection, name: str) -> Response:
    """By the same program as a station's own. What only the station's register knows (when its meter was calibrated) stays a line
    to be filled in."""
    given = job_history.of(db, str(tests[0].get("job") or ""))
    out = io.BytesIO()
    pdf_file.write(tests, out, _now().astimezone().isoformat(timespec="seconds"), given, summary=False)
    return Response(out.getvalue(), media_type="application/pdf",
                    headers={"content-disposition": f'inline; filename="{name}.pdf"'})


# --- what to look at, and what is due -----------------------------------------------------------------------------------------

def to_look_at(request: Request, db: Connection, reader: Reader) -> Made:
    asked = request.query_params.get("what")
    found = {kind: queries.to_look_at(db, kind, _key(request, len(doubts.KEYS[kind])) if asked else None)
             for kind in doubts.of(asked)}
    return doubts.page(found, reader.name)


def due(request: Request, db: Connection, reader: Reader) -> Made:
    what, now = request.query_params.get("what"), _now()
    rows, tests = queries.with_cylinders(db, now - timedelta(days=KEPT_DAYS))
    return doubts.due(
        _sets(rows, tests), queries.running_out(db, _key(request, 3) if what == "gear" else None),
        queries.calibrations(db, _key(request, 1) if what == "meters" else None) if reader.role == OFFICE else None, now,
        reader.name)


def _sets(rows: Sequence[queries.Row], tests: Sequence[Test]) -> list[tuple[queries.Row, cylinders.CylinderSet]]:
    """Those that lie somewhere, the first due first. A set is joined within its record."""
    row_of = {id(test): row for row, test in zip(rows, tests)}
    by_record: dict[Any, list[tuple[int, Test]]] = {}
    for row, test in zip(rows, tests):
        by_record.setdefault(row["record"], []).append((row["number"], test))
    found = [(row_of[id(each.record)], each) for its in by_record.values()
             for each in cylinders.joined(test for _, test in sorted(its, key=lambda each: each[0])) if each.here]
    return sorted(found, key=lambda each: each[1].due)


PAGES: Mapping[str, Answer] = {
    "/": all_stations, "/station/{station:uuid}": station, "/jobs": all_jobs, "/job": job, "/job/charts": job_charts,
    "/job/people": job_people, "/test/{record:uuid}/{piece}.pdf": test_pdf, "/test/{record:uuid}/{piece}/events": events,
    "/test/{record:uuid}/{piece}": test, "/round/{record:uuid}.pdf": round_pdf, "/round/{record:uuid}": round_of, "/doubts": to_look_at,
    "/due": due}
