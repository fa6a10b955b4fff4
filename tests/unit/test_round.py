"""What comes next in a round, and its clocks in the machine, event by event."""
from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from itertools import permutations

import pytest

from assistant.core import load_judged as judged
from assistant.core import round as core
from assistant.core import round_clock
from assistant.core.effects import Finish, Record, Speak
from assistant.core.events import Event, Heard, Restarted, Spoken, TestStarted, TimerDue
from assistant.core.machine import step
from assistant.core.procedure import build
from assistant.core.round import Done
from assistant.core.settings import Settings
from assistant.core.state import State
from assistant.procedures import load
from assistant.round.record import _done

SETTINGS = Settings()
SLUMP_FAILED = Done("slump", verdict="fail", results={"slump": Decimal("6.00")})


class Machine:
    """One test in the machine; the words are over at once."""

    def __init__(self, test: str, began: float = 100.0, **clock: object) -> None:
        self.state, self.effects = State(), []
        data = load(test) if test != "round" else core.as_procedure("A round", [core.Question("next.slump", "Slump next?")], True)
        self.post(TestStarted(began, test, data, SETTINGS.to_mapping(), {}, clock=clock))

    def post(self, event: Event, talk: bool = True) -> "Machine":
        self.state, effects = step(self.state, event)
        self.effects = list(effects)
        while talk and self.state.spoken < self.state.utterance:
            self.state, more = step(self.state, Spoken(self.state.now, self.state.utterance))
            self.effects += more
        return self

    def due(self, left: int, limit: int = 300, late: float = 0.0, talk: bool = True) -> "Machine":
        name = f"round:{limit}:{left}"
        return self.post(TimerDue(dict(self.state.timers)[name] + late, name), talk)

    @property
    def said(self) -> str:
        return " ".join(one.text for one in self.effects if isinstance(one, Speak))

    @property
    def round_timers(self) -> dict[str, float]:
        return {name: when for name, when in self.state.timers if name.startswith("round:")}


CLOCK = {"at": 90.0, "boot": "one", "to_begin": ["slump", "sequential", "cylinders"]}


# --- what comes next --------------------------------------------------------------------------------------------------------

def _late(order: tuple[str, ...], begin: int = 0) -> int:
    """Seconds by which these are late in all where one follows the other."""
    found, now = 0, begin
    for test in order:
        its = core.registry.ROUNDS[test]
        found += max(0, now + (its.takes_s if its.by_end else its.begins_s) - (900 if test == "cylinders" else 300))
        now += its.takes_s
    return found


def test_alone_no_other_order_is_less_late() -> None:
    """Against every order there is, counted one by one."""
    for begin in (0, 100, 400):
        for tests in (core.PLAN, ("slump", "pressure-air", "cylinders"), ("cylinders", "density", "slump", "sequential")):
            best = core.in_order(tests, SETTINGS, elapsed_s=begin)
            assert _late(tuple(best), begin) == min(_late(order, begin) for order in permutations(tests))


def test_two_begin_with_the_longest_of_what_is_due_first() -> None:
    assert core.in_order(core.PLAN, SETTINGS, technicians=2)[0] == "sequential"
    assert core.in_order(core.PLAN, SETTINGS, technicians=2)[-1] == "cylinders", "it has 15 minutes"


def test_the_thermometer_has_its_minutes_while_another_test_is_done() -> None:
    tests = ("temperature", "slump", "sequential", "cylinders")
    assert core.in_order(tests, SETTINGS, ready_s={"temperature": 120})[:3] == ["slump", "temperature", "sequential"]
    assert core.in_order(tests[:1] + tests[2:], SETTINGS, elapsed_s=200, ready_s={"temperature": 10})[0] == "temperature"


def test_a_valid_result_ends_a_test_two_invalid_ones_too() -> None:
    plan = ("slump", "temperature")
    invalid = Done("slump", verdict="invalid")
    assert core.left(plan, [Done("slump")]) == ["temperature"]
    assert core.left(plan, [invalid]) == ["slump", "temperature"]
    assert core.left(plan, [invalid, invalid]) == ["temperature"]
    assert core.left(plan, [Done("slump", outcome="scrapped")] * 3) == ["slump", "temperature"]
    assert core.left(plan, [Done("slump", comparison=True)]) == ["slump", "temperature"]


