"""The log commands against the contract: list, show, read, verify, as text and as JSON."""
from __future__ import annotations

import json
from pathlib import Path

import pytest

from assistant import cli
from assistant.record.log import default_folder, typed
from tests.command import READINGS, bowlside, script


@pytest.fixture
def whole(tmp_path: Path) -> Path:
    path = tmp_path / "whole.jsonl"
    path.write_text(script())
    return path


@pytest.fixture
def journal(tmp_path: Path, whole: Path) -> Path:
    """A journal that holds one finished test."""
    folder = tmp_path / "journal"
    assert bowlside("rehearse", whole, "--answer-rest", "--json", "--journal", folder).code == 0
    return folder


def test_log_list(journal: Path) -> None:
    done = bowlside("log", "list", "--json", "--journal", journal)
    one, = done.lines()
    assert done.code == 0 and (one["id"], one["test"], one["outcome"], one["verdict"]) == (1, "sequential", "done", "pass")
    assert {each["name"]: str(each["rounded"]) for each in one["results"]} == {
        "leak_drop": "0.05", "air_content": "5.7", "system_air_metric": "0.20"}
    text = bowlside("log", "list", "--journal", journal).out
    assert "sequential" in text and "air_content 5.7 %" in text and "pass" in text


def test_log_show(journal: Path) -> None:
    one, = bowlside("log", "show", "1", "--json", "--journal", journal).lines()
    assert {each["id"]: str(each["value"]) for each in one["readings"]} == READINGS
    assert all(each["unit"] and each["standing"] for each in one["results"]) and one["rounding"] == "half-even"
    deciding = next(each for each in one["readings"] if each["id"] == "equilibrium.2.3")
    assert [each["verbatim"] for each in deciding["entries"]] == ["32.01", "32.01"]
    text = bowlside("log", "show", "1", "--journal", journal).out
    assert "32.01 psi" in text and "5.7 %" in text and "Rounded half-even" in text


def test_log_show_of_an_unfinished_and_a_scrapped_test_claims_nothing(tmp_path: Path) -> None:
    first = dict(list(READINGS.items())[:-1])
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin=script(first))
    one, = bowlside("log", "show", "1", "--json", "--journal", tmp_path).lines()
    assert one["outcome"] == "not over" and one["verdict"] != "pass"
    bowlside("rehearse", "-", "--json", "--journal", tmp_path, stdin=script({}, rest=[
        {"on": "equilibrium.2.3", "say": "scrap the test"}, {"on": "scrap.confirm", "say": "yes"}]))
    one, = bowlside("log", "show", "1", "--json", "--journal", tmp_path).lines()
    assert (one["outcome"], one["verdict"]) == ("scrapped", "invalid")
    assert [each["rounded"] for each in one["results"] if each["name"] == "system_air_metric"] in ([], [None])


def test_rules_are_named_only_where_a_result_follows_from_them(tmp_path: Path) -> None:
    bowlside("rehearse", "-", "--journal", tmp_path, stdin=script({}, rest=[
        {"on": "zero", "key": "B-held"}, {"on": "scrap.confirm", "say": "yes"}]))
    text = bowlside("log", "show", "1", "--journal", tmp_path).out
    assert "scrapped" in text and "where each rule comes from" not in text, text


def test_log_read(journal: Path) -> None:
    lines = [json.loads(line) for line in bowlside("log", "read", "1", "--json", "--journal", journal).out.splitlines()]
    words = {line["id"]: line["words"] for line in lines}
    assert "three, two, point, zero, one" in words["equilibrium.2.3"] and "five, point, seven" in words["air_content"]
    assert words["verdict"].startswith("Verdict: pass")
    text = bowlside("log", "read", "1", "--journal", journal)
    assert text.code == 0 and text.out.splitlines() == [line["words"] for line in lines]


def test_log_verify(journal: Path) -> None:
    done = bowlside("log", "verify", "--json", "--journal", journal)
    found = json.loads(done.out)
    assert done.code == 0 and found["sound"] is True and found["first_bad"] is None and found["events"] > 100
    assert bowlside("log", "verify", "--journal", journal).out.startswith("Sound: ")


@pytest.mark.parametrize("what", ["show", "read"])
@pytest.mark.parametrize("ident", ["2", "0", "-1", "99999999999999999999999"])
def test_an_unknown_id(what: str, ident: str, journal: Path) -> None:
    bowlside("log", what, "--journal", journal, "--", ident).is_one_sentence(1, ident, "there are: 1")


@pytest.mark.parametrize("args", [["list"], ["show", "1"], ["read", "1"], ["verify"]])
def test_a_journal_that_is_not_there(args: list[str], tmp_path: Path) -> None:
    folder = tmp_path / "nothing"
    bowlside("log", *args, "--journal", folder).is_one_sentence(1, str(folder), "--journal")
    assert not folder.exists(), "looking must not make one"


