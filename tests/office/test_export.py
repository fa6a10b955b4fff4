"""What a reader takes away: read back by csv, json, pandas and jsonschema, and compared with the tables; and found out when changed.

Outside sources: pandas reads the CSV, jsonschema holds the JSON against the station's own schema, zipfile's own CRC.
"""
from __future__ import annotations

import csv
import io
import json
import tracemalloc
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema
import pandas
import psycopg
import pytest
from psycopg import Connection

from assistant.files.jsonline import loads
from assistant.files.plain import cell
from assistant.files.refusal import Refusal
from assistant.office import export, readers, retention, test_document
from assistant.office import verify as verifying
from assistant.record import identity
from assistant.record.journal import Journal
from assistant.report import json_file
from assistant.send import piece as sent
from tests.office import made
from tests.office.test_derive import derive, put
from tests.office.test_sign_in import Browser, page

MADE = datetime(2031, 5, 18, tzinfo=UTC)
NASTY = {"mix": "=1+1", "producer": "@SUM(A1)", "location": "-2+3;=cmd|' /C calc'!A0", "sample_point": '+1 "quoted", \u00e9\U0001f9f1', "ticket": "-12.50"}
"""Labels that a spreadsheet would compute; the last is a number and stays one."""
Export = Callable[..., zipfile.ZipFile]


def send(owner: Connection, folder: Path, name: str) -> str:
    """A journal's tests as they arrive."""
    with Journal(folder, write=False) as journal:
        record, pieces = journal.identity, []
        before = identity.origin(record)
        for test in journal.tests():
            pieces.append(sent.of_rows(sent.TEST, list(journal.rows(test)), before))
            before = pieces[-1].hash
    put(owner, pieces, record, name)
    return str(record)


