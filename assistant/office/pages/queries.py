"""What the pages ask of the database. Each question has an index and a limit; lists go on by the key of their last row.

Who may see which rows is the database's own rule (row security): nothing here asks for a reader.
"""
from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from psycopg import Connection
from psycopg.rows import dict_row

from assistant.core.methods.registry import METHODS
from assistant.core.rounding import round_to
from assistant.office.pages.frame import MOST, Row
from assistant.office.test_document import loads
from assistant.report.series import CHARTED

MOST_SETS = 2000
DAYS = 90
"""So far back people are compared, unless another day is asked for."""
TEST = """t.record, t.piece, t.station, t.number, t.method, t.title, t.outcome, t.verdict, t.why, t.job, t.round, t.sample,
    t.ticket, t.mix, t.check_of, t.practice, t.another_history, t.day, t.started, t.brief->>'started' AS wall"""
ITS = f"{TEST}, s.name AS station_name"
FROM = "office.tests t JOIN office.stations s ON s.id = t.station"
GAPS_OF = """(SELECT count(*) FROM office.records r JOIN office.pieces p ON p.record = r.id AND p.gap WHERE r.station = s.id)
    + (SELECT count(*) FROM office.records r JOIN office.pieces p ON p.record = r.id AND p.kind IN ('damaged', 'lost')
        WHERE r.station = s.id)
    + (SELECT count(DISTINCT t.record) FROM office.records r JOIN office.tests t ON t.record = r.id AND t.another_history
        WHERE r.station = s.id)
    + (SELECT count(*) FROM office.records r JOIN office.unreadable u ON u.record = r.id WHERE r.station = s.id) AS gaps"""
"""What read.gaps tells of one station; a record with two histories counts once."""
STATION = f"""s.id, s.name, s.practice AS trial, s.enrolled_at, s.revoked_at, s.heard_at, s.program, s.waiting, s.clock_off_s,
    {GAPS_OF}"""
BEFORE = "(t.started, t.record, t.piece) < (%(a)s::timestamptz, %(b)s::uuid, decode(%(c)s, 'hex'))"
"""Where a list of tests by their beginning goes on."""
NEWEST = f"""LEFT JOIN LATERAL (
    SELECT {TEST} FROM office.tests t WHERE t.station = s.id ORDER BY t.seen DESC LIMIT 1) newest ON true"""
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
    texts = isinstance(found, list) and all(isinstance(each, str) and "\0" not in each for each in found)
    if not texts or len(found) != length:
        raise BadKey
    return found


def asked(db: Connection, sql: str, **given: Any) -> Found:
    """``most``: rows; a page of them where it is not given."""
    with db.cursor(row_factory=dict_row) as cursor:
        return list(cursor.execute(sql.encode(), {"most": MOST, **given}).fetchall())


# --- stations -----------------------------------------------------------------------------------------------------------------

def stations(db: Connection, after: Key) -> Found:
    return asked(db, f"""SELECT newest.*, p.received_at, {STATION} FROM office.stations s {NEWEST}
        LEFT JOIN office.pieces p ON p.record = newest.record AND p.hash = newest.piece
        WHERE %(after)s::text IS NULL OR s.name > %(after)s ORDER BY s.name LIMIT %(most)s""",
        after=after and after[0])


def station(db: Connection, ident: Any) -> Row | None:
    found = asked(db, f"SELECT {STATION} FROM office.stations s WHERE s.id = %(ident)s", ident=ident)
    return found[0] if found else None


def records(db: Connection, ident: Any) -> Found:
    return asked(db, "SELECT id, first_seen FROM office.records WHERE station = %(ident)s ORDER BY first_seen LIMIT %(most)s",
                       ident=ident)


def tests_of_station(db: Connection, ident: Any, after: Key) -> Found:
    return _newest(db, "station", ident, after)


def tests_of_job(db: Connection, job: str, after: Key) -> Found:
    return _newest(db, "job", job, after)


def _newest(db: Connection, of: str, value: Any, after: Key) -> Found:
    return asked(db, f"""SELECT {ITS} FROM {FROM} WHERE t.{of} = %(value)s AND {BEFORE if after else 'true'}
        ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %(most)s""", value=value, **dict(zip("abc", after or ())))


