"""Air by the volumetric method, from the first layer to washing. Every rule from memory (assistant/core/methods/volumetric_air.toml)."""
from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from assistant import work
from assistant.core.effects import Cadence
from assistant.core.procedure import build
from assistant.core.settings import Settings
from assistant.procedures import load
from assistant.record import summary
from tests.command import bowlside
from tests.scenario.dialogue import Dialogue
from tests.scenario.test_round import begun, play, read, recorded, said, script

D = Decimal
LIMITS = {"air_content": ["4.5", "7.5"]}


def begin(folder: Path, **settings: Any) -> Dialogue:
    return Dialogue(folder, "volumetric-air", aggregate_correction_pct=None, chamber_ratio=None, **{"limits": LIMITS, **settings})


def passing(t: Dialogue, *prompts: str) -> Dialogue:
    for prompt in prompts:
        t.at(prompt).hear("next")
    return t


def to_rolling(t: Dialogue, alcohol: str = "2.0") -> Dialogue:
    passing(t, "bowl.1", "bowl.2", "strike", "top", "pour").reading("alcohol", alcohol)
    passing(t, "zero").at("shake").hear("next").wait(60)
    return t.at("free").hear("yes").at("roll.1")


def rolled(t: Dialogue, number: int, longer: int = 0) -> Dialogue:
    """One minute of rolling, and a level that stands after two minutes, or so many looks later."""
    t.at(f"roll.{number}").hear("next").wait(70).at(f"stand.{number}").hear("next")
    t.at(f"wait.{number}").wait(120)
    for _ in range(longer):
        t.at(f"still.{number}").hear("no").at(f"watch.{number}").wait(20)
    return t.at(f"still.{number}").hear("yes").at(f"foam.{number}")


def opened(t: Dialogue) -> Dialogue:
    return passing(t, "open").at("loose").hear("yes").at("tight").hear("yes")


def test_two_levels_that_agree_are_the_air(tmp_path: Path) -> None:
    """5.25 and then 5.50, within 0.25: the later one, 5.5 (by hand); no correction under 5 pt, no cups, none of the aggregate."""
    t = rolled(to_rolling(begin(tmp_path)), 1).hear("yes").at("scale").hear("yes").reading("level.1", "5.25")
    rolled(t, 2).hear("yes").reading("level.2", "5.50")
    opened(t).says("Air content, five, point, five, zero percent.", "Pass.").does_not_say("aggregate")
    t.records("result", name="air_content", rounded=D("5.50"), value=D("5.50")).records("verdict", verdict="pass")
    passing(t, "wash")
    assert t.finished == "done" and summary.exit_code(t.state) == 0
    t.replayed()


def test_cups_correction_and_a_third_rolling(tmp_path: Path) -> None:
    """8.75, 8.25, 8.00; two cups; 6 pt of alcohol: 8.00 + 2 - 0.25 = 9.75 (by hand), over 7.5."""
    t = rolled(to_rolling(begin(tmp_path, alcohol_correction_pct="0.25"), "6.0"), 1).hear("yes")
    t.at("scale").hear("no").at("cups").says("The alcohol burns").reading("cups", "2").reading("level.1", "8.75")
    rolled(t, 2).hear("yes").reading("level.2", "8.25").says("0.50 apart", "Roll it again")
    rolled(t, 3).hear("yes").reading("level.3", "8.00")
    opened(t).says("nine, point, seven, five percent", "Fail", "over 7.5").records("result", name="air_content", value=D("9.75"))


def test_levels_that_never_agree_give_no_air(tmp_path: Path) -> None:
    t = rolled(to_rolling(begin(tmp_path)), 1).hear("yes").at("scale").hear("yes").reading("level.1", "6.00")
    rolled(t, 2).hear("yes").reading("level.2", "5.50")
    rolled(t, 3).hear("yes").reading("level.3", "5.00").at("wash").says("invalid", "no two levels in a row")
    t.records("result", name="air_content", value=None)


def test_much_alcohol_without_its_correction_decides_nothing(tmp_path: Path) -> None:
    t = rolled(to_rolling(begin(tmp_path), "5.0"), 1).hear("yes").at("scale").hear("yes").reading("level.1", "5.25")
    rolled(t, 2).hear("yes").reading("level.2", "5.25")
    opened(t).says("preliminary, no correction for so much alcohol").records("verdict", verdict="none")


