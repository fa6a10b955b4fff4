"""An answer counts only after its question could be heard: the slips that were seen, on the rehearsal's clock with its speech.

The rule is ours (assistant/core/asked.py); no source.
"""
from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.cli import DEMO, main
from assistant.core.asked import APART_S
from assistant.core.events import RULES, GaugeSteady, Heard, KeyPressed, Suspended, TestStarted, from_plain, to_plain
from assistant.record import summary
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_sequential import RUN_1, RUN_2, to_run_1, to_run_2

DOUBLES_S = (0.05, 0.26, 0.6, 1.5, 2.6, 3.6, 3.95)


@pytest.fixture
def t(tmp_path: Path) -> Dialogue:
    return Dialogue(tmp_path)


def to_the_clamps(t: Dialogue) -> Dialogue:
    for prompt in ("leak.down", "scope", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close", "flood.1.1", "flood.1.2",
                   "flood.1.3"):
        t.at(prompt).key("#")
    return t.at("clamps")


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
def test_nor_does_one_a_little_later(t: Dialogue, gap: float) -> None:
    t.leak_hold()
    to_the_clamps(t)
    t.at("clamps").press("#", gap).cues("refused").at("clamps")


def test_the_whole_question_and_a_held_key_do(t: Dialogue) -> None:
    t.leak_hold()
    to_the_clamps(t)
    t.at("clamps").key("#").says("hold the hash key").at("clamps").key("#-held").at("pump.1.1")


def test_nor_is_a_result_made_valid_by_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = played(tmp_path, capsys, [{"on": "portion.2", "key": "# #"}], {"test": "sampling"})
    asked = at_of(lines, "listening", "middle")
    after = [one for one in lines if one["kind"] == "said" and one["at"] > asked[0] and not one["id"].startswith("middle")]
    assert after[0]["at"] >= asked[0] + 1.0


def test_a_doubtful_reading_is_kept_by_an_answer_that_says_so(t: Dialogue) -> None:
    """7*13## took a doubtful E2.1 0.3 s into its read-back."""
    to_run_1(t).one_run(1, RUN_1).between().to_equilibrium(2, 1, "14.50").key("7 * 1 3 #").at("equilibrium.2.1.confirm")
    t.press("#", 0.3).takes_nothing().press("#", 5).says("hold the hash key").takes_nothing()
    t.key("#-held").takes("equilibrium.2.1", "7.13")


def test_a_deciding_reading_needs_its_whole_read_back(t: Dialogue) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.key("3 1 * 8 1 #").at("equilibrium.1.3.confirm").press("#", 0.6).at("equilibrium.1.3.confirm").key("#")
    t.at("equilibrium.1.3.again").says("Look at the gauge once more")
    for key in "31*81#":
        t.press(key, 0.05)
    t.at("equilibrium.1.3.again").takes_nothing()  # twice from one look
    t.key("3 1 * 8 1 #").key("#").takes("equilibrium.1.3", "31.81")


def test_keyed_and_then_said_is_twice(t: Dialogue) -> None:
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.key("3 1 * 8 1 #").key("#").hear("three one point eight one").hear("yes").takes("equilibrium.1.3", "31.81")


def test_after_a_restart_nothing_counts_before_its_caution(t: Dialogue) -> None:
    """At 0.3 s a # took the E1.3 that had been read back before the battery died."""
    to_run_1(t).one_step(1, 1, "14.50", "7.25").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.key("3 1 * 8 1 #").kill()
    t._talk = lambda: None
    t.restart(later=2).press("#", 0.3).takes_nothing().at("equilibrium.1.3.confirm")


def test_a_key_counts_from_when_it_was_pressed(t: Dialogue) -> None:
    """The station was busy with a slow disk: what was pressed before the question was over is no answer to it."""
    to_run_2(t).one_run(2, RUN_2).hear("next").hear("next").at("finish.bleed")
    t._hear_out("next")
    pressed = t.now
    t.hear("next").at("finish.empty").wait(30)
    t.event(KeyPressed(pressed + 0.2, "#-held")).at("finish.empty").event(KeyPressed(t.now, "#-held")).at("finish.unclamp")