def results(db: Connection, tests: Sequence[Row]) -> dict[tuple[Any, bytes], Found]:
    """Of each test by its key, what it has a number of."""
    found: dict[tuple[Any, bytes], Found] = {}
    for each in asked(db, """SELECT x.record, x.piece, x.name, x.rounded, x.unit, x.remark, x.verdict
            FROM unnest(%(records)s::uuid[], %(pieces)s::bytea[]) AS k(record, piece)
            JOIN office.results x ON x.record = k.record AND x.piece = k.piece WHERE x.rounded IS NOT NULL
            ORDER BY x.record, x.piece, x.position""",
            records=[test["record"] for test in tests], pieces=[test["piece"] for test in tests]):
        found.setdefault((each["record"], bytes(each["piece"])), []).append(each)
    return found


# --- jobs ---------------------------------------------------------------------------------------------------------------------

def jobs(db: Connection, after: Key) -> Found:
    """By name, each with its newest test."""
    return asked(db, f"""SELECT j.name, newest.*, s.name AS station_name FROM office.jobs j
        LEFT JOIN LATERAL (SELECT {TEST} FROM office.tests t WHERE t.job = j.name ORDER BY t.seen DESC LIMIT 1) newest ON true
        LEFT JOIN office.stations s ON s.id = newest.station
        WHERE %(after)s::text IS NULL OR j.name > %(after)s ORDER BY j.name LIMIT %(most)s""",
        after=after and after[0])


def compared(db: Connection, job: str) -> bool:
    """Whether this reader may see this job's people side by side."""
    found = asked(db, "SELECT %(job)s = ANY (office.compared()) AS allowed", job=job)
    return bool(found[0]["allowed"])


def by_technician(db: Connection, job: str, since: Any) -> Found:
    return _compared(db, "technician", job, since, list(CHARTED), list(METHODS))


def by_meter(db: Connection, job: str, since: Any) -> Found:
    """Only results of methods that are done with a meter."""
    on_meter = [name for name, one in METHODS.items() if one.on_meter]
    return _compared(db, "meter", job, since, list(CHARTED), on_meter)


def _compared(db: Connection, who: str, job: str, since: Any, names: list[str], methods: list[str]) -> Found:
    found = asked(db, f"""SELECT x.name, x.unit, t.mix, t.{who} AS who, count(*) AS count,
            avg(x.rounded) AS mean, stddev_samp(x.rounded) AS deviation, max(scale(x.rounded)) AS places,
            count(*) FILTER (WHERE t.verdict IN ('fail', 'invalid')) AS failed, count(*) FILTER (WHERE t.check_of <> '') AS checks
        FROM office.tests t JOIN office.results x ON x.record = t.record AND x.piece = t.piece
        WHERE t.job = %(job)s AND t.day >= %(since)s AND t.method = ANY (%(methods)s) AND t.outcome = 'done'
            AND NOT t.practice AND t.comparison = ''
            AND x.name = ANY (%(names)s) AND x.rounded IS NOT NULL
        GROUP BY 1, 2, 3, 4 ORDER BY 1, 2, 3, 4 LIMIT 1000""", job=job, since=since, methods=methods, names=names)
    return [{**each, **{name: "" if each[name] is None else f"{round_to(each[name], each['places'] + 1):f}"
                        for name in ("mean", "deviation")}} for each in found]


# --- one test -----------------------------------------------------------------------------------------------------------------

def test(db: Connection, record: Any, piece: bytes) -> tuple[Row, Any] | None:
    """How it is listed, and its whole document."""
    found = asked(db, f"""SELECT {ITS}, p.first, p.last, p.received_at, t.document::text AS document
        FROM {FROM} JOIN office.pieces p ON p.record = t.record AND p.hash = t.piece
        WHERE t.record = %(record)s AND t.piece = %(piece)s""", record=record, piece=piece)
    return (found[0], loads(found[0]["document"])) if found else None


def others(db: Connection, row: Row) -> Found:
    """Tests of the same number in another history of the record."""
    if not row["another_history"]:
        return []
    return asked(db, f"""SELECT {ITS} FROM {FROM} WHERE t.record = %(record)s AND t.number = %(number)s AND t.piece <> %(piece)s
        ORDER BY t.piece LIMIT %(most)s""", record=row["record"], number=row["number"], piece=row["piece"])