def test_the_check_test_is_offered_before_all_else_and_once() -> None:
    questions = core.after_the_sample(core.PLAN, [SLUMP_FAILED], SETTINGS)
    assert questions[0].id == "check.slump" and questions[1].id == "next.temperature"
    check = Done("slump", verdict="fail", check=True)
    assert "check.slump" not in [one.id for one in core.after_the_sample(core.PLAN, [SLUMP_FAILED, check], SETTINGS)]
    assert not core.checks([Done("temperature", verdict="fail"), Done("density", verdict="fail")])
    assert not core.checks([Done("slump", verdict="fail", comparison=True)])
    assert not core.checks([SLUMP_FAILED], preliminary=True), "a preliminary sample rejects nothing"


def test_two_technicians_are_compared_where_both_began_in_time() -> None:
    """A slump repeated 23 minutes on is another concrete's: its age is told and nothing is compared."""
    first, second = (Done("slump", results={"slump": Decimal(value)}, comparison=later, timing=begun, age_s=age)
                     for value, later, begun, age in (("4.00", False, "in-time", 100.0), ("2.25", True, "told", None)))
    assert [one.verdict for one in judged.comparisons([first, second])] == ["fail"]
    assert not judged.comparisons([first]) and not judged.comparisons([second])
    for begun, age, words in (("late", 1380.0, "23 minutes after the last portion"), ("", None, "nobody knows when"),
                              ("unknown", None, "nobody knows when")):
        told, = judged.comparisons([first, replace(second, timing=begun, age_s=age)])
        assert told.verdict == "none" and words in told.why and "1 minute 40 after" in told.why and "C172" in told.standing


# --- the load, once -----------------------------------------------------------------------------------------------------------

GOOD, FAILED, CHECKED = (Done("slump", verdict=verdict, judged={"slump": verdict}, check=check)
                         for verdict, check in (("pass", False), ("fail", False), ("pass", True)))
AGAIN = replace(FAILED, check=True)
AIR = Done("pressure-air", verdict="pass", judged={"air_content": "pass"})
BOTH = ("slump", "pressure-air")


@pytest.mark.parametrize(("done", "more", "verdict", "words"), [
    ([GOOD, AIR], {}, "accepted", "the load is accepted"),
    ([FAILED, CHECKED, AIR], {}, "accepted", "the load is accepted"),
    ([FAILED, CHECKED], {}, "open", "air has no valid result"),
    ([FAILED, CHECKED, replace(AIR, verdict="invalid")], {}, "open", "air has no valid result"),
    ([FAILED, CHECKED, replace(AIR, verdict="fail", judged={"air_content": "fail"})], {}, "open", "air content is not accepted"),
    ([FAILED, AGAIN, AIR], {}, "rejected", "fails by slump"), ([FAILED, AGAIN], {}, "rejected", "by slump"),
    ([FAILED, AGAIN, AIR], {"sampled": False}, "open", "no composite one; slump is not accepted"),
    ([FAILED, AGAIN, replace(AIR, timing="late")], {}, "rejected", "by slump"),
    ([replace(FAILED, timing="late"), AGAIN, AIR], {}, "open", "slump was too late; slump is not accepted"),
    ([FAILED, AGAIN, AIR], {"preliminary": True}, "none", "preliminary"),
    ([FAILED, AIR], {"check_tests": False}, "open", "slump is not accepted"),
    ([GOOD, AIR], {"sampled": False}, "open", "no composite one"),
    ([replace(GOOD, timing="late"), AIR], {}, "open", "slump was too late"),
    ([replace(GOOD, timing="unknown"), AIR], {}, "open", "nobody knows whether slump was"),
    ([FAILED, replace(CHECKED, timing="late"), AIR], {}, "accepted", "accepted"),
    ([replace(GOOD, verdict="repeated"), AIR], {}, "open", "slump is not accepted"),
    ([GOOD, replace(AIR, verdict="preliminary")], {}, "open", "air content is not accepted"),
    ([Done("leak", verdict="fail"), GOOD, AIR], {}, "open", "leak hold"),
    ([Done("leak", verdict="fail"), Done("leak", verdict="pass"), GOOD, AIR], {}, "accepted", "accepted"),
    ([GOOD, AIR, Done("temperature", verdict="fail", judged={"temperature": "fail"})], {}, "open", "temperature is not accepted"),
    ([replace(GOOD, judged={}), replace(AIR, judged={})], {}, "none", "no limits are set"),
])
def test_the_load_is_judged_once_all_is_valid(done: list[Done], more: dict[str, bool], verdict: str, words: str) -> None:
    """C94, second-hand, for what fails twice; that all must be valid, of a composite sample and in time is C172's, from memory."""
    found = judged.load(BOTH, done, **more)
    assert found.verdict == verdict and words in found.why
    assert judged.right(BOTH, done, found) == (verdict == "accepted" or verdict == "none" and not more)
    assert found.why not in " ".join(one.follows.why for one in judged.properties(done)), "no property speaks for the load"


