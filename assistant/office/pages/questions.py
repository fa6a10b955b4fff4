"""What the pages ask of the database. Each question has an index and a limit; lists go on by the key of their last row.

Who may see which rows is the database's own rule (row security): nothing here asks for a reader.
"""
from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from psycopg import AsyncConnection
from psycopg.rows import dict_row

from assistant.core.methods.registry import METHODS
from assistant.core.rounding import last_place, round_to
from assistant.files import jsonline
from assistant.office.pages.doubts import KEYS
from assistant.office.pages.frame import Row
from assistant.record.derived import LONG
from assistant.report.series import CHARTED

MOST = 50
"""Rows on a page."""
MOST_CHARTED = 10_000
"""Tests of one job that its charts and lots are worked out from, about a second's work. Ours."""
MOST_SETS = 2000
DAYS = 90
"""So far back people are compared, unless another day is asked for."""
TEST = """t.record, t.piece, t.number, t.method, t.title, t.outcome, t.verdict, t.why, t.job, t.round, t.sample, t.ticket, t.mix,
    t.check_of, t.practice, t.another_history, t.day, t.started, t.document->>'started' AS wall"""
ITS = f"{TEST}, s.id AS station, s.name AS station_name"
FROM = "office.tests t JOIN office.records r ON r.id = t.record JOIN office.stations s ON s.id = r.station"
STATION = """s.id, s.name, s.enrolled_at, s.revoked_at, s.heard_at, s.program, s.waiting, s.clock_off_s,
    (SELECT count(*) FROM office.records gr JOIN office.gaps g ON g.record = gr.id WHERE gr.station = s.id) AS gaps"""
NEWEST = f"""LEFT JOIN LATERAL (SELECT t.* FROM office.records r
    CROSS JOIN LATERAL (SELECT {TEST} FROM office.tests t WHERE t.record = r.id ORDER BY t.number DESC LIMIT 1) t
    WHERE r.station = s.id ORDER BY t.started DESC LIMIT 1) newest ON true"""
"""Of a station: by number within a record, since a clock may be set back, and by clock between records."""
Found = list[Row]
Key = Sequence[str] | None


class BadKey(ValueError):
    """What came as a place to go on from is none."""


def key(given: str | None, length: int) -> Key:
    """``given``: as ``frame.more`` writes it."""
    if not given:
        return None
    try:
        found = json.loads(given)
    except (ValueError, RecursionError):
        raise BadKey from None
    if not (isinstance(found, list) and len(found) == length and all(isinstance(each, str) and "\0" not in each for each in found)):
        raise BadKey
    return found


async def asked(db: AsyncConnection, sql: str, **given: Any) -> Found:
    async with db.cursor(row_factory=dict_row) as cursor:
        await cursor.execute(sql.encode(), given)
        return list(await cursor.fetchall())


def _document(row: dict[str, Any]) -> Any:
    """With every number as it was written: 0.20 stays 0.20."""
    return jsonline.loads(row["document"])


# --- stations -----------------------------------------------------------------------------------------------------------------

async def stations(db: AsyncConnection, after: Key) -> Found:
    return await asked(db, f"""SELECT newest.*, {STATION} FROM office.stations s {NEWEST}
        WHERE %(after)s::text IS NULL OR s.name > %(after)s ORDER BY s.name LIMIT %(most)s""", after=after and after[0], most=MOST)


async def station(db: AsyncConnection, ident: Any) -> Row | None:
    found = await asked(db, f"SELECT {STATION} FROM office.stations s WHERE s.id = %(ident)s", ident=ident)
    return found[0] if found else None


async def records(db: AsyncConnection, ident: Any) -> Found:
    return await asked(db, "SELECT id, first_seen FROM office.records WHERE station = %(ident)s ORDER BY first_seen LIMIT %(most)s",
                       ident=ident, most=MOST)


async def tests_of_station(db: AsyncConnection, ident: Any, after: Key) -> Found:
    """Record by record, the newest test of each first."""
    record, number, piece = after or (None, None, None)
    return await asked(db, f"""SELECT {ITS} FROM office.stations s JOIN office.records r ON r.station = s.id
        CROSS JOIN LATERAL (SELECT * FROM office.tests t WHERE t.record = r.id AND (%(record)s::uuid IS NULL OR r.id < %(record)s::uuid
            OR (t.number, t.piece) < (%(number)s::int, decode(%(piece)s, 'hex'))) ORDER BY t.number DESC, t.piece DESC LIMIT %(most)s) t
        WHERE s.id = %(ident)s AND (%(record)s::uuid IS NULL OR r.id <= %(record)s::uuid)
        ORDER BY r.id DESC, t.number DESC, t.piece DESC LIMIT %(most)s""",
        ident=ident, record=record, number=number, piece=piece, most=MOST)


