"""No page looks at every test: with 10,000 stations, each question of each page goes by an index, whoever asks.

Outside source: PostgreSQL's own EXPLAIN ANALYZE, which says how many rows each step looked at.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import urlencode

import psycopg
import pytest
from starlette.requests import Request
from starlette.routing import Route

from assistant.office import readers
from assistant.office.pages import queries, routes
from assistant.office.postgres import Cluster
from assistant.office.readers import Reader
from tests.office import crowd
from tests.office.conftest import _database

BIG = {"tests", "events", "pieces", "readings", "results"}
MOST = crowd.STATIONS * crowd.TESTS / 10
"""Rows of a big table that one step may look at."""
WHO = {"office": (), "agency": ("Job 7", "Job 8"), "contractor": ("Job 7",), "lab": ("Job 7",)}


@pytest.fixture(scope="module")
def crowded(cluster: Cluster, template: str) -> Iterator[str]:
    """The address of a database with a crowd in it, as the pages' role."""
    for url in _database(cluster, template):
        with psycopg.connect(url) as db:
            crowd.fill(db)
            readers.let_web_in(db, url)
            for role, jobs in WHO.items():
                readers.add(db, role, role, jobs)
        yield readers.web_url(url)


@contextmanager
def looked(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[tuple[str, float, list[Any]]]]:
    """Every question that is asked, how long it took in ms, and its plan, while it is asked."""
    asked, found = queries.asked, []

    def explained(db: psycopg.Connection, sql: str, **given: Any) -> queries.Found:
        plan = db.execute(f"EXPLAIN (ANALYZE, FORMAT JSON) {sql}".encode(), {"most": queries.MOST, **given}).fetchone()
        assert plan is not None
        found.append((sql, plan[0][0]["Execution Time"] + plan[0][0]["Planning Time"], list(steps(plan[0][0]["Plan"]))))
        return asked(db, sql, **given)
    monkeypatch.setattr(queries, "asked", explained)
    yield found
    monkeypatch.undo()


def steps(plan: dict[str, Any]) -> Iterator[tuple[str, str, int]]:
    """Each step of a plan that reads a table: how, which, and rows looked at."""
    if "Relation Name" in plan and plan["Actual Loops"]:
        rows = plan["Actual Rows"] + plan.get("Rows Removed by Filter", 0) + plan.get("Rows Removed by Index Recheck", 0)
        yield plan["Node Type"], plan["Relation Name"], rows * plan["Actual Loops"]
    for each in plan.get("Plans", ()):
        yield from steps(each)


def request(path: str, **asked: str) -> Request:
    """What a browser asks for, as the routes have it."""
    for route in routes.routes(lambda answer: lambda request: answer(request, None, None)):  # type: ignore[arg-type,return-value]
        if isinstance(route, Route) and (found := route.path_regex.match(path)):
            return Request({"type": "http", "method": "GET", "path": path, "headers": [],
                            "query_string": urlencode(asked).encode(),
                            "path_params": found.groupdict(), "route": route.path})
    raise AssertionError(path)


def made_of(db: psycopg.Connection, reader: Reader, path: str, **asked: str) -> Any:
    asked_for = request(path, **asked)
    with readers.acting(db, reader):
        return routes.PAGES[asked_for.scope["route"]](asked_for, db, reader)


def every(db: psycopg.Connection, job: str) -> Iterator[tuple[str, dict[str, str]]]:
    """Every page, its first and one far back."""
    with db.cursor(row_factory=psycopg.rows.dict_row) as cursor:
        row = cursor.execute("SELECT t.* FROM office.tests t JOIN office.stations s ON s.id = t.station "
                             "WHERE t.job = %s ORDER BY s.name, t.number DESC LIMIT 1", (job,)).fetchone()
    assert row is not None
    piece = bytes(row["piece"]).hex()
    after = json.dumps([str(row["started"]), str(row["record"]), piece])
    test = f"/test/{row['record']}/{piece}"
    yield from (
        ("/", {}), ("/", {"after": '["Station 09000"]'}), (f"/station/{row['station']}", {}),
        (f"/station/{row['station']}", {"after": after}),
        ("/jobs", {}), ("/jobs", {"after": '["Job 50"]'}), ("/job", {"name": job}), ("/job", {"name": job, "after": after}),
        ("/job/charts", {"name": job}), ("/job/people", {"name": job}), (test, {}), (f"{test}/events", {}), (f"{test}.pdf", {}),
        (f"/round/{row['record']}", {"name": row["round"], "day": str(row["day"])}), ("/doubts", {}),
        ("/doubts", {"what": "invalid", "after": after}), ("/doubts", {"what": "gaps"}), ("/due", {}),
        ("/due", {"what": "gear", "after": json.dumps(["2031-05-17", "certificate", "T-100"])}))


@pytest.mark.parametrize("role", WHO)
def test_no_page_looks_at_every_test(crowded: str, monkeypatch: pytest.MonkeyPatch, role: str) -> None:
    with psycopg.connect(crowded.replace(f"user={readers.WEB}", "user=bowlside")) as db:
        row = db.execute("SELECT id FROM office.readers WHERE name = %s", (role,)).fetchone()
        assert row is not None
        db.execute("INSERT INTO office.job_rules (job, compare_people) VALUES ('Job 7', true) ON CONFLICT DO NOTHING")
        pages = list(every(db, "Job 7"))
    reader = Reader(row[0], role, role)
    with psycopg.connect(crowded) as db:
        for path, asked in pages:
            with looked(monkeypatch) as found:
                made_of(db, reader, path, **asked)
            assert found or path.endswith(".pdf"), path
            for sql, _, how in found:
                wrong = [(kind, table, rows) for kind, table, rows in how
                         if table in BIG and (kind == "Seq Scan" or rows > MOST)]
                assert not wrong, (path, asked, wrong, sql)


def test_a_question_without_an_index_would_be_found(crowded: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with psycopg.connect(crowded.replace(f"user={readers.WEB}", "user=bowlside")) as db, looked(monkeypatch) as found:
        queries.asked(db, "SELECT count(*) FROM office.tests WHERE ticket = 'none'")
    [(_, _, how)] = found
    assert any(table == "tests" and (kind == "Seq Scan" or rows > MOST) for kind, table, rows in how)
