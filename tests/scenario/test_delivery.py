"""The load's ticket: asked, its clock, its water, what is due with it. Figures of C94 are from memory, as the method says; what is
checked is that the station keeps them. When a sample is due: UFGS 03311 (published), counted by hand."""
from __future__ import annotations

import json
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from assistant.core import due
from assistant.core.events import Event, KeyPressed, Restarted, Spoken, TestStarted, TimerDue
from assistant.core.machine import step
from assistant.core.methods import delivery
from assistant.core.procedure import Procedure
from assistant.core.settings import Settings
from assistant.core.state import Phase, State
from assistant.job import Job, load, placed
from assistant.procedures import load as procedure
from assistant.record import loads, summary
from assistant.record.journal import Journal
from assistant.record.session import Handles, Station
from assistant.station import view
from assistant.station.load_first import LoadFirst
from tests.command import Done, bowlside
from tests.scenario.dialogue import Dialogue

D = Decimal
LINES = {"ticket.number": "40117", "ticket.truck": "12", "ticket.load": "7", "ticket.batched": "0942", "ticket.water": "10",
         "ticket.water_at": "1012", "ticket.revolutions": "72", "ticket.volume": "8", "ticket.location": "4"}
"""In the order in which they are asked. Invented."""


def keys(value: str) -> str:
    return " ".join([*value.replace(".", "*"), "#"])


def script(header: dict[str, Any], values: dict[str, str]) -> str:
    lines = [header, *({"on": ident, "key": keys(value)} for ident, value in values.items())]
    return "".join(json.dumps(line) + "\n" for line in lines)


def play(folder: Path, values: dict[str, str], **header: Any) -> Done:
    return bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", folder,
                    stdin=script({"test": "delivery", "clock": "10:20", **header}, values))


def said(done: Done) -> str:
    return " | ".join(line["text"] for line in done.lines("said"))


def recorded(folder: Path, test: int = 1) -> dict[str, Any]:
    with Journal(folder, write=False) as journal:
        return summary.of(journal, test)


def test_every_line_of_the_ticket_is_taken_in_its_order_and_becomes_a_label(tmp_path: Path) -> None:
    done = play(tmp_path, LINES)
    assert done.code == 0, done.err
    assert [line["id"] for line in done.lines("taken")] == list(LINES)
    assert dict(loads.labels_of(recorded(tmp_path))) == {
        "ticket": "40117", "truck": "12", "load": "7", "batched_at": "09:42", "water_added": "10.0 gal at 10:12",
        "revolutions": "72", "volume_yd3": "8.00", "location": "4.00"}


def test_every_line_may_be_left_out(tmp_path: Path) -> None:
    done = play(tmp_path, {})
    assert done.code == 0 and not done.lines("taken"), done.err
    assert recorded(tmp_path)["verdict"] == "none" and dict(loads.labels_of(recorded(tmp_path))) == {}
    assert "limits" not in said(done)


def test_a_left_out_line_can_be_taken_back_no_other_is_asked_twice(tmp_path: Path) -> None:
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin="".join(json.dumps(line) + "\n" for line in (
        {"test": "delivery"}, {"on": "ticket.number", "key": "1 2 #"}, {"on": "ticket.truck", "say": "take it back"},
        {"on": "ticket.number", "key": "1 3 #"}, {"on": "ticket.load", "key": "7 #"})))
    assert done.code == 0, done.err
    assert dict(loads.labels_of(recorded(tmp_path))) == {"ticket": "13", "load": "7"}


@pytest.mark.parametrize("batched, told, noted", [
    ("0942", "The load is 38 minutes old.", False), ("0851", "The load is 89 minutes old.", False),
    ("0849", "The load is 91 minutes old, 90 minutes is the limit", True), ("1100", "23 hours old, or is not batched yet", True)])
def test_the_age_of_the_load_is_told(tmp_path: Path, batched: str, told: str, noted: bool) -> None:
    """The ticket is read off at 10:20, and a minute goes by for no line."""
    done = play(tmp_path, {"ticket.batched": batched})
    assert told in said(done), said(done)
    assert bool(recorded(tmp_path)["notes"]) == noted


def test_a_time_that_no_clock_shows_is_refused(tmp_path: Path) -> None:
    done = play(tmp_path, {"ticket.batched": "0975"})
    assert "975 is no time of day" in said(done)