async def results(db: AsyncConnection, tests: Sequence[Row]) -> dict[tuple[Any, bytes], Found]:
    """Of each test by its key, what it has a number of."""
    found: dict[tuple[Any, bytes], Found] = {}
    for each in await asked(db, """SELECT x.record, x.piece, x.name, x.rounded, x.unit, x.remark, x.verdict
            FROM unnest(%(records)s::uuid[], %(pieces)s::bytea[]) AS k(record, piece)
            JOIN office.results x ON x.record = k.record AND x.piece = k.piece WHERE x.rounded IS NOT NULL""",
            records=[test["record"] for test in tests], pieces=[test["piece"] for test in tests]):
        found.setdefault((each["record"], bytes(each["piece"])), []).append(each)
    return found


# --- jobs ---------------------------------------------------------------------------------------------------------------------

async def jobs(db: AsyncConnection, after: Key) -> Found:
    counts = ", ".join(f"count(*) FILTER (WHERE t.verdict = '{word}') AS {word}" for word in (
        "pass", "fail", "invalid", "none", "repeated", "corrected"))
    return await asked(db, f"""SELECT j.name, newest.day, counted.* FROM office.jobs j
        LEFT JOIN LATERAL (SELECT max(day) AS day FROM office.tests WHERE job = j.name) newest ON true
        LEFT JOIN LATERAL (SELECT count(*) AS tests, {counts} FROM office.tests t WHERE t.job = j.name AND t.day = newest.day) counted
            ON true
        WHERE %(after)s::text IS NULL OR j.name > %(after)s ORDER BY j.name LIMIT %(most)s""", after=after and after[0], most=MOST)


async def tests_of_job(db: AsyncConnection, job: str, after: Key) -> Found:
    where, given = _before(after)
    return await asked(db, f"""SELECT {ITS} FROM {FROM} WHERE t.job = %(job)s AND {where}
        ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %(most)s""", job=job, most=MOST, **given)


def _before(after: Key) -> tuple[str, dict[str, Any]]:
    """Where a list of tests by their beginning goes on."""
    if after is None:
        return "true", {}
    return ("(t.started, t.record, t.piece) < (%(started)s::timestamptz, %(record)s::uuid, decode(%(piece)s, 'hex'))",
            dict(zip(("started", "record", "piece"), after)))


async def job_file(db: AsyncConnection, job: str) -> str | None:
    found = await asked(db, "SELECT text FROM office.job_files WHERE job = %(job)s", job=job)
    return found[0]["text"] if found else None


async def charted(db: AsyncConnection, job: str, names: Sequence[str]) -> Found:
    """The newest tests that have such a result, oldest first, each with its ``brief``."""
    found = await asked(db, f"""SELECT t.record, t.piece, t.number, s.name AS station_name, (t.document - %(long)s::text[])::text AS document
        FROM {FROM} WHERE t.job = %(job)s AND EXISTS (SELECT FROM office.results x
            WHERE x.record = t.record AND x.piece = t.piece AND x.name = ANY (%(names)s) AND x.rounded IS NOT NULL)
        ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %(most)s""",
        job=job, names=list(names), long=sorted(LONG - {"title"}), most=MOST_CHARTED + 1)
    return [{**each, "brief": _document(each)} for each in reversed(found)]


async def compared(db: AsyncConnection, job: str) -> bool:
    """Whether this reader may see this job's people side by side."""
    found = await asked(db, "SELECT %(job)s = ANY (office.compared()) AS allowed", job=job)
    return bool(found[0]["allowed"])


async def by_technician(db: AsyncConnection, job: str, since: Any) -> Found:
    return await _compared(db, "technician", job, since, list(CHARTED), list(METHODS))


async def by_meter(db: AsyncConnection, job: str, since: Any) -> Found:
    """Only results of methods that are done with a meter."""
    on_meter = [name for name, one in METHODS.items() if one.on_meter]
    return await _compared(db, "meter", job, since, list(CHARTED), on_meter)


async def _compared(db: AsyncConnection, who: str, job: str, since: Any, names: list[str], methods: list[str]) -> Found:
    found = await asked(db, f"""SELECT x.name, x.unit, coalesce(t.mix, '') AS mix, coalesce(t.{who}, '') AS who, count(*) AS count,
            avg(x.rounded) AS mean, stddev_samp(x.rounded) AS deviation, max(scale(x.rounded)) AS places,
            count(*) FILTER (WHERE t.verdict IN ('fail', 'invalid')) AS failed, count(t.check_of) AS checks
        FROM office.tests t JOIN office.results x ON x.record = t.record AND x.piece = t.piece
        WHERE t.job = %(job)s AND t.day >= %(since)s AND t.method = ANY (%(methods)s) AND t.outcome = 'done' AND NOT t.practice
            AND x.name = ANY (%(names)s) AND x.rounded IS NOT NULL
        GROUP BY 1, 2, 3, 4 ORDER BY 1, 2, 3, 4 LIMIT 1000""", job=job, since=since, methods=methods, names=names)
    return [{**each, **{name: "" if each[name] is None else f"{round_to(each[name], each['places'] + 1):f}"
                        for name in ("mean", "deviation")}} for each in found]


# --- one test -----------------------------------------------------------------------------------------------------------------

