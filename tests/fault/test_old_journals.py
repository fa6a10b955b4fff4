"""Journals that every version which ever landed wrote (schema 1): read, verified and gone on with by this one (schema 2).

Made by `bowlside rehearse assistant/procedures/demo.jsonl --answer-rest` of three commits: 8c9b2de, before languages and votes,
15ddb98, and 9071da1, before gauges and rounds; `half` with the script's first twelve lines. `air` are five air tests of 7e4cd9e
(schema 2). Whoever changes the tables or drops a field of an event adds the last version's here, and raises SCHEMA.
"""
from __future__ import annotations

import json
import lzma
import random
import sqlite3
from contextlib import suppress
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import apsw
import pytest

from assistant.cli import DEMO, main
from assistant.record import recover, summary
from assistant.record.journal import FILE, FIRST, SCHEMA, Journal, JournalError, Row
from tests.command import keyed
from tests.fault.disk import Asked, disk_after, under_the_journal

KEPT = Path(__file__).parent / "journals"
VERSIONS = ("2026-11-25a", "2026-11-25b", "2026-11-26")


def unpacked(tmp_path: Path, name: str) -> Path:
    (tmp_path / FILE).write_bytes(lzma.decompress((KEPT / f"{name}.db.xz").read_bytes()))
    return tmp_path


def is_the_demo(folder: Path) -> None:
    with Journal(folder, write=False) as journal:
        assert journal.first_bad() is None
        found = summary.of(journal, 1)
    assert found["warnings"] == ["the system air metric 0.16 plus or minus 0.05 psi can't be told from the limit 0.20"]
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


NUMBERS = {  # test -> verdict, results but for the leak hold, as 7e4cd9e said them
    1: ("pass", {"air_content": "6.0", "system_air_metric": "0.03"}),   # no ratio, no correction; gains 0.11, 0.23, 0.03
    2: ("invalid", {"air_content": None, "system_air_metric": None}),   # E2.1 10.17: the bowl was not let down
    3: ("pass", {"air_content": "5.7", "system_air_metric": "0.00"}),
    4: ("pass", {"air_content": "6.2"}),                                # pressure-air without a correction
    5: ("none", {}),                                                    # left at equilibrium.1.3.again
}


def air_tests(folder: Path) -> dict[int, tuple[str, dict[str, str | None]]]:
    with Journal(folder, write=False) as journal:
        found = [summary.of(journal, test) for test in journal.tests()]
    return {one["id"]: (one["verdict"], {each["name"]: None if each["rounded"] is None else f"{each['rounded']:f}"
                                         for each in one["results"] if each["name"] != "leak_drop"}) for one in found}


def test_air_tests_from_before_today_s_rules_keep_their_results_and_go_on_by_their_own(tmp_path: Path) -> None:
    """Written by 7e4cd9e: whatever would not pass today was said to pass then, and says so for ever."""
    folder = unpacked(tmp_path, "2026-11-29-air")
    assert air_tests(folder) == NUMBERS
    readings = {"charge.2.1": "14.50", "equilibrium.2.1": "7.36", "charge.2.2": "30.00", "equilibrium.2.2": "18.86",
                "charge.2.3": "45.00", "equilibrium.2.3": "31.84"}
    rest = tmp_path / "rest.jsonl"
    rest.write_text("".join(json.dumps(one) + "\n" for one in (
        {"test": "sequential"}, {"on": "equilibrium.1.3.again", "key": keyed("31.81")},
        *({"on": ident, "key": keyed(value)} for ident, value in readings.items()),
        {"on": "equilibrium.2.3.again", "key": keyed("31.84")})), encoding="utf-8")
    assert main(["rehearse", str(rest), "--answer-rest", "--journal", str(folder)]) == 0
    assert air_tests(folder) == {**NUMBERS, 5: NUMBERS[1]}


def bodies(folder: Path) -> list[tuple[str, str]]:
    with Journal(folder, write=False) as journal:
        return [(row.body, row.hash) for row in journal.rows()]


def schema(folder: Path) -> int:
    with sqlite3.connect(folder / FILE) as db:
        return db.execute("PRAGMA user_version").fetchone()[0]


