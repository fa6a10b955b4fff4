"""Whatever order, repetition and mixture of pieces of several records arrives, the tables hold the journals event by event.

Outside source: what is to be there is worked out from the journals' own rows (SQLite); what is there is read from PostgreSQL.
"""
from __future__ import annotations

import json
import shutil
from dataclasses import replace
from typing import Any, NamedTuple
from uuid import UUID

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from assistant.office import intake
from assistant.record import chain, identity
from assistant.send.piece import DAMAGED, LOST, TEST, WITHHELD, Piece, of_rows
from tests.office import made
from tests.office.at_door import Door, asked, rows_of

FORGED = "forged"
HOW = (TEST, TEST, TEST, DAMAGED, WITHHELD, FORGED)


class Sent(NamedTuple):
    record: int
    pieces: list[tuple[int, str]]
    """Which piece of the record, and as what."""


class Record(NamedTuple):
    station: str
    id: UUID
    pieces: list[Piece]


@pytest.fixture(scope="module")
def journals(tmp_path_factory: pytest.TempPathFactory) -> list[Record]:
    """Two of one station, one with two histories and one recovered, whose lost events are in a copy; one of another station."""
    base = tmp_path_factory.mktemp("records")
    made.begun(made.journal(base / "a", 2, seed=1))
    shutil.copytree(base / "a", base / "b")
    for name, seed in (("a", 2), ("b", 3)):
        made.journal(made.go_on(base / name, seed), 1, seed=seed, day=made.DAY.replace(hour=15))
    forked = list(dict.fromkeys([*made.pieces(base / "a"), *made.pieces(base / "b")]))
    plain = made.pieces(made.journal(base / "c", 5, seed=4))
    row = chain.lost(plain[1].first, plain[2].last, plain[1].test, plain[0].hash, plain[3].before)
    other = made.pieces(made.whole_round(base / "d", seed=5))
    return [Record("Bay 1", made.record(base / "a"), forked),
            Record("Bay 1", made.record(base / "c"), [*plain, of_rows(LOST, [row], plain[0].hash)]),
            Record("Bay 2", made.record(base / "d"), other)]


PIECES = st.lists(st.tuples(st.integers(0, 5), st.sampled_from(HOW)), max_size=5)
SENDING = st.lists(st.builds(Sent, st.integers(0, 2), PIECES), max_size=12)


def as_what(piece: Piece, how: str) -> Piece | dict[str, Any]:
    if how == FORGED:
        return {**piece.plain(), "rows": [*piece.rows[:-1], [*piece.rows[-1][:3], "{}", piece.rows[-1][4]]]}
    return piece if how == TEST else replace(piece, kind=how, rows=())


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(SENDING)
def test_the_tables_hold_the_journals(at_door: Door, journals: list[Record], sending: list[Sent]) -> None:
    at_door.empty()
    keys = {name: at_door.enrol(name) for name in ("Bay 1", "Bay 2")}
    there: list[dict[str, Piece]] = [{} for _ in journals]
    refused: set[str] = set()
    for which, pieces in sending:
        record, held = journals[which], there[which]
        several = [(record.pieces[at % len(record.pieces)], how) for at, how in pieces]
        answer = take(at_door, keys[record.station], record, [as_what(piece, how) for piece, how in several])
        good = [(piece, how) for piece, how in several if how != FORGED]
        for piece, how in good:
            kind = piece.kind if how == TEST else how
            if piece.hash not in held or intake.WORTH.index(kind) > intake.WORTH.index(held[piece.hash].kind):
                held[piece.hash] = as_what(piece, how)
        assert answer.committed == tuple(piece.hash for piece, _ in good) and len(answer.refused) == len(several) - len(good)
        refused |= {piece.hash for piece, how in several if how == FORGED}
        assert set(answer.lacks) == gaps(record, held) - refused
        compare(at_door, record, held)
    for record, held in zip(journals, there):
        compare(at_door, record, held)
    for record, held in zip(journals, there):       # in the end each sends what the office says that it wants
        key = keys[record.station]
        at_door.do("DELETE FROM office.refusals")
        wanted = at_door.offer(key, record.id, record.pieces).json()["wanted"]
        take(at_door, key, record, [piece for piece in record.pieces if piece.hash in wanted])
        left = {digest for digest, piece in held.items() if piece.kind == WITHHELD}
        held.update({piece.hash: piece for piece in sorted(record.pieces, key=lambda piece: intake.WORTH.index(piece.kind))
                     if piece.hash not in left})
        compare(at_door, record, held)
        assert take(at_door, key, record, []).lacks == ()


def take(door: Door, key: str, record: Record, pieces: list[Any]) -> intake.Answer:
    with door.pool.connection() as db:
        return intake.take(db, key, intake.read(json.dumps(asked(record.id, pieces)).encode()))


def gaps(record: Record, held: dict[str, Piece]) -> set[str]:
    return {piece.before for piece in held.values()} - set(held) - {chain.FIRST, identity.origin(record.id)}


def compare(door: Door, record: Record, held: dict[str, Piece]) -> None:
    assert door.events(record.id) == rows_of(list(held.values()))
    assert {(digest, kind): gap for digest, kind, gap in door.ask(
        "SELECT encode(hash, 'hex'), kind, gap FROM office.pieces WHERE record = %s", record.id)} == {
        (digest, piece.kind): piece.before in gaps(record, held) for digest, piece in held.items()}