def test_a_test_that_was_never_valid_is_named_at_the_end() -> None:
    done = [GOOD, replace(AIR, verdict="invalid"), replace(AIR, verdict="invalid")]
    told = judged.summary(BOTH, done, {"slump": "4.00 in."}, judged.load(BOTH, done))
    assert "Air has no valid result." in told and "All tests" not in told and "accepted" not in told


def test_what_was_late_is_told_at_the_end_and_is_not_right() -> None:
    done = [GOOD, AIR, Done("cylinders", timing="late", late_s=205.0)]
    found = judged.load(("cylinders", *BOTH), done)
    assert found.verdict == "accepted", "no limit hangs on the moulding"
    assert "Moulding was 3 minutes 25 too late." in judged.summary(("cylinders", *BOTH), done, {}, found)
    assert not judged.right(("cylinders", *BOTH), done, found)


def test_only_what_needs_the_chamber_is_held_for_leaks_first() -> None:
    assert [one.id for one in core.before_the_sample(core.PLAN, ())] == ["next.leak", "next.sampling"]
    assert [one.id for one in core.before_the_sample(core.PLAN, ("leak",))] == ["next.sampling"]
    assert [one.id for one in core.before_the_sample(("slump",), ())] == ["next.sampling"]


@pytest.mark.parametrize("air, low, against", [("4.46", False, "pass"), ("4.44", True, "fail"), ("7.7", False, "fail")])
def test_too_low_is_what_fails_its_lower_limit(air: str, low: bool, against: str) -> None:
    """4.46 is reported as 4.5 and passes 4.5; what a preliminary sample is told must not be that it is too low."""
    results = [{"name": name, "value": Decimal(value), "rounded": Decimal(value), "limits": [low and Decimal(low), Decimal(high)]}
               for name, value, low, high in (("air_content", air, "4.5", "7.5"), ("system_air_metric", "0.30", None, "0.20"))]
    told = {"test": "sequential", "outcome": "done", "verdict": "fail", "rounding": "half-even", "results": results}
    assert ("air_content" in _done(told).low) == low
    assert _done(told).judged == {"air_content": against, "system_air_metric": "fail"}


@pytest.mark.parametrize("label, yes", [("no", False), ("No", False), ("false", False), (None, False), (False, False),
                                        (True, True), ("yes", True), ("before pumping", True)])
def test_preliminary_is_what_is_not_denied(label: object, yes: bool) -> None:
    assert judged.is_preliminary(label) is yes


def test_the_thermometer_is_covered_in_the_units_of_the_job() -> None:
    for system, cover in (("inch-pound", "3 inches"), ("si", "75 millimeters")):
        data = core.as_procedure("x", [core.Question("next.slump", "y?")], thermometer=True, system=system)
        assert f"into the sample, {cover} of concrete" in data["stage"][0]["step"][0]["say"]


@pytest.mark.parametrize(("given", "needed", "checked"), [
    ({"cylinder": "6x12"}, "1.49", "1.94"), ({"cylinder": "6x12", "cylinder_count": 6}, "1.88", "2.34"),
    ({"measure_volume_ft3": "0.5", "cylinder": "6x12"}, "1.74", "2.19"), ({}, "0.94", "1.39")])
