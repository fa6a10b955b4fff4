"""10,000 stations with a day's round each, made by the database itself: for what the pages cost, not for what they say.

Only 50 of them have whole documents: nothing but their own pages reads one."""

from __future__ import annotations

import json

from psycopg import Connection

from assistant.files.jsonline import dumps
from assistant.office.test_document import brief
from tests.office import listed

STATIONS, TESTS = 10_000, 6
MADE = """
INSERT INTO office.stations (id, name, key_hash, heard_at, clock_off_s)
    SELECT md5('s' || n)::uuid, 'Station ' || to_char(n, 'FM00000'), sha256(n::text::bytea), now(), 0.2
        FROM generate_series(1, %(stations)s) n;
INSERT INTO office.records (id, station) SELECT md5('r' || n)::uuid, md5('s' || n)::uuid FROM generate_series(1, %(stations)s) n;
INSERT INTO office.pieces (record, hash, before, test, first, last, station, bytes, gap, kind, derived)
    SELECT md5('r' || n)::uuid, sha256((n || ' ' || t)::bytea), sha256((n || ' ' || t - 1)::bytea), t, t * 100 - 99, t * 100,
        md5('s' || n)::uuid, 20000, n %% 1000 = 0 AND t = 2,
        CASE WHEN n %% 500 = 1 AND t = 3 THEN 'damaged' ELSE 'test' END, 'made'
    FROM generate_series(1, %(stations)s) n, generate_series(1, %(tests)s) t;
INSERT INTO office.tests (record, piece, station, number, first, method, title, started, day, outcome, verdict, why, job, mix,
        producer, place,
        round, sample, ticket, technician, meter, check_of, comparison, practice, another_history, document, brief, rules)
    SELECT p.record, p.hash, p.station, p.test, p.first, 'slump', 'Slump test', at.at, at.at::date, 'done',
        CASE WHEN n.n %% 100 = 0 AND p.test = 1 THEN 'invalid' ELSE 'pass' END, 'inside the limits', 'Job ' || n.n %% 100,
        'MX-30', 'P',
        'Bay 1', 'R-1', 'S-1', '', 'T-' || n.n %% 400, 'M-' || n.n %% 900, '', '', false, n.n %% 2000 = 7,
        CASE WHEN n.n > 50 THEN %(short)s::jsonb WHEN p.test = 6 THEN %(cylinders)s::jsonb ELSE %(whole)s::jsonb END,
        %(brief)s::jsonb, 'made'
    FROM office.pieces p
        JOIN (SELECT md5('r' || n)::uuid AS record, n FROM generate_series(1, %(stations)s) n) n ON n.record = p.record,
        LATERAL (SELECT now() - make_interval(mins => n.n %% 480 + 20 * (6 - p.test::int)) AS at) at WHERE p.kind = 'test';
INSERT INTO office.readings (record, piece, position, id, value, time_of_day, unit, source, withdrawn)
    SELECT record, piece, 0, 'slump', 4.25, '', 'in.', 'keypad', '' FROM office.tests;
INSERT INTO office.results (record, piece, position, name, value, rounded, unit, verdict, standing, remark)
    SELECT record, piece, 0, 'slump', 4.25, 4.25, 'in.', 'pass', 'made', '' FROM office.tests;
INSERT INTO office.events (record, seq, piece, hash, wall, boot, body)
    SELECT p.record, p.first + e, p.hash, sha256((p.first + e)::text::bytea), '', '', '{}'
        FROM office.pieces p, generate_series(0, 4) e;
INSERT INTO office.rounds (record, round, day, branch, station, began, pieces, job, mix, producer, sample, ticket, verdict, why,
        standing,
        properties, practice, another_history)
    SELECT record, round, day, 0, min(station::text)::uuid, min(started), array_agg(piece), min(job),
        '', '', '', '', '', '', '', '[]', false, false
    FROM office.tests GROUP BY record, round, day;
INSERT INTO office.jobs (name) SELECT DISTINCT job FROM office.tests;
INSERT INTO office.meters SELECT DISTINCT ON (meter) meter, started, station, record, piece FROM office.tests;
INSERT INTO office.equipment SELECT DISTINCT ON (technician) 'certificate', technician, started, station, record, piece,
        day + 100, ''
    FROM office.tests;
INSERT INTO office.refusals (station, hash, why, program) SELECT id, '', 'A sentence.', ''
    FROM office.stations WHERE name LIKE '%%7';
"""


def fill(db: Connection) -> None:
    """``db``: of the owner."""
    slump, made = next(each for each in listed.whole() if each["test"] == "slump"), listed.whole()[-1]
    given = {"stations": STATIONS, "tests": TESTS, "whole": dumps(slump), "cylinders": dumps(made), "brief": dumps(brief(slump)),
             "short": '{"readings": [{"id": "slump"}]}'}
    assert json.loads(given["whole"])["results"]
    for statement in MADE.split(";\n"):
        if statement.strip():
            db.execute(statement.encode(), given)
    db.commit()
    db.autocommit = True
    db.execute("VACUUM (ANALYZE)")
    db.autocommit = False