def round_of(db: Connection, record: Any, name: str, day: Any) -> list[tuple[Found, list[Any]]]:
    """Of each history its tests, oldest first: how they are listed, and whole."""
    branches = asked(db, """SELECT pieces FROM office.rounds WHERE record = %(record)s AND round = %(name)s AND day = %(day)s
        ORDER BY branch""", record=record, name=name, day=day)
    found = [asked(db, f"""SELECT {ITS}, t.document::text AS document FROM {FROM}
        WHERE t.record = %(record)s AND t.piece = ANY (%(pieces)s) ORDER BY t.number""", record=record, pieces=each["pieces"])
        for each in branches]
    return [(its, [loads(each["document"]) for each in its]) for its in found if its]


def events(db: Connection, row: Row, after: Key) -> Found:
    return asked(db, """SELECT seq, wall, boot, body, hash FROM office.events
        WHERE record = %(record)s AND piece = %(piece)s AND seq > %(after)s::bigint
        ORDER BY seq LIMIT %(most)s""", record=row["record"], piece=row["piece"], after=after[0] if after else 0, most=4 * MOST)


# --- what to look at, and what is due -----------------------------------------------------------------------------------------

GAPS = """SELECT g.found_at, g.record_id AS record, g.piece_hash AS piece, g.what AS kind, g.why, g.test_number AS number,
        g.first_event AS first, g.last_event AS last, s.id AS station, g.station AS station_name
    FROM read.gaps g JOIN office.stations s ON s.name = g.station
    WHERE {after} ORDER BY g.found_at DESC, g.record_id DESC, g.piece_hash DESC, g.what DESC LIMIT %(most)s"""
INVALID = f"""SELECT {ITS} FROM {FROM} WHERE t.verdict = 'invalid' AND {{after}}
    ORDER BY t.started DESC, t.record DESC, t.piece DESC LIMIT %(most)s"""
REFUSED = """SELECT f.at, f.first_at, f.hash, f.why, f.times, f.station, s.name AS station_name
    FROM office.refusals f JOIN office.stations s ON s.id = f.station WHERE {after}
    ORDER BY f.at DESC, f.station DESC, f.hash DESC, f.why DESC LIMIT %(most)s"""
LISTS: Mapping[str, tuple[str, str]] = {
    "gaps": (GAPS, "(g.found_at, g.record_id, g.piece_hash, g.what) < (%(a)s::timestamptz, %(b)s::uuid, %(c)s, %(d)s)"),
    "invalid": (INVALID, BEFORE),
    "refused": (REFUSED, "(f.at, f.station, f.hash, f.why) < (%(a)s::timestamptz, %(b)s::uuid, decode(%(c)s, 'hex'), %(d)s)")}


def to_look_at(db: Connection, kind: str, after: Key) -> Found:
    sql, goes_on = LISTS[kind]
    return asked(db, sql.format(after=goes_on if after else "true"), **dict(zip("abcd", after or ())))


def with_cylinders(db: Connection, since: Any) -> tuple[Found, list[Any]]:
    """Finished tests that tell of a set of cylinders, oldest first, how they are listed and whole."""
    found = asked(db, f"""SELECT {ITS}, t.document::text AS document FROM {FROM}
        WHERE t.cylinders AND t.outcome = 'done' AND t.started >= %(since)s ORDER BY t.started DESC LIMIT %(most)s""",
        since=since, most=MOST_SETS)
    return found[::-1], [loads(each["document"]) for each in reversed(found)]


def running_out(db: Connection, after: Key) -> Found:
    """Equipment and certificates, the first to run out first."""
    return asked(db, """SELECT e.kind, e.name, e.good_until, e.told, e.record, e.piece, e.station, s.name AS station_name
        FROM office.equipment e JOIN office.stations s ON s.id = e.station
        WHERE e.good_until IS NOT NULL AND (
            %(day)s::date IS NULL OR (e.good_until, e.kind, e.name) > (%(day)s::date, %(kind)s, %(name)s))
        ORDER BY e.good_until, e.kind, e.name LIMIT %(most)s""",
        **dict(zip(("day", "kind", "name"), after or (None,) * 3)))


def calibrations(db: Connection, after: Key) -> Found:
    """Of each meter its newest calibration and leak hold at any station, by the meter's name."""
    return asked(db, """SELECT meter AS name, calibration_good_until, leak_hold_on, leak_verdict,
            station AS station_name
        FROM read.meters WHERE %(after)s::text IS NULL OR meter > %(after)s ORDER BY meter LIMIT %(most)s""",
        after=after and after[0])
