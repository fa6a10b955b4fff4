"""What is kept beside the journal: as right as what is derived anew, and never trusted over the record."""
from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.record import derived, kept, summary
from assistant.record.derived import Derived
from assistant.record.journal import FILE, Journal
from tests.command import READINGS, bowlside, script


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recorded") / "journal"
    for readings in (READINGS, READINGS, dict(list(READINGS.items())[:4])):
        bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script(readings))
    return folder


@pytest.fixture
def folder(recorded: Path, tmp_path: Path) -> Path:
    """A copy of it, every test derived and kept."""
    shutil.copytree(recorded, tmp_path / "journal")
    assert bowlside("log", "list", "--journal", tmp_path / "journal").code == 0
    return tmp_path / "journal"


@pytest.fixture
def replayed(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """The tests that were replayed since."""
    tests, of = [], summary.of
    monkeypatch.setattr(summary, "of", lambda journal, test: tests.append(test) or of(journal, test))
    yield tests


def listed(folder: Path) -> list[dict]:
    return bowlside("log", "list", "--json", "--journal", folder).lines()


def test_what_is_kept_is_what_is_derived(folder: Path, replayed: list[int]) -> None:
    with Journal(folder, write=False) as journal:
        found = Derived(journal)
        whole = [found.whole(test) for test in (1, 2, 3)]
        assert not replayed and not found.damaged
        assert whole == [kept.plain(summary.of(journal, test)) for test in (1, 2, 3)]
        assert {type(one["value"]) for one in whole[0]["readings"]} == {Decimal}
        assert all(one.items() <= every.items() for one, every in zip(found.briefs, whole))


def test_only_what_changed_is_derived_anew(folder: Path, replayed: list[int]) -> None:
    before = listed(folder)
    assert replayed == []
    bowlside("rehearse", "-", "--answer-rest", "--journal", folder, stdin=script(dict(list(READINGS.items())[4:])))
    replayed.clear()
    after = listed(folder)
    assert replayed == [3] and after[:2] == before[:2] and (before[2]["outcome"], after[2]["outcome"]) == ("not over", "done")
    replayed.clear()
    exported = bowlside("log", "export", "1", "2", "--json", folder / "x.json", "--journal", folder)
    assert exported.code == 0 and replayed == []


def test_other_rules_or_another_language_make_all_of_it_anew(folder: Path, replayed: list[int],
                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(derived, "rules", lambda: "others")
    listed(folder)
    assert replayed == [1, 2, 3]


def test_the_rules_are_every_source_that_makes_a_result(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    before, here = derived.rules.__wrapped__(), Path(derived.__file__).parents[1]
    for name in ("core/methods/leak.py", "core/rounding.py", "record/summary.py", "record/session.py", "record/chain.py"):
        copy = tmp_path / name.replace("/", "-")
        shutil.copytree(here, copy, ignore=shutil.ignore_patterns("__pycache__"))
        monkeypatch.setattr(derived, "__file__", str(copy / "record" / "derived.py"))
        assert derived.rules.__wrapped__() == before
        (copy / name).write_text((copy / name).read_text() + "\n")
        assert derived.rules.__wrapped__() != before, name
    monkeypatch.setattr(derived, "__file__", str(here / "record" / "derived.py"))
    monkeypatch.setattr(derived, "CURRENT", "another language")
    assert derived.rules.__wrapped__() != before


SPOILED = {"a result changed": lambda path: path.write_bytes(path.read_bytes().replace(b'"pass"', b'"fail"')),
           "garbage": lambda path: path.write_bytes(b"garbage" * 5000), "zeros": lambda path: path.write_bytes(bytes(20_000)),
           "cut": lambda path: path.write_bytes(path.read_bytes()[:9000]), "empty": lambda path: path.write_bytes(b""),
           "gone": Path.unlink}


@pytest.mark.parametrize("how", SPOILED)
def test_whatever_becomes_of_the_file_the_list_is_right(folder: Path, replayed: list[int], how: str) -> None:
    before = listed(folder)
    SPOILED[how](folder / kept.FILE)
    assert listed(folder) == before and replayed
    replayed.clear()
    assert listed(folder) == before and not replayed, "and is kept again"


@pytest.mark.parametrize("statement", [
    "UPDATE events SET body = replace(body, '7', '8') WHERE seq = 100", "DELETE FROM events WHERE seq = 100",
    "UPDATE events SET wall = replace(wall, '20', '19') WHERE seq = 1",
    "UPDATE events SET body = CAST(body AS BLOB) WHERE seq = 90",
    "UPDATE events SET hash = 'x' WHERE seq = 100", "UPDATE events SET before = 'x' WHERE seq = 100",
    "DELETE FROM events WHERE test = 1 AND seq = (SELECT MAX(seq) FROM events WHERE test = 1)"])
def test_a_damaged_test_is_told_though_its_result_is_kept(folder: Path, statement: str) -> None:
    with sqlite3.connect(folder / FILE) as db:
        db.execute(statement)
    db.close()
    for _ in range(2):
        done = bowlside("log", "list", "--json", "--journal", folder)
        assert done.code == 1 and [one["id"] for one in done.lines()] == [2, 3] and "test 1 can't be trusted" in done.err, done


def test_a_whole_test_taken_out_of_the_middle_is_told(folder: Path) -> None:
    with sqlite3.connect(folder / FILE) as db:
        db.execute("DELETE FROM events WHERE test = 2")
    db.close()
    done = bowlside("log", "list", "--json", "--journal", folder)
    assert done.code == 1 and "is missing" in done.err and [one["id"] for one in done.lines()] == [3]


def test_a_full_or_closed_disk_costs_only_time(recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(recorded, tmp_path / "journal")
    def closed(path: Path) -> Path:
        raise PermissionError(13, "closed")
    monkeypatch.setattr(kept.owner_only, "touched", closed)
    assert [one["verdict"] for one in listed(tmp_path / "journal")][:2] == ["pass", "pass"]
    assert not (tmp_path / "journal" / kept.FILE).exists()


def test_recover_leaves_it_behind(folder: Path, tmp_path: Path) -> None:
    assert bowlside("log", "recover", tmp_path / "new", "--journal", folder).code == 0
    assert not (tmp_path / "new" / kept.FILE).exists()