@pytest.mark.parametrize(("at", "words"), [("foam.1", "More foam"), ("loose", "undisturbed"), ("tight", "leaked")])
def test_what_makes_it_invalid(tmp_path: Path, at: str, words: str) -> None:
    t = rolled(to_rolling(begin(tmp_path)), 1)
    if at != "foam.1":
        t.hear("yes").at("scale").hear("yes").reading("level.1", "5.25")
        passing(rolled(t, 2).hear("yes").reading("level.2", "5.25"), "open")
        if at == "tight":
            t.at("loose").hear("yes")
    t.at(at).hear("no").at("wash").says("invalid", words).records("result", name="air_content", value=None)


@pytest.mark.parametrize(("looks", "counts"), [(1, True), (15, False)])
def test_the_level_stands_within_six_minutes_by_the_stations_clock(tmp_path: Path, looks: int, counts: bool) -> None:
    t = rolled(to_rolling(begin(tmp_path)), 1, looks).hear("yes")
    if counts:
        t.at("scale")
    else:
        t.at("wash").says("it took longer than 6 minutes").records("verdict", verdict="invalid")


@pytest.mark.parametrize(("answer", "then"), [("yes", "scale"), ("no", "wash")])
def test_a_clock_that_a_restart_lost_is_asked_for(tmp_path: Path, answer: str, then: str) -> None:
    t = to_rolling(begin(tmp_path)).hear("next").wait(70).at("stand.1").hear("next").at("wait.1").wait(60).kill().restart("boot-2")
    t.wait(130).at("still.1").hear("yes").at("foam.1").hear("yes").at("in_time.1").says("The clock was lost").hear(answer).at(then)
    if then == "wash":
        t.says("invalid", "not steady within 6 minutes")


def test_it_is_shaken_again_until_it_is_free_and_never_upside_down_for_more_than_five_seconds(tmp_path: Path) -> None:
    t = begin(tmp_path)
    passing(t, "bowl.1", "bowl.2", "strike", "top", "pour").reading("alcohol", "2.0")
    passing(t, "zero").at("shake").says("two hands").hear("next")
    cues = [when for _, when in next(effect.cues for effect in t.effects if isinstance(effect, Cadence))]
    assert max(b - a for a, b in zip(cues, cues[1:])) <= 5 and cues[-1] - cues[0] >= 45
    t.wait(60).at("free").hear("no").at("shake")


def test_a_minute_of_rolling(tmp_path: Path) -> None:
    t = to_rolling(begin(tmp_path)).says("Feet clear").hear("next")
    cues = next(effect.cues for effect in t.effects if isinstance(effect, Cadence))
    assert cues[-1][1] - cues[0][1] == pytest.approx(60)


def test_cautions_where_they_matter() -> None:
    steps = {one.id: one.caution for one in build(load("volumetric-air"), Settings()).steps}
    assert all("no flame" in steps[step] for step in ("pour", "cups", "open", "wash"))
    assert all("wo hands" in steps[step] and "feet clear" in steps[step].lower() for step in ("shake", "roll.1", "roll.2", "roll.3", "open"))
    assert "caustic" in steps["bowl.1"] and "caustic" in steps["open"] and "eyewear" in steps["pour"]


def test_a_level_is_read_to_a_quarter(tmp_path: Path) -> None:
    t = rolled(to_rolling(begin(tmp_path)), 1).hear("yes").hear("yes").at("level.1").hear("five point three")
    t.says("no whole quarter").takes_nothing().at("level.1").reading("level.1", "5.25")


def test_it_holds_no_pressure_and_needs_no_pressure_meter(tmp_path: Path) -> None:
    t = begin(tmp_path).kill().restart().does_not_say("may still be under pressure")
    t.hear("scrap the test").hear("yes").does_not_say("may still be under pressure")


@pytest.mark.parametrize("test", ["pressure-air", "sequential"])
def test_where_pressure_does_not_apply_this_test_is_named(test: str) -> None:
    steps = {one.id: one for one in build(load(test), Settings()).steps}
    assert all("use the test volumetric-air" in steps[step].say for step in ("scope.stop", "full.stop"))


