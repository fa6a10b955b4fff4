"""The day's tests for the crew's board: the words of `log show`, reports of their own, made between two tests and never during one."""
from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from assistant.board import day, publish
from assistant.board.publish import DayMaker, Publisher
from assistant.core.state import State
from assistant.record import log, page, summary
from assistant.record.journal import Journal
from assistant.report import demo
from tests.command import bowlside
from tests.property import attack

CHECKED = {"test": "slump", "check_of": "slump", "round": "R-1"}


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented day: three rounds, failures, check tests."""
    folder = tmp_path_factory.mktemp("demo")
    demo.build(folder)
    return folder


@pytest.fixture(scope="module")
def made(record: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("board") / "board"
    done = subprocess.run([sys.executable, "-P", "-m", "assistant.board.day", str(folder), "--journal", str(record), "--job",
                           str(record / demo.JOB)], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return folder


def test_the_list_and_the_pages_have_the_words_of_log_show(record: Path, made: Path) -> None:
    listed = json.loads((made / "day.json").read_text(encoding="utf-8"))
    with Journal(record, write=False) as journal:
        tests = [summary.of(journal, test) for test in journal.tests()]
    assert [one["number"] for one in listed["tests"]] == [one["id"] for one in tests] and len(tests) > 20
    for row, one in zip(listed["tests"], tests):
        its, told = page.of(one), json.loads((made / row["page"]).read_text(encoding="utf-8"))
        for found in (row, told):
            assert found["verdict"] == its.verdict and found["why"].rstrip(".").lower() == its.why.lower()
            assert [(each["name"], each["value"]) for each in found["results"]] == list(its.results)
        shown = bowlside("log", "show", one["id"], "--journal", record).out
        for words in (*told["table"], *told["doubts"], *(each["value"] for each in told["readings"])):
            assert words in shown, words
        assert [each.lower().rstrip(".") for each in told["notes"]] == [each.lower().rstrip(".") for each in log.remarks(one)]
        assert all("read back and confirmed" in each["how"] or "the two agree" in each["how"] for each in told["readings"])
        assert (made / row["pdf"]).read_bytes().startswith(b"%PDF-")
    assert any(one["check_test"] for one in listed["tests"]) and listed["charts"] and "INVENTED" in listed["marks"][0]
    assert all(len(chart["points"]) > 1 for chart in listed["charts"])


def times(folder: Path) -> dict[str, int]:
    return {path.name: path.stat().st_mtime_ns for path in folder.glob("test-*")}


def test_what_is_right_is_kept_and_what_is_not_is_made_anew(record: Path, made: Path) -> None:
    before = times(made)
    (made / "test-5.pdf").unlink()
    (made / "test-99.pdf").write_text("of another day")
    (made / ".test-7.pdf.99").write_text("half of one")
    with Journal(record, write=False) as journal:
        day.make(made, journal, None)
    after = times(made)
    assert set(after) == set(before) and not list(made.glob(".*"))
    assert [name for name in after if after[name] != before[name]] == ["test-5.pdf"]


def test_while_a_check_test_runs_what_it_checks_is_withheld_and_comes_back(record: Path, made: Path) -> None:
    days = DayMaker(made, record)
    days._process = Running()  # type: ignore[assignment]
    days.begin()
    state = attack.checkpoints("slump", "normal")[3].state
    whole = day.read(made)
    its = next(one for one in whole["tests"] if one["test"] == "slump" and not one["check_test"])
    days.turn(State(**{**vars(state), "header": {"check_of": "slump", "round": its["round"]}}))
    assert Running.killed == 1 and not days.busy
    found = day.read(made)
    hidden = [one for one in found["tests"] if one["withheld"]]
    assert {(one["test"], one["round"]) for one in hidden} == {("slump", its["round"])} and found["charts"] == []
    text = " ".join(path.read_text(encoding="utf-8") for path in made.glob("*.json"))
    assert all(f'"{each["value"]}"' not in json.dumps(hidden) for each in its["results"]) and its["why"] not in text
    assert not any((made / f"test-{one['number']}.{kind}").exists() for one in hidden for kind in ("json", "pdf"))
    others = [one for one in found["tests"] if one["round"] == its["round"] and not one["withheld"]]
    assert others and all(one["pdf"] is None and one["page"] for one in others), "the round's report has its result too"
    with Journal(record, write=False) as journal:
        day.make(made, journal, None)
    again = day.read(made)
    assert [one["results"] for one in again["tests"]] == [one["results"] for one in whole["tests"]] and again["charts"]
    assert all((made / one["pdf"]).exists() for one in again["tests"])


@pytest.mark.parametrize("running, same", [
    ({"test": "slump"}, []), ({"test": "slump", "check_of": "slump", "round": "R-1"}, [1]),
    ({"test": "slump", "comparison": "slump", "round": "R-2"}, [3]), ({"test": "slump", "check_test": "yes", "sample": "S-2"}, [3]),
    ({"test": "slump", "check_test": "yes"}, [1, 3]), ({"test": "temperature", "check_of": "x", "round": "R-1"}, [2]),
])
def test_what_is_withheld(running: dict[str, Any], same: list[int]) -> None:
    rows = [{"number": number, "test": test, "round": name, "sample": sample, "verdict": "PASS", "why": "w", "results": [1], "page": "p",
             "pdf": "q"} for number, test, name, sample in ((1, "slump", "R-1", "S-1"), (2, "temperature", "R-1", "S-1"),
                                                            (3, "slump", "R-2", "S-2"))]
    found = day.withheld({"tests": rows, "charts": [1]}, running)
    assert [one["number"] for one in found["tests"] if one.get("withheld")] == same
    assert found["charts"] == ([] if same else [1])


# --- when -------------------------------------------------------------------------------------------------------------------

class Running:
    """A process that never ends by itself."""
    begun, killed = 0, 0
    returncode: int | None = None

    def __init__(self, command: list[str] = [], **_: Any) -> None:
        Running.begun += 1

    def poll(self) -> int | None:
        return self.returncode

    def kill(self) -> None:
        Running.killed += 1

    def communicate(self) -> tuple[bytes, bytes]:
        return b"", b"The journal is damaged."


@pytest.fixture(autouse=True)
def _counted() -> Iterator[None]:
    Running.begun = Running.killed = 0
    yield


def test_it_is_made_between_two_tests_and_never_during_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(publish.subprocess, "Popen", Running)
    days = DayMaker(tmp_path / "board", tmp_path)
    publisher = Publisher(tmp_path / "board", days=days)
    seen: list[tuple[bool, bool]] = []
    over = attack.checkpoints("slump", "normal")[-1].clone()
    while not over.over:
        over.act(1.0, "key", "#")
    states = [State(), *(one.state for one in attack.checkpoints("slump", "normal")), over.state]
    for _ in range(3):
        for state in states:
            publisher.show(state)
            publisher.turn()
            seen.append((bool(state.prompt), days.busy))
    assert (True, True) not in seen and Running.begun == 3 + 1 and Running.killed == 3
    assert {busy for prompt, busy in seen if not prompt} == {True}


def test_what_is_wrong_with_it_is_told_once_and_it_is_not_tried_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(publish.subprocess, "Popen", Running)
    told: list[str] = []
    publisher = Publisher(tmp_path / "board", trouble=told.append, days=DayMaker(tmp_path / "board", tmp_path))
    publisher.turn()
    Running.returncode = 1
    try:
        for _ in range(5):
            publisher.turn()
    finally:
        Running.returncode = None
    assert told == ["The crew's board lacks the day's tests: The journal is damaged. The test goes on without them."]
    assert Running.begun == 1


def test_what_another_record_left_is_taken_away(tmp_path: Path, made: Path) -> None:
    folder = tmp_path / "board"
    folder.mkdir()
    for path in made.glob("*.json"):
        (folder / path.name).write_bytes(path.read_bytes())
    DayMaker(folder, tmp_path / "another").begin()
    assert not list(folder.iterdir())


def test_the_real_process_and_its_file_are_noticed(tmp_path: Path) -> None:
    assert bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path / "j", stdin='{"test": "slump"}\n{"on": "slump", "key": "4 #"}\n'
                    ).code == 0
    days = DayMaker(tmp_path / "board", tmp_path / "j")
    publisher = Publisher(tmp_path / "board", days=days)
    publisher.turn()
    assert days._process is not None
    days._process.wait(300)
    publisher.turn()
    assert not days.busy and days.count == 1 and not days.trouble
    assert json.loads((tmp_path / "board" / "now.json").read_text())["day"] == 1 and (tmp_path / "board" / "test-1.pdf").exists()


def test_it_gives_way_to_everything_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    given: list[int] = []
    monkeypatch.setattr(os, "nice", given.append)
    assert day.main([str(tmp_path / "board"), "--journal", str(tmp_path / "none")]) == 1
    assert given == [19] and "Traceback" not in capsys.readouterr().err