def test_how_much_concrete_a_round_takes(given: dict[str, object], needed: str, checked: str) -> None:
    """By hand: cone pi/12 x 12 x (64 + 32 + 16) / 1728 = 0.2036 ft3; 6 x 12 in. pi/4 x 36 x 12 / 1728 = 0.1963; measure and bowl
    0.25 each. 0.2036 + 0.5 + 4 x 0.1963 = 1.489, and a second slump and a second air 0.4536 more."""
    settings = Settings.from_mapping(given)
    assert f"{core.concrete_ft3(core.PLAN, settings):.2f}" == needed
    assert f"{core.concrete_ft3(core.PLAN, settings, True):.2f}" == checked
    words = core.before_the_sample(core.PLAN, ("leak",), settings)[-1].say
    assert words == f"The tests take {needed} cubic feet of concrete, {checked} cubic feet with check tests. Sampling now?"
    assert core.before_the_sample(core.PLAN, ("leak",), settings, False)[-1].say == (
        f"The tests take {needed} cubic feet of concrete. Sampling now?")


def test_the_sample_of_a_round_is_what_its_tests_take_or_what_the_job_wants() -> None:
    settings = Settings.from_mapping({"cylinder": "6x12"})
    assert core.least_sample(core.PLAN, settings, True) == {"least_sample_ft3": Decimal("1.9426")}
    assert core.least_sample(core.PLAN, settings, False) == {"least_sample_ft3": Decimal("1.4890")}
    more = Settings.from_mapping({"cylinder": "6x12", "least_sample_ft3": "2.5"})
    assert core.least_sample(core.PLAN, more, True) == {"least_sample_ft3": Decimal("2.5")}
    metric = Settings.from_mapping({"cylinder": "6x12", "units": "si"})
    assert core.least_sample(core.PLAN, metric, True) == {"least_sample_m3": Decimal("0.0550")}
    assert core.before_the_sample(core.PLAN, ("leak",), metric)[-1].say == (
        "The tests take 42 liters of concrete, 55 liters with check tests. Sampling now?")


def test_braces_in_words_do_no_harm() -> None:
    data = core.as_procedure("{x}", [core.Question("next.slump", "{y}?")])
    assert "{" not in data["title"] + data["stage"][0]["step"][0]["say"]


# --- the questions in the machine ---------------------------------------------------------------------------------------------

def test_a_yes_ends_the_questions_without_another_word() -> None:
    machine = Machine("round", **CLOCK)
    machine.post(Heard(101.0, "next"))
    assert machine.state.timed_at == 101.0, "the thermometer is in"
    machine.post(Heard(103.0, "yes"))
    assert [one.outcome for one in machine.effects if isinstance(one, Finish)] == ["done"]
    assert machine.state.step.id == "next.slump" and not machine.said


def test_a_no_to_all_asks_whether_to_stop_and_begins_again() -> None:
    machine = Machine("round", **CLOCK).post(Heard(101.0, "next")).post(Heard(105.0, "no"))
    assert machine.state.prompt == "stop"
    assert machine.post(Heard(110.0, "no")).state.prompt == "next.slump"
    machine.post(Heard(120.0, "no")).post(Heard(130.0, "yes"))
    assert machine.state.outcome == "stopped"


# --- the clocks -----------------------------------------------------------------------------------------------------------------

def test_every_warning_has_its_time() -> None:
    machine = Machine("slump", **CLOCK)
    assert machine.round_timers == {
        "round:300:120": 270.0, "round:300:60": 330.0, "round:300:0": 390.0,
        "round:900:120": 870.0, "round:900:60": 930.0, "round:900:0": 990.0}
    assert machine.due(120).said == "2 minutes left to begin slump and air."
    assert machine.due(0).said == "The 5 minutes to begin slump and air are over."
    assert machine.due(60, limit=900).said == "1 minute left to begin moulding."


def test_what_has_begun_is_not_warned_of() -> None:
    machine = Machine("slump", **CLOCK).post(Heard(150.0, "next"))
    assert machine.state.to_begin == ("sequential", "cylinders")
    assert [one.fields for one in machine.effects if isinstance(one, Record) and one.kind == "begun"] == [
        {"test": "slump", "after_s": 60.0, "limit_s": 300.0, "late": False}]
    assert not machine.state.notes
    assert machine.due(120).said == "2 minutes left to begin air."


@pytest.mark.parametrize(("at", "late"), [(390.0, False), (390.1, True)])
def test_the_last_moment_counts(at: float, late: bool) -> None:
    machine = Machine("slump", **CLOCK).post(Heard(at, "next"))
    assert bool(machine.state.notes) == late
    assert ("That is recorded." in machine.said) == late


