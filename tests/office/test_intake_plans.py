"""However many pieces are there, those of a request are found by an index: PostgreSQL's own plans say so."""
from __future__ import annotations

import re
import uuid

import psycopg
import pytest

from assistant.office import intake
from assistant.send.piece import TEST
from tests.office.at_door import Door

RECORD = "00000000-0000-0000-0000-000000000007"
HASH = b"\1" * 32


@pytest.fixture(scope="module")
def many(_door: Door) -> Door:
    """300 records of a hundred pieces, every tenth with a gap, and a thousand refusals of each of a dozen stations."""
    _door.empty()
    for statement in (
            "INSERT INTO office.stations (name, key_hash) SELECT 'S' || n, sha256(n::text::bytea) FROM generate_series(1, 300) n",
            "INSERT INTO office.records (id, station) SELECT lpad(to_hex(row_number() OVER ()), 32, '0')::uuid, id "
            "FROM office.stations",
            "INSERT INTO office.pieces (record, hash, before, test, first, last, station, bytes, gap, kind) SELECT id, "
            "sha256((n || id::text)::bytea), sha256((n - 1 || id::text)::bytea), n, n, n, station, 0, n %% 10 = 0, 'test' "
            "FROM office.records, generate_series(1, 100) n",
            "INSERT INTO office.refusals (station, hash, why, program) SELECT id, sha256(n::text::bytea), 'made', 'made' "
            "FROM office.stations, generate_series(1, 1000) n WHERE name LIKE 'S1%%' AND length(name) < 4",
            "INSERT INTO office.events (record, seq, piece, hash, wall, boot, body) SELECT record, first, hash, hash, '', '', '' "
            "FROM office.pieces",
            "ANALYZE"):
        _door.do(statement)
    return _door


ASKED = {"put": intake.PUT, "close": intake.CLOSE, "clear": intake.CLEAR, "lacks": intake.LACKS, "wanted": intake.WANTED,
         "note": intake.NOTE}
KINDS = {"worth": "text[]", "kind": "text", "why": "text", "knows": "text"}


@pytest.mark.parametrize("which", ASKED)
@pytest.mark.parametrize("generic", [False, True])
def test_an_index_finds_it(many: Door, which: str, generic: bool) -> None:
    """generic: the plan that a prepared statement has, whatever its values."""
    station = many.ask("SELECT station FROM office.records WHERE id = %s", RECORD)[0][0]
    values = {"record": uuid.UUID(RECORD), "hash": HASH, "hashes": [HASH] * 500, "before": HASH, "sent": HASH,
              "station": station, "test": 1, "first": 1, "last": 1, "bytes": 1, "kind": TEST, "worth": list(intake.WORTH),
              "why": "made", "knows": intake.KNOWS, "most": 1000}
    names = list(dict.fromkeys(re.findall(r"%\((\w+)\)s", ASKED[which])))
    numbered = re.sub(r"%\((\w+)\)s", lambda name: f"${names.index(name[1]) + 1}", ASKED[which])
    with many.pool.connection() as db:
        db.execute(f"SET LOCAL plan_cache_mode = {'force_generic_plan' if generic else 'force_custom_plan'}")
        db.execute(f"PREPARE it ({', '.join(KINDS.get(name, 'unknown') for name in names)}) AS {numbered}")
        places = ", ".join(["%s"] * len(names))
        rows = psycopg.ClientCursor(db).execute(f"EXPLAIN EXECUTE it ({places})", [values[name] for name in names])
        plan = "\n".join(row[0] for row in rows)
        db.execute("DEALLOCATE it")
        db.rollback()
    assert "$" in plan or not generic, plan
    assert "Seq Scan on pieces" not in plan and "Seq Scan on refusals" not in plan and "Seq Scan on events" not in plan, plan
    assert "Index" in plan or which == "put", plan


def test_a_scan_would_be_seen(many: Door) -> None:
    plan = "\n".join(row[0] for row in many.ask("EXPLAIN SELECT FROM office.pieces WHERE test = 1"))
    assert "Seq Scan on pieces" in plan
