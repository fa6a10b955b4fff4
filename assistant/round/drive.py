"""A round: sampling, then every test on that sample, one after the other, until all are done or the technician stops.

Driven from what the journal has of it (round_record.py) and what follows from that (core/round.py); no device is touched here.
"""
from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from assistant.core import caution, load_judged
from assistant.core import round as core
from assistant.core.events import Event, Restarted, TestStarted
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.methods.registry import ROUNDS
from assistant.core.phrases import capital, duration
from assistant.core.procedure import Procedure, build
from assistant.core.round_clock import BETWEEN, limit_s, listed, named
from assistant.core.settings import Settings
from assistant.core.state import State
from assistant.files.refusal import Refusal
from assistant.record import loads
from assistant.record.header import Header, header_of, led_by
from assistant.record.journal import Journal
from assistant.record.log import typed
from assistant.record.session import Handles, Station, Unrecorded, unfinished
from assistant.record.summary import figures
from assistant.round.plan import Plan
from assistant.round.record import SoFar, judged, newest, of_round, passed, so_far

Play = Callable[[Handles, Event, Procedure], None]
"""Plays one test, or one question, to its end on the devices that are there; returns when it is over, or when it was left."""


@dataclass
class Round:
    """Drives a round. ``go`` returns 0 when all is done and nothing stayed failed, else 1.

    now   the boot clock in seconds; ``boot`` its id
    wall  the wall clock
    """
    journal: Journal
    plan: Plan
    boot: str
    play: Play
    now: Callable[[], float]
    wall: Callable[[], datetime] = field(default=lambda: datetime.now().astimezone())
    settings: Settings = field(init=False)
    """Those that all its tests share."""
    name: str = field(init=False, default="")
    """Of the round that is driven; empty before ``go`` knows."""
    heard: float | None = field(init=False, default=None)
    """Boot time at which the last of its tests was over in which the caution about fresh concrete was heard; None: in none since the
    start of the station."""

    def go(self) -> int:
        """Raises Refusal where another test is in the way or a header is wrong."""
        self.settings = self._header(self.plan.tests[0]).settings
        station = unfinished(self.journal, self.boot)
        if station is not None and not self._finish(station):
            return 1
        found = newest(self.journal, self.now(), self.boot, self.wall(), bool(self.plan.given.get("practice")))
        self.name = found.name if found is not None else ""
        if station is None and found is not None and (left := self._open(found)):
            goes_on = core.Question("go_on", sentence("round.go_on", name=found.name, tests=named(left)))
            answer, state = self._ask(found, [goes_on], stop="")
            if state.outcome in ("", "scrapped"):
                return 1
            found = found if answer else None
        elif station is None:
            found = None
        self.name = found.name if found is not None else f"R-{self.journal.new_test()}"
        return self._until_done(found or SoFar(self.name))

    def _until_done(self, this: SoFar) -> int:
        before = {one["test"] for one in this.records}
        while True:
            if this.portion is None:
                questions = core.before_the_sample(self._own_concrete(), before, self.settings, self.plan.check_tests)
                answer, state = self._ask(this, questions)
            else:
                questions = self._questions(this)
                if not questions:
                    return self._end(this)
                place = self._places_thermometer(this)
                answer, state = self._ask(this, questions, place)
                if place and state.timed_at is not None:
                    this = replace(this, thermometer=(state.timed_at, self.boot))
            if not answer and state.outcome == "stopped" and questions[0].id.startswith("repeat."):
                return self._end(this)
            if not answer:
                return 1
            before.add(answer.partition(".")[2])
            if not self._test(this, answer):
                return 1
            this = self._again(this)

    def _open(self, this: SoFar) -> list[str]:
        """What is left of a round: tests to do and check tests that are due."""
        if this.portion is None:
            return ["sampling"]
        return list(dict.fromkeys([*load_judged.checks(this.done, self.plan.check_tests, self._preliminary),
                                   *load_judged.left(self.plan.tests, this.done)]))

    def _again(self, this: SoFar) -> SoFar:
        """As the journal has it now. A thermometer that no test tells of yet stays where it is."""
        now = so_far(self.journal, this.name, of_round(self.journal, this.name))
        return replace(now, thermometer=this.thermometer)

    @property
    def _preliminary(self) -> bool:
        return load_judged.is_preliminary(self.plan.given.get("preliminary"))

    # --- what comes next ---------------------------------------------------------------------------------------------------

    def _questions(self, this: SoFar) -> list[core.Question]:
        assert this.portion is not None
        now = self.now()
        placed = now if self._places_thermometer(this) else self._placed(this)
        ready = {} if placed is None else {"temperature": max(0.0, float(self.settings.thermometer_s) - (now - placed))}
        at, _ = this.portion.on_clock(now, self.boot, self.wall())
        elapsed = 0.0 if at is None else now - at
        found = core.after_the_sample(self.plan.tests, this.done, self.settings, self.plan.technicians, elapsed, ready,
                                      self.plan.check_tests, self._preliminary,
                                      self.plan.one_bowl(load_judged.left(self.plan.tests, this.done), self.settings))
        if (full := self._full(this)) is not None:
            found.sort(key=lambda one: one.id != f"next.{full[0]}")
        if not this.sampled:
            found.insert(0, core.Question("next.sampling", sentence("round.sampling_again")))
        return found or (core.to_compare(self.plan.tests, this.done) if self.plan.technicians > 1 else [])

    def _full(self, this: SoFar) -> tuple[str, float] | None:
        """The test that goes on with a bowl which the one before it has just filled and weighed, and when that was begun."""
        last = this.records[-1] if this.records else {}
        then = next((test for test in load_judged.left(self.plan.tests, this.done) if ROUNDS[test].full_at), None)
        at = this.portion.on_clock(self.now(), self.boot, self.wall())[0] if this.portion else None
        if then is None or at is None or not last.get("measured_in") or last["outcome"] != "done":
            return None
        filled = at + last.get("after_last_portion_s", -core.FULL_S)
        return (then, filled) if self.now() - filled <= core.FULL_S else None

    def _placed(self, this: SoFar) -> float | None:
        """Since when the thermometer stands in the sample; after a reboot nobody knows."""
        return this.thermometer[0] if this.thermometer and this.thermometer[1] == self.boot else None

    def _places_thermometer(self, this: SoFar) -> bool:
        """At once after sampling, so that its minutes run while the slump is done."""
        left = load_judged.left(self.plan.tests, this.done)
        begun = [one for one in this.done if one.test not in load_judged.BEFORE]
        return self._placed(this) is None and this.sampled and not begun and "temperature" in left

    def _ask(self, this: SoFar, questions: list[core.Question], thermometer: bool = False, summary: str = "",
             stop: str = "round.stop") -> tuple[str, State]:
        """The id of the question that was answered with yes, empty for none, and how it stood then."""
        if questions and questions[0].id.startswith("repeat."):
            stop = "round.stop_compare"
        data = core.as_procedure(self._title(this), questions, thermometer, summary, stop, self.settings.units)
        station = Unrecorded()
        header = {**led_by(self.plan.given), "round_tests": ", ".join(self.plan.tests), **self._load(this)}
        first = TestStarted(self.now(), BETWEEN, data, self.settings.to_mapping(), header, clock=self._clock(this))
        self.play(station, first, build(data, self.settings, BETWEEN))
        state = station.state
        return (state.step.id if state.outcome == "done" else ""), state

    def _title(self, this: SoFar) -> str:
        if this.portion is None:
            return " ".join(filter(None, [sentence("round.new"), *self._lacks(), self._foreseen()[0]])).rstrip(".")
        at, _ = this.portion.on_clock(self.now(), self.boot, self.wall())
        words = [sentence("round.since_unknown") if at is None else sentence("round.since", duration=duration(self.now() - at))]
        done = this.done
        its = judged(this.records).properties if done and done[-1].check else []
        words += [f"{capital(one.follows.why)}." for one in its if one.test == done[-1].test]
        return " ".join(words).rstrip(".")

    def _lacks(self) -> list[str]:
        """What its tests will lack, while there is still time to get it; each says so again when it begins."""
        return list(dict.fromkeys(f"{capital(one)}." for test in self.plan.tests for one in registry.METHODS[test].lacks(self.settings)))

    def _own_concrete(self) -> list[str]:
        """The tests that each take concrete of their own: one filling of a bowl may serve two."""
        pair = self.plan.one_bowl(self.plan.tests, self.settings)
        return [test for test in self.plan.tests if pair is None or test != pair[0]]

    def _foreseen(self, was_late: Collection[str] = ()) -> tuple[str, str]:
        """What one person can't do in time, and what to leave to a second one: as told before the sample is taken, and after;
        then only where nothing else was late."""
        if self.plan.technicians > 1:
            return "", ""
        late, others = core.foreseen(self.plan.tests, self.settings, self.plan.one_bowl(self.plan.tests, self.settings),
                                     str(self.plan.given.get("speech", "normal")))
        if not late:
            return "", ""
        told = listed([sentence("round.about_late", test=named([test]), minutes=duration(-(-by // 60) * 60))
                       for test, by in late.items()])
        after = sentence("round.with_second", tests=named(others)) if was_late and set(was_late) <= set(late) else ""
        return sentence("round.alone_late", late=told, tests=named(others)), after

    def _end(self, this: SoFar) -> int:
        said = {one["test"]: ", ".join(figures(each) for each in one["results"]
                                       if each["rounded"] is not None) or sentence("log.no_value") for one in this.records
                if not one.get("comparison") and (one["results"] or one["verdict"] != "none")}
        found = judged(this.records)
        words = [sentence("round.wash"), self._foreseen({one.test for one in found.done if one.is_late})[1]]
        self._ask(this, [], summary=" ".join([found.summary(said, self.settings.units), *filter(None, words)]))
        return 0 if found.right else 1

    # --- one test ------------------------------------------------------------------------------------------------------------

    def _header(self, test: str, **more: Any) -> Header:
        return header_of({"test": test, **self.plan.given, **more}, "round")

    def _load(self, this: SoFar) -> dict[str, Any]:
        """When the load was batched, as far as anybody said: questions between the tests tell of its age too."""
        known = {**self.plan.given, **this.labels}
        return {"batched_at": known["batched_at"]} if "batched_at" in known else {}

    def _clock(self, this: SoFar) -> dict[str, Any]:
        """The clocks as batch_clock.begin and, once the sample is taken, round_clock.begin take them."""
        wall = {"wall": loads.of_day(self.wall())}
        if this.portion is None:
            return wall
        at, by_wall = this.portion.on_clock(self.now(), self.boot, self.wall())
        placed = self._placed(this)
        return {**wall, "at": at, "boot": self.boot, "to_begin": load_judged.left(self.plan.tests, this.done), "by_wall": by_wall,
                **({"thermometer_at": placed} if placed is not None else {})}

    def _test(self, this: SoFar, answer: str) -> bool:
        """Run the test that was chosen. False: it was left."""
        how, _, test = answer.partition(".")
        labels: dict[str, Any] = {"round": this.name, "round_tests": ", ".join(self.plan.tests), **this.labels}
        labels |= {} if self.plan.check_tests else {"check_tests": False}
        clock: dict[str, Any] = {"wall": loads.of_day(self.wall()), "boot": self.boot}
        settings: dict[str, Any] = {}
        if registry.ROUNDS[test].again:
            clock["placed"] = self.plan.placed(self.journal)
        if test not in load_judged.BEFORE:
            labels["sample"] = str(self.plan.given.get("sample") or this.sample)
        if this.portion is not None and test != "sampling":
            clock = self._clock(this)
            labels["sampled_at"] = this.portion.wall.isoformat()[11:16]
            told = how != "check" and self._other_began(this, test, clock, how == "repeat")
            if told is None:
                return False
            clock |= {"told": True} if told else {"aged": True} if how != "next" else {}
            if how != "repeat":
                clock["cautioned"] = self.heard is not None and self.now() - self.heard <= caution.BREAK_S
        if how == "check":
            labels["check_of"] = sentence("round.check_of", test=named([test]))
        elif how == "repeat":
            first = next((one.technician for one in this.done if one.test == test), "")
            compared = sentence("round.compared_with", test=named([test]), technician=first)
            labels |= {"technician": self.plan.second, "comparison": compared}
        placed = self._placed(this)
        if how == "next" and test == "temperature" and placed is not None and not clock.get("told"):
            stood = self.now() - placed
            clock |= {"from": "wait", "stands_since": placed}
            settings["thermometer_s"] = f"{max(0.0, float(self.settings.thermometer_s) - stood):.1f}"
        pair = self.plan.one_bowl(load_judged.left(self.plan.tests, this.done), self.settings) if how == "next" else None
        in_bowl = pair is not None and pair[0] == test
        if in_bowl:
            labels["measured_in"] = sentence("round.bowl")
        full = self._full(this)
        if how == "next" and full is not None and full[0] == test:
            clock["from"] = ROUNDS[test].full_at
            clock["filled_at"] = full[1]
        needed = core.least_sample(self._own_concrete(), self.settings, self.plan.check_tests) if test == core.SAMPLE else {}
        gear, overdue = self.plan.gear(test)
        header = self._header(test, **{**gear, **labels, **needed})
        if in_bowl:
            header = _in_bowl(header)
        header, earlier = self._earlier(this, header, clock if how == "next" else {}) if how != "repeat" else (header, "")
        remarks = [self.plan.remark if test in core.AIR else "", sentence("round.in_bowl") if in_bowl else "", earlier, overdue]
        remark = {"remark": " ".join(filter(None, remarks))} if any(remarks) else {}
        first_event = TestStarted(self.now(), test, header.data, {**header.settings.to_mapping(), **settings},
                                  {**header.labels, **remark}, clock=clock)
        station = Station(self.journal, self.journal.new_test(), self.boot)
        return self._play(station, first_event, header.procedure)

    def _earlier(self, this: SoFar, header: Header, clock: Mapping[str, Any]) -> tuple[Header, str]:
        """A test that offers what this round may have done before the sample: without the offer and with a remark where it was done
        and passed with this meter, else with the question saying what it costs while the clock of this test runs."""
        if not (test := core.offered(header.data)):
            return header, ""
        done = passed(this.records, registry.METHODS[test].results, header.labels.get("meter"))
        if done is not None:
            return _with(header, core.without_offer(header.data)), sentence(
                "round.earlier", what=capital(named([test])), result=figures(done))
        limit = limit_s(header.test, self.settings)
        if limit is None or header.test not in clock.get("to_begin", ()) or clock.get("at") is None:
            return header, ""
        words = sentence("round.costs", what=capital(named([test])), limit=duration(limit), test=named([header.test]))
        return _with(header, core.offer_says(header.data, words)), ""

    def _other_began(self, this: SoFar, test: str, clock: Mapping[str, Any], compared: bool) -> bool | None:
        """Two technicians and it is late for this test: the other may have begun it in time. None: the round was left there."""
        limit = limit_s(test, self.settings)
        if self.plan.technicians < 2 or limit is None or clock["at"] is None or not compared and test not in clock["to_begin"] \
                or self.now() - clock["at"] <= limit:
            return False
        words = "round.other_completed" if registry.ROUNDS[test].by_end else "round.other_begun"
        answer, state = self._ask(this, [core.Question("told", sentence(words), rare=True)], stop="")
        return None if state.outcome in ("", "scrapped") else bool(answer)

    def _finish(self, station: Station) -> bool:
        """Go on with a test of a round that was broken off. False: left again."""
        procedure, header = station.state.procedure, station.state.header or {}
        assert procedure is not None
        practice, folder = bool(header.get("practice")), self.journal.path.parent
        if not header.get("round"):
            finish = typed(f"{'practise' if practice else 'run'} {procedure.test}", folder, practice)
            raise Refusal(f"test {station.test} is a {procedure.test} test that is not over and belongs to no round. "
                              f"Finish it first ({finish}).")
        if practice != bool(self.plan.given.get("practice")):
            finish = typed(f"round{' --practise' if practice else ''}", folder, practice)
            raise Refusal(f"test {station.test} is {'practice' if practice else 'a real test'} and is not over. "
                              f"Finish it first ({finish}).")
        this = so_far(self.journal, header["round"], of_round(self.journal, header["round"]))
        at = this.portion.on_clock(self.now(), self.boot, self.wall())[0] if this.portion else None
        return self._play(station, Restarted(self.now(), self.boot, at, loads.of_day(self.wall())), procedure)

    def _play(self, station: Station, first: Event, procedure: Procedure) -> bool:
        """False: it was left before its end."""
        self.play(station, first, procedure)
        if caution.heard(station.state):
            self.heard = self.now()
        return station.over


def _with(header: Header, data: Mapping[str, Any]) -> Header:
    return replace(header, data=data, procedure=build(data, header.settings, header.test))


def _in_bowl(header: Header) -> Header:
    """The same test with the bowl of the air meter as its measure; how that is filled its own test says."""
    without = ROUNDS[header.test].in_bowl
    stages = [{**stage, "step": [one for one in stage["step"] if one["id"] != without]} for stage in header.data["stage"]]
    ending = "_m3" if header.settings.si else "_ft3"
    volume = f"{header.settings.amount('bowl_volume'):f}"
    settings = Settings.from_mapping({**header.settings.to_mapping(), f"measure_volume{ending}": volume})
    data = {**header.data, "stage": stages}
    return replace(header, data=data, settings=settings, procedure=build(data, settings, header.test))
