"""The default round of one technician on the virtual clock, in the three wordings: what begins and ends when.

The work of the hands is hands.toml's, the words are the station's. The technician works while it talks and answers when both are
over. Before: air began at 7:59 and moulding at 20:44 in normal wording. `python -m tests.scenario.test_solo_round` prints the table.
"""
from __future__ import annotations

import json
import tempfile
import tomllib
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from assistant.core import round as core
from assistant.core.settings import Settings
from assistant.core.state import Phase
from assistant.record.journal import Journal
from assistant.rehearsal.script import read as read_script
from assistant.rehearsal.whole_round import RoundRehearsal
from tests.scenario.test_round import read, recorded, six

HANDS = tomllib.loads(Path(__file__).with_name("hands.toml").read_text(encoding="utf-8"))
TESTS = core.PLAN
TYPE_B = tuple("pressure-air" if test == "sequential" else test for test in TESTS)
GIVEN = {"bowl_volume_ft3": "0.2490", "measure_volume_ft3": "0.2494", "chamber_ratio": "0.06", "aggregate_correction_pct": "0.3",
         "limits": {"slump": ["3", "5"], "air_content": ["4.5", "7.5"], "temperature": ["50", "90"], "system_air_metric": [None, "0.30"]}}
READINGS = {"slump": "4.25", "temperature": "68", "tare": "7.8", "gross": "43.0", "air.reading": "6.2", "cylinder.set": "1",
            "cylinder.count": "4"}


class Solo(RoundRehearsal):
    """A practised technician: each prompt is answered when its words and its work are over."""

    def _natural(self, answer: str) -> float:
        when, state = super()._natural(answer), self.station.state
        prompts = self.__dict__.setdefault("worked", set())
        key = (id(self.station), state.prompt)
        if state.procedure is None or key in prompts:
            return when
        prompts.add(key)
        began = self.now if state.asked.began is None else state.asked.began
        told = [step.id for step in state.breath()] if state.phase is Phase.TELL else [state.prompt]  # in one breath
        return max(when, began + sum(HANDS[state.procedure.test].get(each, 0) for each in told))


class Played(NamedTuple):
    code: int
    lines: list[dict[str, Any]]
    tests: list[dict[str, Any]]
    """As recorded."""

    @property
    def said(self) -> list[str]:
        return [line["text"] for line in self.lines if line["kind"] == "said"]

    @property
    def counted(self) -> dict[str, float]:
        """Test -> seconds after the last portion at which it began, or was completed."""
        return {line["test"]: line["after_s"] for line in self.lines if line["kind"] in ("begun", "completed")}

    @property
    def over(self) -> dict[str, float]:
        """Test -> seconds after the last portion at which it was over."""
        portion = next(line["at"] - line["after_s"] for line in self.lines if line["kind"] == "begun")
        return {test["test"]: end - portion for test, end in zip(self.tests, self._ends()) if test["test"] != "sampling"}

    def _ends(self) -> list[float]:
        return [line["at"] for line in self.lines if line["kind"] == "said" and line["id"] == "end"]


@cache
def solo(wording: str, tests: tuple[str, ...] = TESTS, **more: Any) -> Played:
    lines = [line for ident, value in READINGS.items() for line in read(ident, value)]
    lines += six() if "sequential" in tests else []
    first = {"test": "round", "tests": list(tests), "speech": wording, **GIVEN, **more}
    known = {"slump": ("slump",), "density": ("tare", "gross"), "pressure-air": ("air.reading",), "temperature": ("temperature",),
             "cylinders": ("cylinder.set", "cylinder.count")}
    mine = {ident for test in tests for ident in known.get(test, ())}
    lines = [line for line in lines if line["on"] in mine or line["on"] not in READINGS]
    out: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder:
        with Journal(Path(folder)) as journal:
            played = Solo(read_script(map(json.dumps, (first, *lines)), "solo", Path(folder)), journal, out.append, True)
            code = played.run()
        return Played(code, out, recorded(Path(folder)))


WORDINGS = ("terse", "normal", "coaching")


