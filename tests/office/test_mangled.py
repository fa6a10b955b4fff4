"""Whatever becomes of a request, it is a sentence or an answer, and nothing comes into the tables that no journal holds."""
from __future__ import annotations

import copy
import json
from typing import Any
from uuid import UUID

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from assistant.office import intake
from assistant.office.refused import Refused
from assistant.send.piece import Piece
from tests.office import made
from tests.office.at_door import Door, asked, rows_of

JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(-2**70, 2**70), st.floats(), st.text(max_size=5),
    st.sampled_from(["\0", "\ud800", "a" * 64, "0" * 64, "test", "lost", "1e9", "2031-05-17", [], {}, [[]], [1, 2, 3, 4]]))
BOUNDED = settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[UUID, list[Piece]]:
    """Slump and temperature: short, so that each part is met."""
    folder = made.journal(tmp_path_factory.mktemp("two"), 3)
    return made.record(folder), made.pieces(folder)[1:]


@pytest.fixture
def key(at_door: Door) -> str:
    return at_door.enrol("Bay 1")


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Of each part of a request."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for name, each in inner for place in places(each, (*path, name)))]


def deliver(door: Door, key: str, data: bytes) -> None:
    try:
        delivery = intake.read(data)
        with door.pool.connection() as db:
            intake.take(db, key, delivery)
    except Refused as refused:
        assert str(refused).isprintable() and str(refused).endswith(".")


def nothing_else(door: Door, pieces: list[Piece]) -> None:
    there = door.ask("SELECT DISTINCT seq, wall, boot, body, encode(hash, 'hex') FROM office.events ORDER BY seq")
    assert set(there) <= set(rows_of(pieces))
    for kind, count, whole in door.ask("SELECT kind, (SELECT count(*) FROM office.events e WHERE e.record = p.record AND "
                                       "e.piece = p.hash), last - first + 1 FROM office.pieces p"):
        assert count == (whole if kind == "test" else 0)


@BOUNDED
@given(st.data())
def test_any_part_may_be_anything(at_door: Door, key: str, two: tuple[UUID, list[Piece]], data: st.DataObject) -> None:
    record, pieces = two
    request = copy.deepcopy(json.loads(json.dumps(asked(record, pieces, newest=[700, "a" * 64]))))
    for _ in range(data.draw(st.integers(1, 3))):
        *way, last = data.draw(st.sampled_from(places(request)[1:]))
        inner: Any = request
        for name in way:
            inner = inner[name]
        inner[last] = data.draw(JUNK)
    deliver(at_door, key, json.dumps(request).encode())
    nothing_else(at_door, pieces)


@BOUNDED
@given(st.data())
def test_any_byte_may_be_another_or_missing(at_door: Door, key: str, two: tuple[UUID, list[Piece]], data: st.DataObject) -> None:
    record, pieces = two
    body = bytearray(json.dumps(asked(record, pieces)).encode())
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(body) - 1))
        body[at:at + data.draw(st.sampled_from([0, 1, 1, 1, 50]))] = data.draw(st.binary(max_size=2))
    deliver(at_door, key, bytes(body))
    nothing_else(at_door, pieces)