@pytest.fixture(scope="module")
def journals(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two stations: one with a whole round, whose labels a spreadsheet would compute, one with single tests; a job each."""
    folders = [tmp_path_factory.mktemp("nasty"), tmp_path_factory.mktemp("plain")]
    with pytest.MonkeyPatch.context() as patch:
        header = made._header
        patch.setattr(made, "_header", lambda *given: header(*given) | {"job": "Job A", **NASTY})
        made.whole_round(folders[0])
        patch.setattr(made, "_header", lambda *given: header(*given) | {"job": "Job B"})
        made.journal(folders[1], 2, seed=5)
    return folders


@pytest.fixture
def owner(database: str, journals: list[Path]) -> Iterator[Connection]:
    with psycopg.connect(database, autocommit=True) as connection:
        readers.let_web_in(connection, database)
        for number, folder in enumerate(journals, 1):
            send(connection, folder, f"Rig {number}")
        derive(connection)
        yield connection


@pytest.fixture
def take(database: str, owner: Connection, tmp_path: Path) -> Iterator[Export]:
    """The export of a new reader of this role and these jobs. People may be compared in Job B."""
    retention.rule(owner, "Job B", True, None)
    opened: list[zipfile.ZipFile] = []

    def taken(role: str, *jobs: str) -> zipfile.ZipFile:
        name = f"reader {len(opened)}"
        readers.add(owner, name, role, jobs)
        reader = next(each.reader for each in readers.listed(owner) if each.reader.name == name)
        path = tmp_path / f"{name}.zip"
        path.write_bytes(b"".join(export.stream(readers.web_url(database), reader, MADE)))
        opened.append(zipfile.ZipFile(path))
        return opened[-1]
    yield taken
    for each in opened:
        each.close()


def rows(taken: zipfile.ZipFile) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(taken.read("tests.csv").decode("utf-8-sig"), newline="")))


def every_test(taken: zipfile.ZipFile) -> list[dict[str, Any]]:
    return [test for name in taken.namelist() if "/" in name for test in loads(taken.read(name).decode())["tests"]]


def test_the_export_read_back_is_the_tables(owner: Connection, take: Export) -> None:
    taken = take("office")
    assert taken.testzip() is None and taken.namelist()[0] == "tests.csv" and taken.namelist()[-1] == "contents.json"
    known = owner.execute("""SELECT t.record::text, encode(t.piece, 'hex'), t.document::text, s.name, job = 'Job B' FROM office.tests t
        JOIN office.stations s ON s.id = t.station ORDER BY t.record, t.number""").fetchall()
    found = every_test(taken)
    assert len(found) == len(known) == 7
    for test, row, (record, piece, document, station, named) in zip(found, rows(taken), known):
        whole = test_document.loads(document)
        wanted = whole if named else retention.without_people(whole)
        assert bool(wanted.get("technician")) is named
        assert test.pop("piece") == piece and test.pop("people_left_out", False) is not named
        assert verifying._plain(test) == verifying._plain(json_file.test(wanted)), "digit for digit"
        assert (row["record"], row["piece"], row["sent by"], row["technician"]) == (record, piece, station, whole["technician"] if named else "")
        results = owner.execute("SELECT name, unit, rounded, value, low, high FROM office.results WHERE record = %s AND piece = %s",
                                (record, bytes.fromhex(piece))).fetchall()
        for name, unit, *figures in results:
            cells = [f"{name} [{unit}]", f"{name} unrounded [{unit}]", f"{name} limit low [{unit}]", f"{name} limit high [{unit}]"]
            assert [row[name] for name in cells] == ["" if figure is None else f"{figure:f}" for figure in figures]
        readings = owner.execute("SELECT id, unit, value, time_of_day FROM office.readings WHERE record = %s AND piece = %s AND withdrawn = ''",
                                 (record, bytes.fromhex(piece))).fetchall()
        for ident, unit, value, time in readings:
            assert row[f"{ident} [{unit}]" if unit else ident] == (time if value is None else f"{value:f}")
    loads_ = {verdict for verdict, in owner.execute("SELECT verdict FROM office.rounds")}
    assert loads_ == {row["load verdict"] for row in rows(taken) if row["round"]} and loads_ - {""}


def test_the_json_is_the_stations_own_form(take: Export) -> None:
    taken, schema = take("office"), json.loads(json_file.SCHEMA.read_text())
    names = [name for name in taken.namelist() if "/" in name]
    assert len(names) == 2
    for name in names:
        document = json.loads(taken.read(name), parse_float=Decimal)
        jsonschema.validate(document, schema)
    assert any(json.loads(taken.read(name))["rounds"] for name in names)


def test_what_a_spreadsheet_would_compute_is_a_text(take: Export) -> None:
    taken = take("office")
    given = [row for row in rows(taken) if row["job"] == "Job A"]
    assert len(given) == 5
    for row in given:
        assert {name: row[name] for name in NASTY} == {name: cell(value) for name, value in NASTY.items()}
        assert row["mix"] == "'=1+1" and row["ticket"] == "-12.50"
        for value in row.values():
            assert not value.lstrip().startswith(("=", "@", "\t")) and (not value.startswith(("+", "-")) or float(value) is not None)
    frame = pandas.read_csv(io.BytesIO(taken.read("tests.csv")), dtype=str, keep_default_na=False)
    assert frame.to_dict("records") == rows(taken), "pandas reads the same"


def test_the_events_are_those_of_the_journals(take: Export, journals: list[Path]) -> None:
    lines = [json.loads(line) for line in take("office").read("pieces.jsonl").decode().splitlines()]
    for folder in journals:
        with Journal(folder, write=False) as journal:
            wanted = [[row.seq, row.wall, row.boot, row.body, row.hash] for row in journal.rows()]
            assert [row for line in lines if line["record"] == str(journal.identity) for row in line["rows"]] == wanted


@pytest.mark.parametrize(("role", "jobs", "count", "events"), [
    ("office", (), 7, True), ("agency", ("Job A",), 5, True), ("agency", ("Job A", "Job B"), 7, True), ("agency", (), 0, True),
    ("contractor", ("Job B",), 2, False), ("lab", ("Job A",), 1, True), ("lab", ("Job B",), 0, True)])
def test_each_role_takes_what_it_may_see_and_verifies_it(role: str, jobs: tuple[str, ...], count: int, events: bool, take: Export) -> None:
    taken = take(role, *jobs)
    assert len(rows(taken)) == len(every_test(taken)) == count
    assert {row["job"] for row in rows(taken)} <= ({*jobs} if role != "office" else {"Job A", "Job B"})
    found = verifying.verify(Path(taken.filename or ""))
    assert found.wrong == [] and found.tests == count and found.derived == (count if events else 0)
    assert found.pieces == count and (found.events > 0) == (events and count > 0) and found.without == (0 if events else count)


def test_people_whose_days_are_over_are_in_no_part_of_it(owner: Connection, take: Export) -> None:
    before = take("office")
    assert b"T-" in before.read("pieces.jsonl")
    for job in "Job A", "Job B":
        retention.rule(owner, job, True, 0)
    retention.let_go(owner)
    after = take("office")
    for name in after.namelist():
        assert b'"technician"' not in after.read(name) and b"T-" not in after.read(name).replace(b"T-REX", b""), name
    found = verifying.verify(Path(after.filename or ""))
    assert found.wrong == [] and found.without == found.tests == 7 and found.derived == found.gaps == 0
    retention.forget(owner, "Job A")
    assert verifying.verify(Path(take("office").filename or "")).wrong == []


# --- changed on the way -------------------------------------------------------------------------------------------------------

def changed(taken: zipfile.ZipFile, name: str, old: str, new: str, path: Path, encoding: str = "utf-8") -> Path:
    with zipfile.ZipFile(path, "w") as copy:
        for each in taken.namelist():
            text = taken.read(each).decode()
            if each.startswith(name):
                text = text.replace(old, new, 1)
            copy.writestr(each, text)
    return path


@pytest.mark.parametrize(("name", "old", "new", "why"), [
    ("tests.csv", ",done,", ",stopped,", "its row in tests.csv is not what its JSON says"),
    ("records/", '"outcome": "done"', '"outcome": "stopped"', "its JSON is not what its events give"),
    ("records/", '"verdict": "', '"verdict": "x', "its JSON is not what its events give"),
    ("pieces.jsonl", "T-", "U-", "was changed after it was recorded"),
    ("pieces.jsonl", '"before": "', '"before": "0', "The hashes of a piece are none"),
    ("contents.json", '"tests": 7', '"tests": 9', "contents.json says 9"),
])
def test_a_change_is_found(name: str, old: str, new: str, why: str, take: Export, tmp_path: Path) -> None:
    taken = take("office")
    assert any(old in taken.read(each).decode() for each in taken.namelist() if each.startswith(name))
    found = verifying.verify(changed(taken, name, old, new, tmp_path / "changed.zip"))
    assert why in " ".join(found.wrong)


def test_a_row_or_a_piece_that_is_gone_is_missed(take: Export, tmp_path: Path) -> None:
    taken = take("office")
    lines = taken.read("pieces.jsonl").decode().splitlines(keepends=True)
    found = verifying.verify(changed(taken, "pieces.jsonl", lines[0], "", tmp_path / "a.zip"))
    assert any("its piece is not here" in each for each in found.wrong) and found.gaps == 1
    found = verifying.verify(changed(taken, "pieces.jsonl", lines[0], lines[0] * 2, tmp_path / "b.zip"))
    assert any("the same piece is here twice" in each for each in found.wrong)
    last = taken.read("tests.csv").decode().splitlines(keepends=True)[-1]
    assert verifying.verify(changed(taken, "tests.csv", last, "", tmp_path / "c.zip")).wrong
    assert any("more rows" in each for each in verifying.verify(changed(taken, "tests.csv", last, last * 2, tmp_path / "d.zip")).wrong)


def test_what_is_no_export_is_a_sentence(take: Export, tmp_path: Path) -> None:
    whole = Path(take("office").filename or "").read_bytes()
    for number, data in enumerate((b"", b"PK", whole[:len(whole) // 2], whole[:-30], b"x" * 1000)):
        path = tmp_path / f"torn{number}"
        path.write_bytes(data)
        with pytest.raises(Refusal, match="is no whole export of an office"):
            verifying.verify(path)
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as other:
        other.writestr("contents.json", "{}")
    for name, why in (("other.zip", "is no whole export"), ("not there", "can't be read")):
        with pytest.raises(Refusal, match=why):
            verifying.verify(tmp_path / name)


# --- by the page --------------------------------------------------------------------------------------------------------------

def test_it_is_taken_by_the_page_and_only_two_at_a_time(database: str, owner: Connection, tmp_path: Path) -> None:
    from starlette.applications import Starlette

    from assistant.office import database as tables
    from assistant.office import sign_in
    key = readers.add(owner, "Anna", "agency", ["Job A"])
    with tables.pool(readers.web_url(database), most=2) as pool:
        door = sign_in.Door(pool, page)
        browser = Browser(Starlette(routes=[*door.routes(), *export.routes(door.behind, readers.web_url(database), page)]))
        assert browser.ask("/export.zip").status == 303
        browser.headers["authorization"] = f"Bearer {key}"
        assert 'href="/export.zip"' in browser.ask("/export").text
        for _ in range(export.MOST + 1):
            answer = browser.ask("/export.zip")
            assert answer.status == 200 and answer.headers["content-type"] == "application/zip"
            assert "attachment" in answer.headers["content-disposition"]
        (tmp_path / "it.zip").write_bytes(answer.body)
        assert verifying.verify(tmp_path / "it.zip").tests == 5
        held = [export._free.acquire(blocking=False) for _ in range(export.MOST)]
        assert all(held)
        assert browser.ask("/export.zip").status == 503
        for _ in held:
            export._free.release()
        assert browser.ask("/export.zip").status == 200


def test_its_memory_does_not_grow_with_the_tests(database: str, owner: Connection, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight times the tests, by copies of the rows: not half as much again."""
    monkeypatch.setattr(export, "AT_ONCE", 5)
    readers.add(owner, "all", "office")
    reader = readers.listed(owner)[0].reader

    def most() -> int:
        tracemalloc.start()
        for _ in export.stream(readers.web_url(database), reader, MADE):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    def copy(times: int) -> None:
        for number in range(times):
            owner.execute("""INSERT INTO office.pieces (record, hash, before, test, first, last, station, bytes, gap, kind)
                SELECT record, sha256(hash || %(n)s::text::bytea), before, test + 1000 * %(n)s, first + 100000 * %(n)s, last + 100000 * %(n)s,
                       station, bytes, false, kind FROM office.pieces WHERE test < 1000""", {"n": number + 1})
            owner.execute("""INSERT INTO office.events (record, piece, seq, wall, boot, body, hash)
                SELECT record, sha256(piece || %(n)s::text::bytea), seq + 100000 * %(n)s, wall, boot, body, hash FROM office.events WHERE seq < 100000""",
                          {"n": number + 1})
            columns = "station, first, method, title, started, outcome, verdict, why, job, mix, producer, place, round, sample, ticket, " \
                "technician, meter, check_of, comparison, practice, another_history, document, brief, rules"
            owner.execute(f"""INSERT INTO office.tests (record, piece, number, day, {columns})
                SELECT record, sha256(piece || %(n)s::text::bytea), number + 1000 * %(n)s, day + %(n)s, {columns}
                FROM office.tests WHERE number < 1000""", {"n": number + 1})    # type: ignore[arg-type]
    most()      # fills what Python keeps
    copy(4)
    few = most()
    owner.execute("DELETE FROM office.pieces WHERE test > 1000; DELETE FROM office.events WHERE seq > 100000")
    copy(39)
    assert owner.execute("SELECT count(*) FROM office.tests").fetchone() == (280,)
    assert most() < 1.5 * few