@pytest.mark.parametrize("version", VERSIONS)
def test_the_first_opening_for_writing_adds_what_each_test_follows(tmp_path: Path, version: str) -> None:
    folder = unpacked(tmp_path, f"{version}-whole")
    before = bodies(folder)
    assert schema(folder) == 1, "reading changes nothing"
    with Journal(folder) as journal:
        assert not journal.damage and journal.first_bad() is None
        assert [row.before for row in journal.rows()] == [FIRST, *[None] * (len(before) - 1)]
    assert schema(folder) == SCHEMA == 2, "keep a journal of schema 2 here, and add what a migration makes of it"
    assert bodies(folder) == before, "no event and no hash is another"
    (tmp_path / "older").mkdir()
    (folder / "journal.schema-1.db").rename(tmp_path / "older" / FILE)
    assert schema(tmp_path / "older") == 1 and bodies(tmp_path / "older") == before, "a copy for the release before"
    with Journal(folder):
        pass
    assert not (folder / "journal.schema-1.db").exists(), "made once"


@pytest.mark.parametrize("version", VERSIONS)
def test_a_damaged_one_is_recovered(tmp_path: Path, version: str) -> None:
    """Two tests in schema 1; a byte of the first one damaged costs that test alone, before and after the upgrade."""
    folder = unpacked(tmp_path, f"{version}-whole")
    with sqlite3.connect(folder / FILE) as db:
        rows = [Row(*one) for one in db.execute("SELECT seq, test, wall, boot, body, hash FROM events ORDER BY seq")]
        last = rows[-1].hash
        for row in rows:  # the same test once more, as that version would have chained it
            row = replace(row, seq=row.seq + len(rows), test=2)
            last = row.expected_hash(last)
            db.execute("INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)", (row.seq, 2, row.wall, row.boot, row.body, last))
        db.execute("UPDATE events SET body = replace(body, '1', '2') WHERE seq = 6")
    db.close()
    for _ in range(2):
        found = recover.look(folder)
        assert found.tests == [2] and [(one.first, one.bad, one.last) for one in found.gaps] == [(1, 6, len(rows))]
        with Journal(folder, write=False) as journal:
            assert journal.first_bad()[0] == 6 and len(journal.events(2)) == len(rows)
            with pytest.raises(JournalError, match="Event 6 "):
                journal.events(1)
        with Journal(folder) as journal:
            assert "event 6 (test 1)" in journal.damage and journal.schema == 2
    recover.save(recover.look(folder), folder, tmp_path / "new")
    with Journal(tmp_path / "new") as journal:
        assert not journal.damage and journal.tests() == [2] and journal.gaps() == [(1, len(rows))]


def test_killed_or_cut_at_any_instant_of_the_upgrade(tmp_path: Path) -> None:
    """Every request to the disk refused from there on; a power cut that keeps only what was synced, or part of the rest too."""
    folder = unpacked(tmp_path, f"{VERSIONS[-1]}-whole")
    before, data = bodies(folder), (folder / FILE).read_bytes()
    with under_the_journal(20) as disk:
        with Journal(folder):
            pass
        count, asked = disk.count, list(disk.asked)
        assert count > 10
        for number in range(1, count + 1):
            place = tmp_path / f"refused-{number}"
            place.mkdir()
            (place / FILE).write_bytes(data)
            disk.count = 0
            disk.trouble = lambda at, what, path, number=number: apsw.IOError if at >= number else None
            with suppress(JournalError):
                Journal(place).close()
            disk.trouble = lambda at, what, path: None
            with Journal(place) as journal:
                assert journal.schema == 2 and journal.first_bad() is None and not journal.damage
            assert bodies(place) == before, number
    chance = random.Random(2)
    for seed in range(60):
        place = tmp_path / f"cut-{seed}"
        place.mkdir()
        (place / FILE).write_bytes(data)
        until = [Asked("write", str(folder / FILE), data, 0), Asked("sync", str(folder / FILE)), *asked[:chance.randrange(len(asked))]]
        for path, after in disk_after(until, chance).items():
            (place / Path(path).name).write_bytes(after)
        with Journal(place) as journal:
            assert journal.schema == 2 and journal.first_bad() is None, seed
        assert bodies(place) == before, seed