@pytest.mark.parametrize("values, limits, verdict, why", [
    ({"ticket.water": "10", "ticket.volume": "8"}, {"site_water": [None, 1.5]}, "pass", "1.25 gal/yd3"),
    ({"ticket.water": "10", "ticket.volume": "8"}, {"site_water": [None, 1.1]}, "fail", "over 1.1"),
    ({"ticket.water": "10"}, {"site_water": [None, 1.2]}, "none", ""),
    ({"ticket.revolutions": "300"}, {}, "pass", ""), ({"ticket.revolutions": "301"}, {}, "fail", "301 is over 300"),
    ({"ticket.revolutions": "301"}, {"drum_revolutions": [None, 350]}, "pass", "")])
def test_water_and_revolutions_against_the_job(tmp_path: Path, values: dict[str, str], limits: Any, verdict: str, why: str) -> None:
    done = play(tmp_path, values, limits=limits)
    its = recorded(tmp_path)
    assert its["verdict"] == verdict and why in its["why"] and done.code == (verdict == "fail"), its["why"]
    assert any("volume of the load was left out" in one for one in its["warnings"]) == (verdict == "none")


def test_water_in_liters_a_cubic_meter() -> None:
    """By hand: 40 L in 8 m3 is 5.0 L/m3; 1 gal/yd3 is 3.785411784 / 0.764554857984 = 4.951 L/m3 (231 cubic inches, a yard of 36)."""
    settings = Settings.from_mapping({"units": "si"})
    found = delivery.assess({"ticket.water": D(40), "ticket.volume": D(8)}, settings).results[0]
    assert (found.rounded, found.unit) == (D("5.0"), "L/m3")
    other = delivery.WATER.in_other_units(D(1), "gal/yd3", "half-even")
    assert other is not None and round(other[0], 3) == D("4.951")


# --- the clock in the tests that follow -------------------------------------------------------------------------------------

class Slump:
    """A slump test on a load, in the machine; words are over at once."""

    def __init__(self, wall: str, batched: str) -> None:
        self.state, self.said, self.now = State(), "", 1000.0
        self.post(TestStarted(1000.0, "slump", procedure("slump"), Settings().to_mapping(), {"batched_at": batched},
                              clock={"wall": loads.of_day(datetime.strptime(wall, "%H:%M"))}))

    def post(self, event: Event) -> Slump:
        self.state, effects = step(self.state, event)
        while self.state.spoken < self.state.utterance:
            self.state, more = step(self.state, Spoken(self.state.now, self.state.utterance))
            effects += more
        self.said += " | ".join(str(getattr(one, "text", "")) for one in effects)
        return self

    def wait(self, seconds: float) -> Slump:
        self.now += seconds
        until = self.now
        while due_now := sorted((at, name) for name, at in self.state.timers if at <= until):
            self.post(TimerDue(due_now[0][0], due_now[0][1]))
        return self


def test_it_warns_two_minutes_and_one_before_and_at_its_end() -> None:
    """09:00 and 90 minutes is 10:30."""
    test = Slump("10:25", "09:00")
    test.wait(179)
    assert "until the load" not in test.said
    test.wait(2)
    assert "2 minutes left until the load is 90 minutes old" in test.said
    assert not test.state.notes
    test.wait(121)
    assert "The load is 90 minutes old, 90 minutes is the limit" in test.said
    assert [one.text for one in test.state.notes] == ["the load was 90 minutes old; the limit is 90 minutes"]


def test_time_left_tells_it() -> None:
    test = Slump("10:00", "09:00").post(KeyPressed(1010.0, "D"))
    assert "left until the load is 90 minutes old" in test.said


def test_a_test_begun_on_an_old_load_has_it_noted() -> None:
    assert [one.text for one in Slump("11:00", "09:00").state.notes] == ["the load was 120 minutes old; the limit is 90 minutes"]


def test_over_midnight() -> None:
    test = Slump("00:10", "23:30")
    assert test.state.batched == 1000.0 - 40 * 60