def test_si_says_liters(tmp_path: Path) -> None:
    t = passing(begin(tmp_path, units="si"), "bowl.1", "bowl.2", "strike").at("top").says("half a liter").hear("next").hear("next")
    t.says("liters of alcohol").reading("alcohol", "1.0")


@pytest.mark.parametrize(("given", "value", "verdict", "words"), [
    # by hand: the later of the first two within 0.25, more the cups, less the correction from 5 pt or 2.5 L on
    ({"levels_pct": [5.25, 5.50], "alcohol_pt": 2}, "5.50", "pass", "5.50"),
    ({"levels_pct": [8.75, 8.25, 8.00], "alcohol_pt": 6, "cups": 2, "alcohol_correction_pct": 0.25}, "9.75", "fail", "over 7.5"),
    ({"levels_pct": [5.00, 5.00], "alcohol_l": 2.4, "alcohol_correction_pct": 0.50}, "5.00", "pass", ""),
    ({"levels_pct": [5.00, 5.00], "alcohol_l": 2.5, "alcohol_correction_pct": 0.50}, "4.50", "pass", ""),
    ({"levels_pct": [4.75, 4.75], "alcohol_l": 2.5, "alcohol_correction_pct": 0.50}, "4.25", "fail", "under 4.5"),
    ({"levels_pct": [5.00, 5.00], "alcohol_l": 2.5}, "5.00", "none", "preliminary"),
    ({"levels_pct": [5.00, 5.50], "alcohol_pt": 2}, None, "invalid", "no two levels"),
    ({"levels_pct": [5.00], "alcohol_pt": 2}, None, "invalid", "fewer than two"),
    ({"levels_pct": [0.00, 0.00], "alcohol_pt": 6, "alcohol_correction_pct": 0.25}, None, "invalid", "negative"),
    ({"levels_pct": [5.00, 5.00], "alcohol_pt": 2, "undisturbed": True}, None, "invalid", "undisturbed")])
def test_work(given: dict[str, Any], value: str | None, verdict: str, words: str) -> None:
    told, code = work.run("volumetric-air", json.dumps({**given, "limits": {"air_content": [4.5, 7.5]}}))
    assert (told["verdict"], code) == (verdict, verdict in ("fail", "invalid")) and words in told["why"]
    assert told["results"][0]["rounded"] == (None if value is None else D(value))


@pytest.mark.parametrize(("given", "words"), [({"levels_pct": [5.3, 5.3], "alcohol_pt": 2}, "nearest 0.25"),
                                              ({"levels_pct": [5, 6, 7, 8], "alcohol_pt": 2}, "4 readings"),
                                              ({"levels_pct": [5, 5]}, "alcohol_pt is missing")])
def test_what_work_refuses(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        work.run("volumetric-air", json.dumps(given))


def test_a_round_may_have_it_and_asks_for_its_check_test(tmp_path: Path) -> None:
    tests = ("slump", "volumetric-air")

    def its(first: str) -> list[dict[str, Any]]:
        return [*read("alcohol", "2.0"), *read("level.1", first), *read("level.2", first)]
    done = play(tmp_path, script(tests, *read("slump", "4.25"), *its("8.00"), *its("6.00")))
    assert [one for one, _ in begun(done)] == ["slump", "volumetric-air"], "the check test has no time of its own"
    assert [(one["test"], one["verdict"]) for one in recorded(tmp_path)[1:]] == [
        ("slump", "pass"), ("volumetric-air", "fail"), ("volumetric-air", "pass")]
    assert "air content is accepted: the check test passed" in said(done).lower() and "The load is accepted" in said(done)


def test_a_script_plays_it_to_its_end(tmp_path: Path) -> None:
    lines = [{"test": "volumetric-air", "limits": {"air_content": [4.5, 7.5]}}, *read("alcohol", "2.0"), *read("level.1", "5.25"),
             *read("level.2", "5.25")]
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin="".join(json.dumps(one) + "\n" for one in lines))
    assert done.code == 0, done.err
    assert "five, point, two, five percent" in said(done)