def test_it_begins_once_however_often_the_mould_is_filled() -> None:
    machine = Machine("slump", **CLOCK).post(Heard(150.0, "next"))
    for at in range(170, 251, 20):
        machine.post(Heard(float(at), "next"))
    machine.post(TimerDue(dict(machine.state.timers)["tap"], "tap"))
    machine.post(Heard(400.0, "no")).post(Heard(410.0, "yes")).post(Heard(420.0, "next")).post(Heard(430.0, "next"))
    assert machine.state.step.id == "layer.1" and machine.state.timed_at == 150.0
    assert not [one for one in machine.state.notes if one.id == "round"]


def test_what_can_not_be_said_now_is_said_soon_with_the_time_that_is_left_then() -> None:
    """Over other words; and over the beats of the lift, where the mark may never sound."""
    machine = Machine("slump", **CLOCK)
    machine.post(Heard(269.0, "time left"), talk=False)
    assert machine.state.spoken < machine.state.utterance
    machine.due(120, talk=False)
    assert not machine.said
    machine.post(Spoken(271.0, machine.state.utterance))
    assert machine.due(120).said == "1 minute 55 left to begin slump and air."
    for at in range(275, 316, 10):  # each after its words
        machine.post(Heard(float(at), "next"))
    machine.post(Heard(329.0, "next"))
    assert machine.state.phase == "tapping"
    machine.due(60)
    assert not machine.said and dict(machine.state.timers)["round:300:60"] == 335.0
    machine.due(60)
    assert not machine.said


def test_a_warning_that_the_next_one_has_overtaken_is_dropped() -> None:
    machine = Machine("slump", **CLOCK)
    machine.post(Heard(328.0, "time left"), talk=False)
    machine.due(120, late=57.0, talk=False)
    assert "round:300:120" not in machine.round_timers and "round:300:60" in machine.round_timers


def test_quiet_and_pause_do_not_silence_a_clock() -> None:
    for word in ("quiet", "pause"):
        machine = Machine("slump", **CLOCK).post(Heard(101.0, word))
        spoken = [one.aloud for one in machine.due(120).effects if isinstance(one, Speak)]
        assert spoken == [True]


def test_time_left_tells_the_round_too() -> None:
    assert Machine("slump", **CLOCK).post(Heard(210.0, "time left")).said == "3 minutes left to begin slump and air."
    assert Machine("slump", **CLOCK).post(Heard(450.0, "time left")).said == "1 minute late to begin slump and air."
    assert Machine("slump").post(Heard(450.0, "time left")).said == "No clock is running."


def test_a_broken_hold_does_not_break_the_rounds_clock() -> None:
    machine = Machine("temperature", **CLOCK).post(Heard(110.0, "next"))
    assert machine.state.phase == "hold"
    before = machine.round_timers
    machine.post(Restarted(150.0, "one"))
    assert machine.state.step.id == "thermometer" and machine.round_timers == before


def test_a_reboot_leaves_only_the_wall_clock() -> None:
    machine = Machine("slump", **CLOCK).post(Restarted(20.0, "two", sampled_at=-100.0))
    assert machine.state.sampled_at == -100.0 and machine.state.boot == "two"
    assert [one.text for one in machine.state.notes if one.id == "round"] == [
        "the station was restarted since the last portion: its time is by the wall clock"]
    assert machine.round_timers["round:300:60"] == 140.0
    lost = Machine("slump", **CLOCK).post(Restarted(20.0, "two"))
    assert lost.state.sampled_at is None and not lost.round_timers
    lost.post(Heard(30.0, "next"))
    assert "is not known" in lost.state.notes[0].text and len([one for one in lost.state.notes if one.id == "round"]) == 1


def test_what_had_begun_before_a_reboot_began_as_long_after_the_last_portion_as_it_did() -> None:
    machine = Machine("slump", **CLOCK).post(Heard(110.0, "next"))
    assert machine.state.timed_at == 110.0
    machine.post(Restarted(20.0, "two", sampled_at=-100.0))
    assert machine.state.timed_at - machine.state.sampled_at == 20.0, "the record and the report tell it"


def test_a_restart_in_one_boot_says_nothing_of_what_is_over() -> None:
    machine = Machine("slump", **CLOCK).post(Restarted(350.0, "one"))
    assert {name for name in machine.round_timers if name.startswith("round:300")} >= {"round:300:0"}
    assert machine.state.sampled_at == 90.0 and not [one for one in machine.state.notes if one.id == "round"]