def test_after_a_reboot_the_wall_clock_tells_and_without_one_the_age_is_lost() -> None:
    test = Slump("10:00", "09:00").post(Restarted(5.0, "other", wall=loads.of_day(datetime(2031, 5, 17, 10, 20))))
    assert test.state.batched == 5.0 - 80 * 60
    test.now = 5.0
    test.wait(10 * 60 + 1)
    assert "The load is 90 minutes old" in test.said
    lost = Slump("10:00", "09:00").post(Restarted(5.0, "other"))
    assert lost.state.batched is None and any("how old it is, is not known" in one.text for one in lost.state.notes)


def test_what_was_begun_before_there_was_such_a_clock_has_none() -> None:
    state, _ = step(State(), TestStarted(1000.0, "slump", procedure("slump"), Settings().to_mapping(), {"batched_at": "09:00"}))
    assert state.batched is None and not [name for name, _ in state.timers if name.startswith("batch:")]


# --- the round, and a test by itself -------------------------------------------------------------------------------------------

def test_in_a_round_every_test_carries_the_load(tmp_path: Path) -> None:
    header = {"test": "round", "tests": ["delivery", "slump"], "clock": "10:20", "limits": {"slump": [3, 5]}}
    text = script(header, {**LINES, "slump": "4.25"})
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=text)
    assert done.code == 0, (done.err, said(done))
    with Journal(tmp_path, write=False) as journal:
        its = [summary.of(journal, test) for test in journal.tests()]
    assert [one["test"] for one in its] == ["delivery", "sampling", "slump"]
    assert all((one["ticket"], one["truck"], one["batched_at"]) == ("40117", "12", "09:42") for one in its[1:])


def test_the_load_is_not_asked_where_the_job_does_not_have_it(tmp_path: Path) -> None:
    text = script({"test": "round", "tests": ["slump"], "limits": {"slump": [3, 5]}}, {"slump": "4.25"})
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=text)
    assert done.code == 0 and "ticket" not in said(done)


def test_a_load_with_too_much_water_is_not_accepted(tmp_path: Path) -> None:
    limits = {"slump": [3, 5], "site_water": [None, 1.0]}
    text = script({"test": "round", "tests": ["delivery", "slump"], "limits": limits}, {**LINES, "slump": "4.25"})
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=text)
    assert done.code == 1 and "what its ticket says is outside the limits" in said(done) and "accepted." not in said(done)


@pytest.mark.parametrize("units, air, wind", [("inch-pound", "68 \u00b0F", "wind 8 mph, humidity 45 %"), ("si", "20 \u00b0C", "wind 12 km/h, humidity 45 %")])
def test_the_weather_is_asked_once_a_round_and_stands_on_every_test(tmp_path: Path, units: str, air: str, wind: str) -> None:
    given = {"weather.air": air.split()[0], "weather.wind": wind.split()[1], "weather.humidity": "45"}
    slump = {"slump": "4.25"} if units == "inch-pound" else {"slump": "110"}
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=script(
        {"test": "round", "tests": ["ambient", "slump"], "units": units}, {**given, **slump}))
    with Journal(tmp_path, write=False) as journal:
        its = [summary.of(journal, test) for test in journal.tests()]
    assert [one["test"] for one in its] == ["ambient", "sampling", "slump"], done.err
    assert all((one["air_temperature"], one["weather"]) == (air, wind) for one in its[1:])
    assert "may still be under pressure" not in said(done)


def test_a_round_without_it_asks_for_no_weather(tmp_path: Path) -> None:
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=script(
        {"test": "round", "tests": ["slump"]}, {"slump": "4.25"}))
    assert "weather" not in said(done).lower()


@pytest.mark.parametrize("batched, tests, accepted", [("0850", ["delivery", "slump"], True), ("0849", ["delivery", "slump"], False),
                                                      ("1130", ["delivery", "slump"], True), ("0849", ["slump"], True)])
def test_a_load_that_was_sampled_over_its_age_is_not_accepted(tmp_path: Path, batched: str, tests: list[str], accepted: bool) -> None:
    """90 minutes, from memory (C94, older editions). Its last portion is taken at 10:20: 90 minutes, 91, not batched yet, no ticket."""
    text = script({"test": "round", "tests": tests, "clock": "10:19", "limits": {"slump": [3, 5]}},
                  {"slump": "4.25", **({"ticket.batched": batched} if "delivery" in tests else {})})
    done = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path, stdin=text)
    assert recorded(tmp_path, len(tests) + 1)["sampled_at"] == "10:20" or tests == ["slump"]
    assert ("The load is accepted." in said(done)) == accepted == (done.code == 0), said(done)
    assert ("it was over its age when it was sampled" in said(done)) == (not accepted)


