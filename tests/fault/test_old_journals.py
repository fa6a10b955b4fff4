"""Journals that every version which ever landed wrote (schema 1, the only one): read, verified and gone on with by this one.

Made by `bowlside rehearse assistant/procedures/demo.jsonl --answer-rest` of three commits: 8c9b2de, before languages and votes,
15ddb98, and 9071da1, before gauges and rounds; `half` with the script's first twelve lines. Whoever changes the tables or drops a
field of an event adds the last version's here, and raises SCHEMA.
"""
from __future__ import annotations

import lzma
from decimal import Decimal
from pathlib import Path

import pytest

from assistant import record
from assistant.cli import DEMO, main
from assistant.journal import FILE, SCHEMA, Journal

KEPT = Path(__file__).parent / "journals"
VERSIONS = ("2026-11-25a", "2026-11-25b", "2026-11-26")


def unpacked(tmp_path: Path, name: str) -> Path:
    (tmp_path / FILE).write_bytes(lzma.decompress((KEPT / f"{name}.db.xz").read_bytes()))
    return tmp_path


def is_the_demo(folder: Path) -> None:
    with Journal(folder, write=False) as journal:
        assert journal.first_bad() is None
        found = record.of(journal, 1)
    results = {one["name"]: one["rounded"] for one in found["results"]}
    assert found["outcome"] == "done" and found["verdict"] == "pass", found["why"]
    assert results == {"leak_drop": Decimal("0.05"), "air_content": Decimal("5.7"), "system_air_metric": Decimal("0.16")}


@pytest.mark.parametrize("version", VERSIONS)
def test_a_finished_test_reads_as_it_did(tmp_path: Path, version: str) -> None:
    is_the_demo(unpacked(tmp_path, f"{version}-whole"))


@pytest.mark.parametrize("version", VERSIONS)
def test_one_that_was_under_way_at_the_upgrade_goes_on_and_ends_alike(tmp_path: Path, version: str) -> None:
    folder = unpacked(tmp_path, f"{version}-half")
    lines = DEMO.read_text(encoding="utf-8").splitlines()
    rest = tmp_path / "rest.jsonl"
    rest.write_text("\n".join([lines[0], *lines[12:]]) + "\n", encoding="utf-8")
    assert main(["rehearse", str(rest), "--answer-rest", "--journal", str(folder)]) == 0
    is_the_demo(folder)


def test_there_is_one_of_each_schema() -> None:
    assert SCHEMA == 1, "keep a journal of schema 1 here, and add what a migration makes of it"