def test_told_by_the_other_nothing_is_timed() -> None:
    machine = Machine("slump", 500.0, **CLOCK, told=True).post(Heard(510.0, "next"))
    assert machine.state.to_begin == ("sequential", "cylinders")
    assert [one.text for one in machine.state.notes] == ["in time by the other technician, as told, not timed"]


def test_a_thermometer_that_stands_already_is_not_read_yet() -> None:
    clock = {**CLOCK, "to_begin": ["temperature", "cylinders"]}
    machine = Machine("temperature", 400.0, **clock, stands_since=120.0, **{"from": "wait"})
    assert machine.state.step.id == "wait" and machine.state.timed_at is None
    assert machine.state.to_begin == ("temperature", "cylinders")
    assert [one.text for one in machine.state.notes] == ["the thermometer was in the concrete for 4 minutes 40 already"]


def test_one_that_began_when_that_was_enough_is_replayed_so() -> None:
    """A journal from before a temperature was timed by its end has the moment in its procedure, and ``begun_at``."""
    clock = {**CLOCK, "to_begin": ["temperature", "cylinders"]}
    machine = Machine("temperature", 400.0, **clock, begun_at=120.0, **{"from": "wait"})
    assert machine.state.timed_at == 120.0 and machine.state.to_begin == ("cylinders",)


@pytest.mark.parametrize(("read_at", "late"), [(390.0, False), (391.0, True)])
def test_temperature_is_to_be_completed_within_five_minutes(read_at: float, late: bool) -> None:
    """C1064, second-hand (trade notes, section 4): the reading is done, not only begun, within 5 minutes of sampling."""
    machine = Machine("temperature", **{**CLOCK, "to_begin": ["temperature", "sequential"]}).post(Heard(150.0, "next"))
    assert machine.state.to_begin == ("temperature", "sequential"), "a thermometer that goes in has read nothing"
    machine.post(TimerDue(dict(machine.state.timers)["hold"], "hold"))
    assert machine.due(120).said == "2 minutes left to begin air, and to complete temperature."
    machine.post(Heard(read_at - 3, "sixty eight")).post(Heard(read_at, "yes"))
    assert machine.state.timed_at == read_at and machine.state.to_begin == ("sequential",)
    assert [one.fields for one in machine.effects if isinstance(one, Record) and one.kind == "completed"] == [
        {"test": "temperature", "after_s": read_at - 90.0, "limit_s": 300.0, "late": late}]
    assert [one.text for one in machine.state.notes] == (
        ["completed 5 minutes 1 after the last portion of the sample: more than 5 minutes"] if late else [])


def test_the_order_counts_when_the_temperature_is_read() -> None:
    """After a slump the thermometer would go in soon enough, and be read too late."""
    assert core.in_order(("slump", "temperature"), SETTINGS) == ["temperature", "slump"]


def test_a_method_that_is_timed_by_its_end_says_so_in_its_procedure() -> None:
    for name, one in core.registry.ROUNDS.items():
        assert build(load(name), SETTINGS).timed_by_end is one.by_end, name


@pytest.mark.parametrize("test", ["temperature", "slump", "density", "pressure-air", "volumetric-air", "sequential", "cylinders",
                                  "sampling"])
def test_every_test_has_its_moment(test: str) -> None:
    steps = [one for stage in load(test)["stage"] for one in stage.get("step", [])]
    assert any(one.get("timed") for one in steps), test


def test_names_are_joined_and_said_once() -> None:
    assert round_clock.named(["slump", "sequential", "pressure-air"]) == "slump and air"
    assert round_clock.named(["temperature", "slump", "sequential"]) == "temperature, slump and air"


def names() -> Iterator[str]:
    yield from core.TESTS


@pytest.mark.parametrize("test", list(names()))
def test_every_test_can_be_named(test: str) -> None:
    assert round_clock.named([test])


def test_a_failure_is_not_scrapped_out_of_a_round() -> None:
    """Scrapped after "fail" was said, slump was offered until it passed, without a check test."""
    failed = core.Done("slump", outcome="scrapped", verdict="fail", results={"slump": Decimal("7.00")})
    assert core.left(("slump",), [failed]) == [] and core.checks([failed]) == ["slump"]