class Answers:
    """Plays what LoadFirst asks for: keys by prompt, next where nothing is said of it."""

    def __init__(self, **answers: str) -> None:
        self.answers, self.prompts, self.now = {key.replace("_", ".", 1): value for key, value in answers.items()}, [], 0.0

    def play(self, station: Handles, first: Event, _procedure: Procedure) -> int:
        self._handle(station, first)
        while station.state.phase is not Phase.OVER:
            state = station.state
            self.prompts.append(state.prompt)
            if self.answers.get(state.prompt) == "leave":
                return 1
            for key in self.answers.get(state.prompt, "#").split():
                self.now += 5
                self._handle(station, KeyPressed(self.now, key))
        return 0

    def _handle(self, station: Handles, event: Event) -> None:
        station.handle(event)
        while station.state.spoken < station.state.utterance:
            station.handle(Spoken(self.now, station.state.utterance))


def first(journal: Journal, answers: Answers, hours: float = 0.1, left: Station | None = None) -> Any:
    given = {"job": "Tern Hollow footbridge (invented)"}
    return LoadFirst(journal, given, answers.play, lambda: answers.now, "boot", wall=lambda: datetime.now().astimezone() + timedelta(hours=hours)).labels(left)


@pytest.mark.dates
def test_a_test_by_itself_asks_for_the_load_and_the_next_whether_it_is_still_that(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        asked = Answers(ticket_number="4 0 1 1 7 #", ticket_load="7 #")
        assert first(journal, asked) == {"ticket": "40117", "load": "7"} and asked.prompts[0] == "ticket.number"
        same = Answers(same="#")
        assert first(journal, same) == {"ticket": "40117", "load": "7"} and same.prompts == ["same"]
        other = Answers(same="C", ticket_number="4 0 1 1 8 #")
        assert first(journal, other) == {"ticket": "40118"}
        assert first(journal, Answers(same="leave")) is None
        assert Answers().prompts == [] and first(journal, asked := Answers(), hours=3.2) == {}
        assert asked.prompts[0] == "ticket.number"  # three hours on it is no longer that load


@pytest.mark.dates
def test_a_ticket_that_was_left_is_gone_on_with(tmp_path: Path) -> None:
    with Journal(tmp_path) as journal:
        assert first(journal, Answers(ticket_number="4 0 1 1 7 #", ticket_load="leave")) is None
        assert first(journal, Answers(ticket_load="7 #"), left=Station(journal, 1)) == {"ticket": "40117", "load": "7"}


# --- what is due ------------------------------------------------------------------------------------------------------------------

def rule(of: str = "sample", every: str | None = "100", taken: int = 0, least: int = 0, waived: str | None = None,
         unit: str = "yd3", **known: str) -> dict[str, Any]:
    return {"of": of, "unit": unit, "every": every, "at_least_per_day": least, "waived_under": waived, "wholly": of == "strength",
            "taken": taken, "loads": known}


@pytest.mark.parametrize("before, taken, words", [
    (0, 0, "Due with this load: sample. The next sample: at load 11."), (9, 1, "The next sample: at load 11."),
    (10, 1, "Due with this load: sample. The next sample: at load 21."), (10, 2, "The next sample: at load 21.")])
def test_at_which_load_the_next_is_due_as_counted_by_hand(before: int, taken: int, words: str) -> None:
    """UFGS 03311, one for each 100 yd3 or part of it; loads of 10 yd3, so the 1st, 11th, 21st load begin a hundred."""
    loads_before = {str(number): "10" for number in range(before)}
    assert due.told([{**rule(taken=taken), "loads": loads_before}], D(10), "yd3", {}, D(before + 1)) == words


def test_without_its_number_the_loads_are_counted_on() -> None:
    assert due.told([rule(taken=1)], D(10), "yd3", {}) == "The next sample: 10 loads on, if they are as large."
    assert due.told([rule(taken=1, every="10")], D(10), "yd3", {}) == "The next sample: at the next load."


def test_the_nearest_is_told_and_all_that_are_due() -> None:
    told = due.told([rule(), rule("slump", "20"), rule("air", "20")], D(10), "yd3", {}, D(1))
    assert told == "Due with this load: sample, slump and air test. The next slump and air test: at load 3."


def test_a_load_read_off_again_counts_once_and_cubic_meters_are_converted() -> None:
    again = {"ticket.number": D(40117)}
    known = {**rule(taken=1, every="20"), "loads": {"ticket.number 40117": "10"}}
    assert due.told([known], D(10), "yd3", again, D(1)) == "The next sample: at load 3."
    # 10 yd3 is 7.65 m3: 14 of them are over 100 m3 (107.0), 13 are not (99.4).
    assert due.told([rule(taken=1, unit="m3")], D(10), "yd3", {}, D(1)) == "The next sample: at load 14."


@pytest.mark.dates
def test_the_record_is_what_is_counted(tmp_path: Path) -> None:
    file = tmp_path / "job.toml"
    file.write_text('job = "J"\nmix = "A"\n[frequency.sample]\nevery_yd3 = 100\n')
    job: Job = load(file)
    for number, volume in (("1", "10"), ("2", "9.5"), ("2", "8")):
        assert play(tmp_path / "record", {"ticket.number": number, "ticket.volume": volume}, job="J", mix="A").code == 0
    assert play(tmp_path / "record", {"ticket.number": "3", "ticket.volume": "10"}, job="J", mix="B").code == 0
    with Journal(tmp_path / "record") as journal:
        found = placed.so_far(journal, job, "A", datetime.now().date())
    assert [(one["of"], one["taken"], one["loads"]) for one in found] == [
        ("sample", 0, {"ticket.number 1": "10.00", "ticket.number 2": "8.00"})]
    text = "".join(one["text"] for one in recorded(tmp_path / "record", 1)["notes"])
    assert "Due" not in text


def test_the_ticket_itself_says_what_is_due(tmp_path: Path) -> None:
    state, said_ = State(), ""
    event: Event = TestStarted(0.0, "delivery", procedure("delivery"), Settings().to_mapping(), {}, clock={"wall": 0.0, "placed": [rule()]})
    at = 0.0
    while state.phase is not Phase.OVER:
        state, effects = step(state, event)
        said_ += " ".join(str(getattr(one, "text", "")) for one in effects)
        if state.spoken < state.utterance:
            event = Spoken(at, state.utterance)
        else:
            at += 5
            event = KeyPressed(at, {"ticket.volume": "9"}.get(state.prompt, "#") if not state.typed else "#")
    assert "Due with this load: sample. The next sample: 11 loads on" in said_, said_
    assert any("Due with this load" in one.text for one in state.notes)


def test_a_time_of_day_is_checked_read_out_and_shown_as_one(tmp_path: Path) -> None:
    done = play(tmp_path, {"ticket.batched": "0942", "ticket.water": "10", "ticket.water_at": "1012"})
    words = [line["text"] for line in done.lines("said") if line["id"] in ("ticket.batched.confirm", "ticket.water_at.confirm")]
    assert words == ["nine forty two. Right?", "ten twelve. Right?"]
    assert {one["id"]: one["value"] for one in recorded(tmp_path)["readings"]} == {
        "ticket.batched": "09:42", "ticket.water": D("10.0"), "ticket.water_at": "10:12"}
    with Journal(tmp_path, write=False) as journal:
        state, shown = State(), []
        for event in journal.events(1):
            state, _ = step(state, event)
            seen = view.of(state, event.at)
            shown += [(seen.check, seen.last)]
            assert not seen.check or seen.do.startswith(f"{seen.check}. Right?"), seen.do
    assert ("09:42", "") in shown and any(last.startswith("09:42 ") for _, last in shown)
    assert "TAKEN      ticket.batched  09:42" in bowlside(
        "rehearse", "-", "--answer-rest", stdin=script({"test": "delivery"}, {"ticket.batched": "0942"})).out


@pytest.mark.parametrize("number", ("4011712", "40117123"))
def test_a_ticket_and_a_truck_of_eight_digits_are_taken(tmp_path: Path, number: str) -> None:
    t = Dialogue(tmp_path, "delivery")
    for prompt in ("ticket.number", "ticket.truck"):
        t.at(prompt).key(" ".join(number) + " #").does_not_say("no gauge reading").key("#").takes(prompt, number)
