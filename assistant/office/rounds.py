"""Rounds: the day of each of their tests, and what all of them together say of the load. Judged anew whenever one of them comes.

Where a record was continued twice, as after a restored backup, each of its two histories has its own round: no test of the one
counts for the other.
"""
from __future__ import annotations

import uuid
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from typing import Any

import psycopg

from assistant.files.jsonline import dumps
from assistant.office.test_document import line, loads
from assistant.report import rows
from assistant.report.form import text
from assistant.round.record import judged

Tests = Sequence[Mapping[str, Any]]
"""Of one round, oldest first, each as ``summary.of`` gives it, without what no judgement needs, and with its ``piece``."""


def refresh(db: psycopg.Connection[Any], record: uuid.UUID, names: Collection[str]) -> None:
    """Judge these rounds of a record anew, under the lock of that record."""
    for name in sorted(names):
        db.execute("DELETE FROM office.rounds WHERE record = %s AND round = %s", (record, name))
        tests, twice = _tests(db, record, name)
        histories = _histories(tests, _ancestors(db, record, tests)) if twice else [tests]
        for branch, its in enumerate(histories):
            for day, group in _days(its):
                _write(db, record, name, day, branch, group, twice)


def _tests(db: psycopg.Connection[Any], record: uuid.UUID, name: str) -> tuple[list[dict[str, Any]], bool]:
    """Of this round; and whether any has another history."""
    found, twice = [], False
    for piece, station, practice, another, document in db.execute("""
            SELECT piece, station, practice, another_history,
                   (brief || jsonb_build_object('settings', document -> 'settings', 'rounding', document -> 'rounding'))::text
            FROM office.tests WHERE record = %s AND round = %s ORDER BY first, started""", (record, name)):
        found.append({**loads(document), "piece": piece, "of_station": station, "of_practice": practice})
        twice |= another
    return found, twice


def _days(tests: Tests) -> Iterator[tuple[str, Tests]]:
    """A name that was given again on another day is another round."""
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for day, test in rows.with_days(tests):
        groups.setdefault(day, []).append(test)
    yield from groups.items()


def _write(db: psycopg.Connection[Any], record: uuid.UUID, name: str, day: str, branch: int, tests: Tests, twice: bool) -> None:
    round_, pieces = rows.Round(name, tuple(tests)), [test["piece"] for test in tests]
    db.execute("UPDATE office.tests SET day = %s WHERE record = %s AND piece = ANY(%s) AND day <> %s", (day, record, pieces, day))
    db.execute("INSERT INTO office.rounds VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)", (
        record, name, day, branch, tests[-1]["of_station"], tests[0]["started"], pieces,
        *(text(round_.label(key)) for key in ("job", "mix", "producer", "sample", "ticket")), *_load(tests),
        any(test["of_practice"] for test in tests), twice))


def _load(tests: Tests) -> tuple[str, str, str, str]:
    """Verdict, why, standing and the properties as JSON."""
    try:
        its = judged(tests)
        properties = [{"test": each.test, "name": each.name, **vars(each.follows)} for each in its.properties]
        return *((its.load.verdict, its.load.why, its.load.standing) if its.load else ("", "", "")), dumps(properties)
    except Exception as error:      # whatever a label may hold that no station gives: it costs this round alone
        return "", f"This round can't be judged ({line(error)}).", "", "[]"


# --- two histories ----------------------------------------------------------------------------------------------------------

def _ancestors(db: psycopg.Connection[Any], record: uuid.UUID, tests: Tests) -> dict[bytes, set[bytes]]:
    """Of each of these tests' pieces, the pieces before it, as far back as the first of them."""
    pieces = [test["piece"] for test in tests]
    before = dict(db.execute("""
        SELECT hash, before FROM office.pieces WHERE record = %s AND last >= (
            SELECT min(first) FROM office.pieces WHERE record = %s AND hash = ANY(%s))""", (record, record, pieces)).fetchall())
    found: dict[bytes, set[bytes]] = {}
    for piece in pieces:
        path, at = found.setdefault(piece, set()), before.get(piece)
        while at is not None and at in before and at not in path:
            path.add(at)
            at = before[at]
    return found


def _histories(tests: Tests, ancestors: Mapping[bytes, Iterable[bytes]]) -> list[Tests]:
    """The round as each of its newest tests knows it: that test and those before it."""
    old = {each for path in ancestors.values() for each in path}
    return [[test for test in tests if test["piece"] == newest["piece"] or test["piece"] in set(ancestors[newest["piece"]])]
            for newest in tests if newest["piece"] not in old]