def test_two_equal_answers_are_apart_where_one_is_to_a_safety_question(t: Dialogue) -> None:
    to_run_2(t).one_run(2, RUN_2).hear("next").at("finish.letdown").key("#").at("finish.bleed")
    t.press("#", APART_S - 0.5).cues("refused").at("finish.bleed").press("#", 0.6).at("finish.empty")


def test_a_question_that_was_cut_off_is_asked_again(t: Dialogue) -> None:
    t.leak_hold()
    for prompt in ("leak.down", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close", "flood.1.1", "flood.1.2"):
        t.at(prompt).hear("next")
        if prompt == "leak.down":
            t.at("scope").hear("yes")
    t._hear_out("next")
    talk, t._talk = t._talk, lambda: None
    t.hear("next").at("clamps").press("D", 0.5)  # time left, over the question
    t._talk = talk
    t._talk()
    t.press("#-held", 12).at("clamps").says("Are all 6 clamps tight").key("#-held").at("pump.1.1")


def test_a_test_that_began_before_goes_on_by_its_own_rules() -> None:
    plain = to_plain(TestStarted(0.0, "sequential", {}, {}))
    assert from_plain(plain).rules == RULES
    del plain["rules"]
    assert from_plain(plain).rules == 0


GRAVE = {"leak.charge", "leak.cure", "leak.stop", "leak.down", "scope.stop", "full.stop", "fill.1", "close", "clamps", "clamps.fix", "letdown.1", "run_2.far",
         "finish.letdown", "finish.empty", "finish.unclamp",
         *(f"{kind}.{run}.{number}" for kind in ("pump", "tap") for run in (1, 2) for number in (1, 2, 3)),
         *(f"settle.{run}.{number}" for run in (1, 2) for number in (1, 2, 3) if (run, number) != (1, 1))}


def test_these_are_the_safety_questions_of_the_sequential_test(t: Dialogue) -> None:
    """Whoever drops one does it knowingly: run 2 has no other look at clamps and petcocks than pump.2.1."""
    assert {step.id for step in t.state.procedure.steps if step.grave} == GRAVE


@pytest.mark.parametrize("gap", [2.2, 3.6])
def test_the_look_at_the_clamps_in_run_2_is_heard_out(t: Dialogue, gap: float) -> None:
    to_run_1(t).one_run(1, RUN_1)
    for prompt in ("letdown.1", "bleed.2", "flood.2.1", "flood.2.2", "flood.2.3"):
        t.at(prompt).key("#")
    t.at("pump.2.1").press("#", gap).cues("refused").at("pump.2.1")


def test_a_failure_that_was_said_is_not_scrapped_away(t: Dialogue) -> None:
    to_run_2(t).one_run(2, ("7.32", "18.77", "32.11")).hear("next").hear("scrap the test").hear("yes")
    t.records("verdict", verdict="fail")
    found = summary.of(t.journal, 1)
    assert found["verdict"] == "fail" and "scrapped" in found["why"] and summary.exit_code(t.state) == 1


def test_numbers_are_not_tried_until_no_doubt_is_said(t: Dialogue) -> None:
    """31.60, no; 31.75, no; 31.99 was a plain pass."""
    to_run_2(t).one_step(2, 1, "14.50", "7.30").one_step(2, 2, "30.00", "18.73").to_equilibrium(2, 3, "45.00")
    for value in ("thirty one point six zero", "thirty one point seven five"):
        t.hear(value).says("below run 1").hear("no")
    t.reading("equilibrium.2.3", "31.99").hear("next").records("verdict", verdict="repeated")
    t.says("entered anew after 2 doubts were said")
    assert sum("was denied after a doubt" in note.text for note in t.state.notes) == 2


def test_once_denied_is_a_mishearing(t: Dialogue) -> None:
    to_run_2(t).one_step(2, 1, "14.50", "7.30").one_step(2, 2, "30.00", "18.73").to_equilibrium(2, 3, "45.00")
    t.hear("thirty one point six zero").hear("no").reading("equilibrium.2.3", "31.99").hear("next").records("verdict", verdict="pass")


def test_what_stands_out_is_not_quietly_made_to_fit(t: Dialogue) -> None:
    """E1.1 7.97; "step 1 stands out"; five times B, and 7.25 was a plain pass."""
    to_run_1(t).one_step(1, 1, "14.50", "7.97").one_step(1, 2, "30.00", "18.63").to_equilibrium(1, 3, "45.00")
    t.hear("thirty one point eight one").says("step 1 stands out").hear("no")
    t.hear("take it back").at("change.confirm")


def test_after_a_restart_an_equilibrium_says_that_nobody_knows_of_the_lever(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").kill().restart(later=600).reading("equilibrium.1.1", "7.25")
    t.records("note", id="equilibrium.1.1")
    assert any("whether the lever was still held" in note.text for note in t.state.notes)


def test_what_was_slept_through_is_asked_again(t: Dialogue) -> None:
    to_run_2(t).one_run(2, RUN_2).hear("next").hear("next").hear("next").at("finish.empty")
    t.now += 120
    t.event(Suspended(t.now, 120.0)).says("Are both petcocks wide open").press("#-held", 0.2).at("finish.empty")


def test_what_was_refused_between_two_equal_answers_does_not_part_them(t: Dialogue) -> None:
    """"Next", a "yes" that nothing asked for, "next" 2.9 s later: a bleeding was passed over."""
    to_run_2(t).one_run(2, RUN_2).hear("next").at("finish.letdown").hear("next").at("finish.bleed")
    t.now += 1.2
    t.event(Heard(t.now, "yes")).says("Nothing is asked with yes or no").at("finish.bleed")
    t.now += 1.7
    t.event(Heard(t.now, "next")).at("finish.bleed").hear("next").at("finish.empty")


@pytest.mark.parametrize("answer", ("#", "next"))
def test_what_may_be_left_out_is_not_left_out_before_it_was_asked(tmp_path: Path, answer: str) -> None:
    """Its question was cut off by "time left", and never said again."""
    t = Dialogue(tmp_path, "delivery")
    while t.state.prompt != "ticket.revolutions":
        t.hear("next")
    t._hear_out("#")
    talk, t._talk = t._talk, lambda: None
    t.event(Heard(t.now, "next")).at("ticket.volume").press("D", 0.2)
    t._talk = talk
    t._talk()
    t.now += 5
    t.event(KeyPressed(t.now, "#") if answer == "#" else Heard(t.now, "next")).cues("refused").at("ticket.volume")
    t.says("How much is this load").key("#").at("ticket.location")


@pytest.mark.parametrize("how", ["moved", "disagrees"])
def test_a_reading_that_the_gauge_asks_for_anew_is_asked_for(t: Dialogue, how: str) -> None:
    """The read-back was broken off: what was said to it is no reading of the gauge that moved."""
    to_run_1(t)
    if how == "moved":
        t.at("pump.1.1").key("#").wait(8).at("charge.1.1").event(GaugeSteady(t.now, Decimal("14.50"), Decimal("0.01"), since=t.now - 1))
        t.at(asks := "charge.1.1.confirm").wait(5)
        t._talk = lambda: None
        t.event(GaugeSteady(t.now, Decimal("14.58"), Decimal("0.01"), since=t.now - 1))
    else:
        t.to_equilibrium(1, 1, "14.50").key("7 * 2 5 #").at(asks := "equilibrium.1.1.confirm").wait(5)
        t.event(GaugeSteady(t.now, Decimal("7.40"), Decimal("0.01"), since=t.now - 1))
        t._talk = lambda: None
        t.event(Heard(t.now, "yes"))
    asks = asks.removesuffix(".confirm")
    t.at(asks).takes_nothing()
    t.now += 0.2
    t.event(Heard(t.now, "seven point two five" if how == "disagrees" else "fourteen point five zero")).cues("refused").at(asks)


def test_a_key_after_a_stray_digit_counts_as_it_did_in_a_test_from_before(t: Dialogue) -> None:
    to_run_1(t).to_equilibrium(1, 1, "14.50").key("7 * 2 5 #").at("equilibrium.1.1.confirm")
    t.station.state = replace(t.state, rules=0)
    t.press("7").press("#", 0.3).takes("equilibrium.1.1", "7.25")
