"""An answer counts only after its question could be heard: the slips that were seen, played on the rehearsal's clock with its speech.

The rule is ours (assistant/core/asked.py); no source.
"""
from __future__ import annotations

import json
from pathlib import Path

import pytest

from assistant.cli import DEMO, main
from assistant.core.asked import APART_S
from tests.scenario.test_sequential import RUN_1, RUN_2, to_run_1, to_run_2
from tests.scenario.transcript import Transcript

DOUBLES_S = (0.05, 0.26, 0.6, 1.5, 2.6, 3.6, 3.95)


@pytest.fixture
def t(tmp_path: Path) -> Transcript:
    return Transcript(tmp_path)


def played(tmp_path: Path, capsys: pytest.CaptureFixture[str], lines: list[dict], header: dict | None = None) -> list[dict]:
    """The JSON lines of a rehearsal: these answers, and the demo's for what they leave out."""
    own = {one["on"] for one in lines}
    demo = [json.loads(line) for line in DEMO.read_text(encoding="utf-8").splitlines()]
    rest = [one for one in demo[1:] if one["on"] not in own] if header is None else []
    script = tmp_path / "script.jsonl"
    script.write_text("\n".join(map(json.dumps, [header or demo[0], *lines, *rest])) + "\n", encoding="utf-8")
    main(["rehearse", str(script), "--answer-rest", "--json", "--journal", str(tmp_path / "journal")])
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def at_of(lines: list[dict], kind: str, ident: str) -> list[float]:
    return [one["at"] for one in lines if one["kind"] == kind and one.get("id") == ident]


@pytest.mark.parametrize("before, question, after", [("flood.1.3", "clamps", "pump.1.1"), ("finish.bleed", "finish.empty",
                                                                                         "finish.unclamp")])
def test_a_doubled_key_answers_no_safety_question(tmp_path: Path, capsys: pytest.CaptureFixture[str], before: str, question: str,
                                                  after: str) -> None:
    lines = played(tmp_path, capsys, [{"on": before, "key": "# #"}])
    asked, answered = at_of(lines, "listening", question), at_of(lines, "said", after)
    assert answered and answered[0] >= asked[0] + 1.0, "only the cooperative technician's yes, a second after the question"


@pytest.mark.parametrize("gap", DOUBLES_S)
def test_nor_does_one_a_little_later(t: Transcript, gap: float) -> None:
    t.leak_hold()
    for prompt in ("leak.down", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close", "flood.1.1", "flood.1.2", "flood.1.3"):
        t.at(prompt).key("#")
    t.at("clamps").press("#", gap).cues("refused").at("clamps")


def test_the_whole_question_and_a_held_key_do(t: Transcript) -> None:
    t.leak_hold()
    for prompt in ("leak.down", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close", "flood.1.1", "flood.1.2", "flood.1.3"):
        t.at(prompt).key("#")
    t.at("clamps").key("#").says("hold the hash key").at("clamps").key("#-held").at("pump.1.1")


@pytest.mark.parametrize("test, before, question", [("slump", "slump.confirm", "in_time"), ("sampling", "portion.2", "in_time")])
def test_nor_is_a_result_made_valid_by_it(tmp_path: Path, capsys: pytest.CaptureFixture[str], test: str, before: str,
                                          question: str) -> None:
    reading = [{"on": "slump", "say": "four and a quarter"}] if test == "slump" else []
    lines = played(tmp_path, capsys, [*reading, {"on": before, "key": "# #"}], {"test": test})
    asked = at_of(lines, "listening", question)
    after = [one for one in lines if one["kind"] == "said" and one["at"] > asked[0] and not one["id"].startswith(question)]
    assert after[0]["at"] >= asked[0] + 1.0


def test_a_doubtful_reading_is_kept_by_an_answer_that_says_so(t: Transcript) -> None:
    """7*13## took a doubtful E2.1 0.3 s into its read-back."""
    to_run_1(t).one_run(1, RUN_1).between().to_equilibrium(2, 1, "14.50").key("7 * 1 3 #").at("equilibrium.2.1.confirm")
    t.press("#", 0.3).takes_nothing().press("#", 5).says("hold the hash key").takes_nothing()
    t.key("#-held").takes("equilibrium.2.1", "7.13")


def test_a_deciding_reading_needs_its_whole_read_back(t: Transcript) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.key("3 1 * 8 1 #").at("equilibrium.1.3.confirm").press("#", 0.6).at("equilibrium.1.3.confirm").key("#")
    t.at("equilibrium.1.3.again").says("Look at the gauge once more")
    for key in "31*81#":
        t.press(key, 0.05)
    t.at("equilibrium.1.3.again").takes_nothing()  # twice from one look
    t.key("3 1 * 8 1 #").key("#").takes("equilibrium.1.3", "31.81")


def test_keyed_and_then_said_is_twice(t: Transcript) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.key("3 1 * 8 1 #").key("#").hear("three one point eight one").hear("yes").takes("equilibrium.1.3", "31.81")


def test_after_a_restart_nothing_counts_before_its_caution(t: Transcript) -> None:
    """At 0.3 s a # took the E1.3 that had been read back before the battery died."""
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.key("3 1 * 8 1 #").kill()
    t._talk = lambda: None
    t.restart(later=2).press("#", 0.3).takes_nothing().at("equilibrium.1.3.confirm")


def test_a_key_counts_from_when_it_was_pressed(t: Transcript) -> None:
    """The station was busy with a slow disk: what was pressed before the question was over is no answer to it."""
    to_run_2(t).one_run(2, RUN_2).hear("next").hear("next").at("finish.bleed")
    t._hear_out("next")
    pressed = t.now
    t.hear("next").at("finish.empty").wait(30)
    from assistant.core.events import KeyPressed
    t.event(KeyPressed(pressed + 0.2, "#-held")).at("finish.empty").event(KeyPressed(t.now, "#-held")).at("finish.unclamp")


def test_two_equal_answers_are_apart_where_one_is_to_a_safety_question(t: Transcript) -> None:
    to_run_2(t).one_run(2, RUN_2).hear("next").at("finish.letdown").key("#").at("finish.bleed")
    t.press("#", APART_S - 0.5).cues("refused").at("finish.bleed").press("#", 0.6).at("finish.empty")


def test_a_question_that_was_cut_off_is_asked_again(t: Transcript) -> None:
    t.leak_hold()
    for prompt in ("leak.down", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close", "flood.1.1", "flood.1.2"):
        t.at(prompt).hear("next")
    t._hear_out("next")
    talk, t._talk = t._talk, lambda: None
    t.hear("next").at("clamps").press("D", 0.5)  # time left, over the question
    t._talk = talk
    t._talk()
    t.press("#-held", 12).at("clamps").says("Are all 6 clamps tight").key("#-held").at("pump.1.1")


def test_a_test_that_began_before_goes_on_by_its_own_rules() -> None:
    from assistant.core.events import TestStarted, from_plain, to_plain
    plain = to_plain(TestStarted(0.0, "sequential", {}, {}))
    assert from_plain(plain).rules == 1
    del plain["rules"]
    assert from_plain(plain).rules == 0
