"""Terse, normal and coaching: less or more is said, the same is asked, and a caution is a caution in each."""
from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from assistant.cli import DEMO
from assistant.core import procedure
from assistant.core.settings import Settings
from assistant.files.jsonline import dumps, loads
from assistant.procedures import load
from assistant.record.journal import Journal
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import read
from assistant.station import voice_out

ROOT = Path(__file__).resolve().parents[2]


def rehearsed(wording: str) -> list[dict]:
    lines: list[dict] = []
    source = DEMO.read_text(encoding="utf-8").splitlines()
    source[0] = dumps({**loads(source[0]), "speech": wording})
    with TemporaryDirectory() as folder, Journal(Path(folder)) as journal:
        Rehearsal(read(source, "demo", DEMO.parent), journal, lines.append, answer_rest=True).run()
    return lines


@pytest.fixture(scope="module")
def tests() -> dict[str, list[dict]]:
    return {wording: rehearsed(wording) for wording in ("terse", "normal", "coaching")}


def of(lines: list[dict], kind: str) -> list:
    return [tuple(value for key, value in one.items() if key not in ("at", "source")) for one in lines if one["kind"] == kind]


def test_every_wording_asks_the_same_takes_the_same_and_ends_the_same(tests: dict) -> None:
    """But that terse tells what runs on in one breath, and waits once for it."""
    one_breath = {("listening", step.id) for step in procedure.build(load("sequential"), Settings()).steps if getattr(step, "run_on", False)}
    assert one_breath
    for kind in ("listening", "taken", "result", "verdict", "refused"):
        assert of(tests["normal"], kind) == of(tests["coaching"], kind)
        assert of(tests["terse"], kind) == [told for told in of(tests["normal"], kind) if told not in one_breath]
        assert of(tests["terse"], kind) or kind == "refused"


def test_cautions_and_read_backs_are_said_in_every_wording(tests: dict) -> None:
    def cautions(wording: str) -> list:
        return [one for one in of(tests[wording], "said") if one[1].endswith(".caution")]
    assert len(cautions("normal")) > 5
    assert cautions("terse") == cautions("normal") == cautions("coaching")
    confirmed = [[one[1] for one in of(tests[wording], "said") if one[1].endswith(".confirm")] for wording in tests]
    assert confirmed[0] == confirmed[1] == confirmed[2]


def test_terse_says_less_and_coaching_more(tests: dict) -> None:
    length = {wording: sum(len(one[2]) for one in of(lines, "said")) for wording, lines in tests.items()}
    assert length["terse"] < 0.7 * length["normal"]
    assert length["coaching"] > 1.1 * length["normal"]


def test_in_terse_wording_the_cue_asks_for_what_the_hold_led_to_but_asked_again_it_is_said(tests: dict) -> None:
    said = [one[1:] for one in of(tests["terse"], "said")]
    assert ("equilibrium.1.1", "Equilibrium?") not in said
    assert ("equilibrium.1.1", "Still holding. Equilibrium? Read it with the lever still down, to the second decimal.") in \
        [one[1:] for one in of(tests["coaching"], "said")]
    lines: list[dict] = []
    script = ['{"test": "sequential", "speech": "terse"}', '{"on": "leak.ask", "say": "no"}',
              '{"on": "charge.1.1", "say": "say again"}']
    with TemporaryDirectory() as folder, Journal(Path(folder)) as journal:
        Rehearsal(read(script, "script", DEMO.parent), journal, lines.append, answer_rest=True).run()
    at = [(one["kind"], one.get("name") or one.get("text") or one.get("id")) for one in lines]
    asked = at.index(("listening", "charge.1.1"))
    assert ("cue", "settled") in at[asked - 3:asked]
    assert ("said", "Start?") not in at[:asked]
    assert ("said", "Start?") in at[asked:]


@pytest.mark.parametrize("wording", ["terse", "normal", "coaching"])
def test_the_phrases_prepared_are_the_ones_that_will_be_said(tests: dict, wording: str) -> None:
    prepared = set(voice_out.fixed(procedure.build(load("sequential"), Settings()), wording))
    said = [one[2] for one in of(tests[wording], "said")]
    late = [text for text in said if text not in prepared]
    assert len(late) < 0.4 * len(said)        # read-backs and results vary
    assert all(any(number in text for number in ("zero", "one", "two", "three", ",", ".")) for text in late)


def test_the_usual_answers_are_ones_that_the_machine_gives() -> None:
    source = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "assistant" / "core").glob("*.py"))
    assert [one for one in voice_out.ANSWERS if f'"{one}"' not in source and one != "test.done"] == []