@pytest.mark.parametrize("wording", WORDINGS)
@pytest.mark.parametrize("tests", [TESTS, TYPE_B], ids=["sequential", "type B"])
def test_alone_all_but_the_moulding_is_in_time_and_that_is_said_before(wording: str, tests: tuple[str, ...]) -> None:
    """C172, from memory: 5 minutes to slump and air, 15 to the moulding; C1064, second-hand: 5 to have read the temperature."""
    played = solo(wording, tests)
    begun, air = played.counted, tests[-2]
    assert {test["test"]: test["verdict"] for test in played.tests if test["test"] in ("slump", "temperature", air)} == {
        "slump": "pass", "temperature": "pass", air: "pass"}
    assert all(begun[test] <= 300 for test in tests if test != "cylinders"), begun
    late = begun["cylinders"] > 900
    assert late == (tests == TESTS and wording != "terse"), begun
    assert played.code == late
    before = played.said[0]
    assert ("Alone this would be late: moulding" in before) == late and ("Leave moulding to a second person." in before) == late
    assert ("A second person for moulding would have made it in time." in played.said[-1]) == late
    assert any(line["id"] == "next.sampling" for line in played.lines if line["kind"] == "listening")


def test_what_a_test_will_lack_is_said_before_the_sample_is_taken() -> None:
    """There is still time to get the aggregate correction; while the clock of the air runs there is none."""
    lacking = "No aggregate correction was given: 0.0 is used, so the air content may be too high."
    assert lacking in solo("normal", ("slump", "pressure-air"), aggregate_correction_pct=None).said[0]
    assert lacking not in solo("normal").said[0]


@pytest.mark.parametrize("wording", WORDINGS)
def test_what_is_foreseen_is_what_happens(wording: str) -> None:
    """To half a minute for what begins within five minutes, to 75 s for the moulding."""
    for tests in (TESTS, TYPE_B):
        settings = Settings.from_mapping({"bowl_volume_ft3": "0.249"})
        pair, ready = core.one_bowl(tests, settings), {"temperature": 120.0}
        order = core.in_order(tests, settings, 1, core.FIRST_S, ready, pair)
        told = core.times(order, settings, core.FIRST_S, ready, pair, core.PACE[wording])
        for test, at in solo(wording, tests).counted.items():
            assert abs(told[test][0] - at) <= (75 if test == "cylinders" else 30), (test, told[test][0], at)


def test_one_filling_of_the_bowl_serves_density_and_air() -> None:
    """C138, second-hand: the bowl may be the measure. 43.0 - 7.8 lb in 0.2490 cubic feet are 141.4 lb/ft3 (0.2494: 141.1)."""
    played = solo("normal")
    density, air = (next(one for one in played.tests if one["test"] == test) for test in ("density", "sequential"))
    assert [one["test"] for one in played.tests].index("sequential") == [one["test"] for one in played.tests].index("density") + 1
    assert str(density["results"][0]["rounded"]) == "141.4" and density["measured_in"] == "bowl of the air meter"
    assert abs(density["after_last_portion_s"] - air["after_last_portion_s"]) <= 1, "air began when its bowl was filled"
    asked = [line["id"] for line in played.lines if line["kind"] == "listening"]
    assert "rod.1" in asked and "fill.1" not in asked, "filled once"
    assert not any(text.startswith("Rod it?") for text in played.said), "the sequential test says that it is rodded"
    own = solo("normal", density_in="measure")
    assert str(next(one for one in own.tests if one["test"] == "density")["results"][0]["rounded"]) == "141.1"
    assert "Leave air to a second person." in own.said[0], own.said[0]


def test_a_bowl_without_a_volume_is_no_measure() -> None:
    assert core.one_bowl(TESTS, Settings()) is None


def test_no_washing_and_no_caution_twice_while_a_clock_runs() -> None:
    played = solo("normal")
    said = played.said
    assert not any(each in text for text in said[:-1] for each in ("wash mould", "wash everything", "wipe it clean"))
    assert sum("wash it off skin" in text for text in said) == 1, "when the sample is taken"
    assert said[-1].count("Empty and wash everything now.") == 1
    for once in ("The bowl is still under pressure", "The lid will be pushed up", "Never loosen a clamp with pressure",
                 "The bowl holds about 30 psi of caustic water"):
        assert any(once in text for text in said), "what the meter's pressure can do is said when it can"


def table() -> str:
    rows = ["| Test | " + " | ".join(f"{wording}: counts, over" for wording in WORDINGS) + " |", "|---|" + "---|" * len(WORDINGS)]
    for tests in (TESTS, TYPE_B):
        for test in tests if tests == TESTS else ("pressure-air", "cylinders"):
            cells = [f"{_clock(solo(wording, tests).counted[test])}, {_clock(solo(wording, tests).over[test])}" for wording in WORDINGS]
            rows.append(f"| {test}{' after pressure-air' if tests != TESTS and test == 'cylinders' else ''} | {' | '.join(cells)} |")
    return "\n".join(rows)


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02}"


if __name__ == "__main__":
    print(table())