async def test(db: AsyncConnection, record: Any, piece: bytes) -> tuple[Row, Any] | None:
    """How it is listed, and its whole document."""
    found = await asked(db, f"""SELECT {ITS}, p.first, p.last, p.received_at, t.document::text AS document
        FROM {FROM} JOIN office.pieces p ON p.record = t.record AND p.hash = t.piece
        WHERE t.record = %(record)s AND t.piece = %(piece)s""", record=record, piece=piece)
    return (found[0], _document(found[0])) if found else None


async def others(db: AsyncConnection, row: Row) -> Found:
    """Tests of the same number in another history of the record."""
    if not row["another_history"]:
        return []
    return await asked(db, f"""SELECT {ITS} FROM {FROM} WHERE t.record = %(record)s AND t.number = %(number)s AND t.piece <> %(piece)s
        ORDER BY t.piece LIMIT %(most)s""", record=row["record"], number=row["number"], piece=row["piece"], most=MOST)


async def round_of(db: AsyncConnection, record: Any, name: str, day: Any) -> tuple[Found, list[Any]]:
    """Its tests, oldest first, how they are listed and whole."""
    found = await asked(db, f"""SELECT {ITS}, t.document::text AS document FROM {FROM}
        WHERE t.record = %(record)s AND t.round = %(name)s AND t.day = %(day)s ORDER BY t.number, t.piece LIMIT %(most)s""",
        record=record, name=name, day=day, most=4 * MOST)
    return found, [_document(each) for each in found]


async def events(db: AsyncConnection, row: Row, after: Key) -> Found:
    return await asked(db, """SELECT seq, wall, boot, body, hash FROM office.events
        WHERE record = %(record)s AND piece = %(piece)s AND seq >= %(first)s AND seq <= %(last)s AND seq > %(after)s
        ORDER BY seq LIMIT %(most)s""", record=row["record"], piece=row["piece"], first=row["first"], last=row["last"],
        after=int(after[0]) if after else 0, most=4 * MOST)


# --- what to look at, and what is due -----------------------------------------------------------------------------------------

PIECES = "JOIN office.records r ON r.id = p.record JOIN office.stations s ON s.id = r.station"
LISTS: Mapping[str, str] = {
    "gaps": f"""SELECT p.received_at, p.record, p.hash AS piece, p.test AS number, s.id AS station, s.name AS station_name
        FROM office.gaps g JOIN office.pieces p ON p.record = g.record AND p.hash = g.piece {PIECES}
        WHERE {{after}} ORDER BY p.received_at DESC, p.record DESC, p.hash DESC LIMIT %(most)s""",
    "damaged": f"""SELECT p.received_at, p.record, p.hash AS piece, p.test AS number, p.kind, p.first, p.last, s.id AS station,
            s.name AS station_name FROM office.pieces p {PIECES} WHERE p.kind IN ('damaged', 'lost') AND {{after}}
        ORDER BY p.received_at DESC, p.record DESC, p.hash DESC LIMIT %(most)s""",
    "histories": f"""SELECT {ITS} FROM {FROM} WHERE t.another_history AND {{after}}
        ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %(most)s""",
    "invalid": f"""SELECT {ITS} FROM {FROM} WHERE t.verdict = 'invalid' AND {{after}}
        ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %(most)s""",
    "refused": """SELECT f.at, f.hash, f.why, f.times, f.station, s.name AS station_name
        FROM office.refusals f JOIN office.stations s ON s.id = f.station WHERE {after}
        ORDER BY f.at DESC, f.station DESC, f.hash DESC LIMIT %(most)s"""}
GO_ON = {"received_at": "(p.received_at, p.record, p.hash) < (%(a)s::timestamptz, %(b)s::uuid, decode(%(c)s, 'hex'))",
         "started": "(t.started, t.record, t.piece) < (%(a)s::timestamptz, %(b)s::uuid, decode(%(c)s, 'hex'))",
         "at": "(f.at, f.station, f.hash) < (%(a)s::timestamptz, %(b)s::uuid, decode(%(c)s, 'hex'))"}


async def to_look_at(db: AsyncConnection, kind: str, after: Key) -> Found:
    where = GO_ON[KEYS[kind][0]] if after else "true"
    return await asked(db, LISTS[kind].format(after=where), most=MOST, **dict(zip("abc", after or ())))


async def with_cylinders(db: AsyncConnection, since: Any) -> tuple[Found, list[Any]]:
    """Finished tests that tell of a set of cylinders, oldest first, how they are listed and whole."""
    found = await asked(db, f"""SELECT {ITS}, t.document::text AS document FROM {FROM}
        WHERE t.cylinders AND t.outcome = 'done' AND t.started >= %(since)s ORDER BY t.started DESC LIMIT %(most)s""",
        since=since, most=MOST_SETS)
    return found[::-1], [_document(each) for each in reversed(found)]


async def certificates(db: AsyncConnection, after: Key) -> Found:
    raise NotImplementedError


def places(values: Sequence[Any]) -> int:
    return max(map(last_place, values), default=0)