def test_the_record_has_its_own_place(tmp_path: Path, whole: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOWLSIDE_JOURNAL", str(tmp_path / "mine"))
    bowlside("rehearse", whole, "--answer-rest", "--journal", tmp_path / "mine")
    assert len(bowlside("log", "list").out.splitlines()) == 1
    bowlside("rehearse", whole, "--answer-rest")
    assert len(bowlside("log", "list").out.splitlines()) == 1, "a rehearsal leaves no trace in the record"


def test_a_command_that_is_told_finds_the_record_it_is_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOWLSIDE_JOURNAL", str(tmp_path / "mine"))
    assert typed("log show 1", tmp_path / "mine") == "bowlside log show 1"
    assert typed("practise slump", tmp_path / "mine/practice", practice=True) == "bowlside practise slump"
    assert typed("log show 1", tmp_path / "mine/practice") == f"bowlside log show 1 --journal {tmp_path}/mine/practice"
    assert typed("log show 1", Path("the other")) == "bowlside log show 1 --journal 'the other'"


@pytest.mark.parametrize("practice, finish, others", [
    (True, "practise slump", ("practise temperature", "run temperature", "run slump")),
    (False, "run slump", ("practise temperature", "run temperature", "practise slump"))])
def test_what_finishes_a_test_that_is_not_over_is_told_as_it_has_to_be_typed(practice: bool, finish: str, others: tuple[str, ...],
                                                                            tmp_path: Path) -> None:
    bowlside("rehearse", "-", "--journal", tmp_path, stdin=json.dumps({"test": "slump", "practice": practice}))
    for other in others:
        told = bowlside(*other.split(), "--journal", tmp_path)
        told.is_one_sentence(2, f"Finish it first (bowlside {finish} --journal {tmp_path}).")


def test_a_result_without_a_unit_leaves_no_blank_in_the_list(tmp_path: Path) -> None:
    header = {"test": "density", "measure_volume_ft3": 0.2494, "batch_mass_lb": 3978, "design_yield_yd3": 1,
              "air_free_volume_ft3": 26.2}
    bowlside("rehearse", "-", "--answer-rest", "--journal", tmp_path, stdin="\n".join(map(json.dumps, (
        header, {"on": "tare", "key": "1 8 * 6 #"}, {"on": "gross", "key": "5 4 * 7 #"}))))
    text = bowlside("log", "list", "--journal", tmp_path).out
    assert "relative_yield 1.02, theoretical_density" in text


def test_log_list_tells_of_the_practice_record(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, whole: Path) -> None:
    """A newcomer who has practised looks for his test where tests are listed; and the command that it names finds it."""
    monkeypatch.setenv("BOWLSIDE_JOURNAL", str(tmp_path / "own"))
    assert "Practice is" not in bowlside("log", "list").err
    bowlside("rehearse", whole, "--answer-rest", "--journal", default_folder(practice=True))
    for what in (["list"], ["show", "1"], ["read", "1"]):
        told = bowlside("log", *what).is_one_sentence(1, "nothing has been recorded there").err
        named = told.partition("Practice is kept apart; bowlside ")[2].removesuffix(" lists it.\n").split()
        assert "sequential" in bowlside(*named).out and "Practice is kept" not in bowlside(*named).out
    bowlside("rehearse", whole, "--answer-rest", "--journal", default_folder())
    assert bowlside("log", "list").out.splitlines()[1:] == [f"Practice is kept apart; bowlside {' '.join(named)} lists it."]
    assert len(bowlside("log", "list", "--json").out.splitlines()) == 1, "one JSON object a line, and nothing else"


def test_the_first_start_offers_practice_until_a_test_counts(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, whole: Path,
                                                             capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("BOWLSIDE_JOURNAL", str(tmp_path / "own"))
    started: list[list[str]] = []
    run = cli.main
    monkeypatch.setattr(cli, "main", lambda given: started.append(given) or 0)

    def start(answer: str) -> str:
        monkeypatch.setattr("builtins.input", lambda question: answer)
        cli._first_or_station()
        return capsys.readouterr().out
    assert "Nothing has been recorded" in start("")
    run(["rehearse", str(whole), "--answer-rest", "--journal", str(default_folder(practice=True))])
    capsys.readouterr()
    assert "Only practice" in start("") and "Only practice" in start("n")
    run(["rehearse", str(whole), "--answer-rest", "--journal", str(default_folder())])
    capsys.readouterr()
    assert start("") == ""
    assert started == [["practise"], ["practise"], ["run"], ["run"]]
