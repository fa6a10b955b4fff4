"""Why a test was scrapped: asked when it is scrapped already, by key, by voice or by nothing; and where the answer stands."""
from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from assistant.core.asked import soonest
from assistant.core.effects import Finish
from assistant.core.events import Heard, Spoken, TestStarted, to_plain
from assistant.core.machine import step
from assistant.core.phrases import REASONS
from assistant.core.scrapped import ASKS_WHY
from assistant.core.turn import expected
from assistant.procedures import load
from assistant.record import summary
from assistant.record.session import unfinished
from tests.command import bowlside
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import to_run_1


def scrapped(folder: Path) -> Dialogue:
    return to_run_1(Dialogue(folder)).hear("scrap the test").hear("yes")


def why(t: Dialogue) -> str:
    return str(summary.of(t.journal, 1)["why"])


def test_it_is_asked_after_the_caution_and_the_test_is_scrapped_already(tmp_path: Path) -> None:
    t = scrapped(tmp_path)
    said = t.said
    assert said.index("may still be under pressure") < said.index("Why?") and t.state.prompt == "scrap.why"
    assert summary.of(t.journal, 1)["outcome"] == "scrapped" and not t.finished
    assert all(words.split()[-1] in said for words in REASONS.values()) and len(REASONS) == 4


@pytest.mark.parametrize("digit", REASONS)
def test_one_key_says_why(tmp_path: Path, digit: str) -> None:
    t = scrapped(tmp_path).key(digit)
    assert REASONS[digit] in t.said and t.finished == "scrapped"
    assert why(t) == f"the test was scrapped: {REASONS[digit]}"


@pytest.mark.parametrize(("word", "reason"), [("one", "wrong sample"), ("three", "a slip of the hand"), ("2", "a leak")])
def test_so_does_one_word(tmp_path: Path, word: str, reason: str) -> None:
    t = scrapped(tmp_path)
    listened = expected(t.state)
    assert (listened.kind, listened.low, listened.high, listened.places) == ("reading", 1, 4, 0)
    assert why(t.hear(word)) == f"the test was scrapped: {reason}" and t.finished == "scrapped"


@pytest.mark.parametrize("nothing", ["next", "no", "yes", "#", "C", ""])
def test_saying_nothing_is_an_answer(tmp_path: Path, nothing: str) -> None:
    t = scrapped(tmp_path)
    if nothing in ("#", "C"):
        t.key(nothing)
    elif nothing:
        t.hear(nothing)
    else:
        t.wait(20)
    assert t.finished == "scrapped" and why(t) == "the test was scrapped"


def test_what_means_nothing_here_ends_nothing(tmp_path: Path) -> None:
    t = scrapped(tmp_path).key("B").key("7").key("D").hear("nine").hear("take it back").hear("scrap the test").unclear()
    assert not t.finished and t.state.prompt == "scrap.why"
    assert "Why?" in t.hear("say again").said
    assert why(t.key("1")) == "the test was scrapped: wrong sample"


def test_the_key_that_said_yes_twice_is_no_answer(tmp_path: Path) -> None:
    """A bounce, or a second press while the caution is said, must not take the question away."""
    t = to_run_1(Dialogue(tmp_path)).hear("scrap the test").key("#")
    assert t.state.asks_why
    t.press("#", after=0.3)
    assert t.state.asks_why


def test_a_power_cut_before_the_answer_loses_nothing(tmp_path: Path) -> None:
    """The test is scrapped since the yes: nothing goes on, and the next one may begin."""
    t = scrapped(tmp_path)
    assert unfinished(t.journal, "boot-1") is None
    t.kill()
    done = bowlside("log", "show", "1", "--json", "--journal", tmp_path).lines()[0]
    assert (done["outcome"], done["why"]) == ("scrapped", "the test was scrapped")


def test_it_stands_in_log_show_csv_json_and_pdf(tmp_path: Path) -> None:
    t = scrapped(tmp_path / "j").key("3")
    t.kill()
    reason = "the test was scrapped: a slip of the hand"
    assert f"INVALID: {reason}." in bowlside("log", "show", "1", "--journal", tmp_path / "j").out
    for more in ((), ("--json",)):
        assert reason in bowlside("log", "list", *more, "--journal", tmp_path / "j").out
    assert bowlside("log", "read", "1", "--journal", tmp_path / "j").out.count("scrapped: a slip of the hand") == 1
    files = {kind: tmp_path / f"out.{kind}" for kind in ("csv", "json", "pdf")}
    named = [each for kind, path in files.items() for each in (f"--{kind}", path)]
    assert bowlside("log", "export", "1", *named, "--journal", tmp_path / "j").code in (0, 1)
    with files["csv"].open(encoding="utf-8-sig", newline="") as file:
        assert next(csv.DictReader(file))["why"] == reason
    assert json.loads(files["json"].read_text(encoding="utf-8"))["tests"][0]["why"] == reason
    assert reason[4:] in " ".join(" ".join(page.extract_text() for page in PdfReader(files["pdf"]).pages).split())


def test_a_test_by_the_rules_before_is_over_at_the_yes(tmp_path: Path) -> None:
    """Old journals are replayed as they were lived."""
    t = Dialogue(tmp_path)
    old = replace(t.state, rules=ASKS_WHY - 1)
    for text in ("scrap the test", "yes"):
        old = step(old, Spoken(old.now, old.utterance))[0]
        old = step(old, Heard(max(old.now, soonest(old, text)) + 1, text))[0]
    assert old.outcome == "scrapped" and not old.asks_why
    assert step(old, Spoken(old.now, old.utterance))[1] == (Finish("scrapped"),)
    assert to_plain(TestStarted(0.0, "sequential", load("sequential"), {}))["rules"] >= ASKS_WHY


def test_a_digit_that_was_keyed_before_it_was_asked_is_no_reason(tmp_path: Path) -> None:
    """The caution was still being said, and the record had "no more than practice" for it."""
    t = to_run_1(Dialogue(tmp_path)).hear("scrap the test")
    t._hear_out("#")
    talk, t._talk = t._talk, lambda: None
    t.press("#", 0.1).press("4", 0.1).cues("refused")
    assert t.state.asks_why and not t.state.why
    t._talk = talk
    t._talk()
    assert why(t.key("1")) == "the test was scrapped: wrong sample"
