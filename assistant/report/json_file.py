"""The record as one JSON document; schema.json beside this file says what it holds. Numbers keep exactly their digits."""
from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, TextIO

from assistant.files.jsonline import dumps
from assistant.report import lots
from assistant.report.rows import Round, Test, corrections, doubts, rounds
from assistant.round.record import judged

SCHEMA = Path(__file__).with_name("schema.json")
VERSION = 1
"""Of the document's form; a new one where an old reader would go wrong."""


def document(tests: Sequence[Test], made: str, accepted: Sequence[lots.Accepted] = ()) -> dict[str, Any]:
    """``made``: local time with its offset."""
    return {"form": "bowlside-record", "version": VERSION, "made": made,
            "tests": list(map(test, tests)),
            "doubts": doubts(tests),
            "rounds": named_rounds(tests), "acceptance": [lots.document(one) for one in accepted]}


def test(one: Test) -> dict[str, Any]:
    return {**one, "results": list(map(_result, one["results"])), "corrections": corrections(one)}


def named_rounds(tests: Sequence[Test]) -> list[dict[str, Any]]:
    return [_round(one) for one in rounds(tests) if one.name]


def _result(one: dict[str, Any]) -> dict[str, Any]:
    """With its limits as they were written, too: most readers of JSON make 0.2 of 0.20, and the last place decides."""
    return {**one, "limits_written": [None if limit is None else f"{limit:f}" for limit in one["limits"]]}


def _round(one: Round) -> dict[str, Any]:
    """What its tests say of the load, as the report has it."""
    its = judged(one.tests)
    return {"round": one.name, "tests": [each["id"] for each in one.tests], "load": its.load and vars(its.load),
            "properties": [{"test": each.test, "name": each.name, **vars(each.follows)} for each in its.properties]}


def write(tests: Sequence[Test], made: str, target: TextIO, accepted: Sequence[lots.Accepted] = ()) -> None:
    found = document(tests, made, accepted)
    target.write('{"form": %s, "version": %d, "made": %s, "doubts": %s, "rounds": %s, "acceptance": %s, "tests": [\n' % (
        dumps(found["form"]), VERSION, dumps(made), dumps(found["doubts"]), dumps(found["rounds"]), dumps(found["acceptance"])))
    target.write(",\n".join(map(dumps, found["tests"])))  # one test a line, for whoever compares two exports
    target.write("\n]}\n")
