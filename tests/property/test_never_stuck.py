"""A technician who mostly cooperates always gets to the end, whatever else happens on the way.

Seeded random walks through whole tests: between cooperative answers come take-backs, restarts, pauses, scrap questions
answered no, wrong values, noise and lost devices, at any moment. No walk may get stuck, crash, or end with a result
that its readings do not support.
"""
from __future__ import annotations

import random
from decimal import Decimal

import pytest

from assistant.core.asked import APART_S, HELD, soonest, waits
from assistant.core.effects import Record
from assistant.core.events import (
    DeviceLost,
    Event,
    GaugeReads,
    GaugeSteady,
    Heard,
    HearingChanged,
    KeyPressed,
    Restarted,
    Spoken,
    TestStarted,
    TimerDue,
    Unclear,
)
from assistant.core.judgement import Marks
from assistant.core.machine import step
from assistant.core.methods.registry import judge
from assistant.core.settings import Settings
from assistant.core.spoken import digits, say
from assistant.core.state import Phase, State
from assistant.core.steps import Judge
from assistant.procedures import load, names

JOB = Settings.from_mapping({"measure_volume_ft3": "0.250", "bowl_volume_ft3": "0.245"})
E = {"1.1": "7.25", "1.2": "18.63", "1.3": "31.81", "2.1": "7.32", "2.2": "18.77", "2.3": "32.01"}
TRUE = {"leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16",
        **{f"charge.{run}.{number}": target for run in (1, 2) for number, target in ((1, "14.50"), (2, "30.00"), (3, "45.00"))},
        **{f"equilibrium.{place}": value for place, value in E.items()},
        "temperature": "72", "slump": "4.25", "tare": "18.6", "gross": "54.1", "air.reading": "5.4", "water.drawn": "5.1",
        "canister.reading": "5.1", "zero.reading": "0.01", "cylinder.set": "7", "cylinder.count": "4", "cure.max": "78",
        "cure.min": "63", "cure.hours": "24", "cylinder.box": "2", "picked.count": "4", "picked.by": "7", "weather.air": "68", "weather.wind": "8",
        "weather.humidity": "45",
        "alcohol": "2.0", "cups": "1", "level.1": "5.25", "level.2": "5.00", "level.3": "5.00",
        "ticket.number": "17", "ticket.truck": "12", "ticket.load": "7", "ticket.batched": "42",
        "ticket.water": "5", "ticket.water_at": "55", "ticket.revolutions": "72", "ticket.volume": "8", "ticket.location": "4",
        **{f"canister.charge.{number}": "14.50" for number in (1, 2, 3)},
        **{f"canister.equilibrium.{number}": "7.91" for number in (1, 2, 3)},
        **{f"{kind}.{number}": target for kind in ("gauge", "reference")
           for number, target in enumerate(("14.50", "30.00", "45.00"), 1)}}
MISCHIEF = ["take it back", "scrap the test", "pause", "say again", "time left", "where are we", "quiet", "talk", "slower",
            "carry on", "yes", "no", "next", "seven point nine nine", "thirty one point one eight", "nonsense"]


class Walk:
    def __init__(self, seed: int, mischief: float, test: str = "sequential") -> None:
        self.chance, self.mischief = random.Random(seed), mischief
        self.header = {"hands": "buttons"} if seed % 2 else {}
        self.state = step(State(), TestStarted(0.0, test, load(test), JOB.to_mapping(), self.header))[0]
        self.now, self.boot = 0.0, 0
        self.taken: dict[str, Decimal] = {}
        self.trail: list[str] = []

    def post(self, event: Event) -> None:
        self.state, effects = step(self.state, event)
        self.trail.append(f"{type(event).__name__} {getattr(event, 'text', getattr(event, 'key', ''))} -> "
                          f"{self.state.prompt} {self.state.phase}")
        for effect in effects:
            if isinstance(effect, Record) and effect.kind == "taken":
                self.taken[effect.fields["id"]] = effect.fields["value"]

    def one(self) -> None:
        self.now = max(self.now, self.state.now) + self.chance.choice((0.0, 0.2, 1.0, 3.0))
        due = [(when, name) for name, when in self.state.timers if when <= self.now]
        if due:
            when, name = min(due)
            self.post(TimerDue(self.now, name))
        elif self.state.phase is not Phase.IDLE and self.chance.random() < self.mischief:
            self.trouble()
        else:
            self.cooperate()

    def trouble(self) -> None:
        kind = self.chance.randrange(12)
        if kind == 0:
            self.boot += 1
            self.now = self.chance.choice((self.now, 5.0))
            self.post(Restarted(self.now, f"boot-{self.boot}"))
        elif kind == 1:
            self.post(self.chance.choice((DeviceLost(self.now, "microphone", "Use the keypad."),
                                          HearingChanged(self.now, "noisy"), HearingChanged(self.now, "good"))))
        elif kind == 2:
            self.post(Unclear(self.now, ""))
        elif kind == 10:
            self.post(GaugeReads(self.now, self.psi()))
        elif kind == 11:
            self.post(GaugeSteady(self.now, self.psi(), Decimal("0.01"), self.now - self.chance.choice((0.5, 2.0))))
        elif kind == 3:
            self.post(KeyPressed(self.now, self.chance.choice([*"0123456789*#ABCD", "#-held", "A-held", "B-held", "C-held", "D-held"])))
        else:
            self.post(Heard(self.now, self.chance.choice(MISCHIEF)))

    def psi(self) -> Decimal:
        """What a gauge on the wire might show: near what is true, or anything."""
        near = Decimal(TRUE.get(self.state.step.id, "14.5")) + Decimal(self.chance.randrange(-5, 6)) / 100
        return near if self.chance.random() < 0.7 else Decimal(self.chance.randrange(0, 5000)) / 100

    def cooperate(self) -> None:
        state = self.state
        if state.spoken >= state.utterance and state.phase not in (Phase.HOLD, Phase.TAPPING):
            self.now = max(self.now, soonest(state, state.answered.answer) + 0.001)  # hears the question out
        if state.spoken < state.utterance and self.chance.random() < 0.8:
            self.post(Spoken(self.now, state.utterance))
        elif state.paused:
            self.post(Heard(self.now, "carry on"))
        elif state.away is not None and waits(state):
            self.now = max(self.now, state.away.at + APART_S)  # he comes back
            self.post(KeyPressed(self.now, HELD))
        elif state.phase in (Phase.SCRAP, Phase.CHANGE, Phase.REST):
            self.post(Heard(self.now, "no"))
        elif state.phase in (Phase.HOLD, Phase.TAPPING):
            if state.timers:
                self.now = max(self.now, min(when for _, when in state.timers))
                name = min(state.timers, key=lambda one: one[1])[0]
                self.post(TimerDue(self.now, name))
            else:
                self.post(Spoken(self.now, state.utterance))
        elif state.phase is Phase.ENTRY:
            self.enter(Decimal(TRUE[state.ask.id]))
        elif state.phase is Phase.CONFIRM:
            assert state.proposed is not None
            right = state.proposed.value == Decimal(TRUE[state.ask.id])
            self.post(Heard(self.now, "yes" if right else "no"))
        elif state.phase is Phase.CHOOSE and state.step.id in ("metric.keep", "kind"):
            self.post(Heard(self.now, "no" if state.step.id == "metric.keep" else self.chance.choice(("yes", "no"))))
        else:
            self.post(Heard(self.now, "next" if state.phase in (Phase.TELL, Phase.READY) else "yes"))

    def enter(self, value: Decimal) -> None:
        if self.state.typed:
            self.post(KeyPressed(self.now, "C"))
        if self.state.first is not None and self.chance.random() < 0.5:
            self.post(Heard(self.now, digits(value).replace(",", "")))
        elif self.chance.random() < 0.5 and self.state.first is None:
            self.post(Heard(self.now, say(value)))
        else:
            for key in f"{value:f}".replace(".", "*") + "#":
                self.post(KeyPressed(self.now, key))


OTHERS = [name for name in names() if name != "sequential"]


@pytest.mark.parametrize("mischief", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("seed", range(25))
def test_every_walk_comes_to_its_end(seed: int, mischief: float) -> None:
    walk = walked(Walk(seed, mischief))
    taken = walk.state.taken()
    if walk.state.outcome == "done":
        assert all(f"{kind}.{run}.{number}" in taken for kind in ("charge", "equilibrium") for run in (1, 2)
                   for number in (1, 2, 3))


@pytest.mark.parametrize("mischief", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("test", OTHERS)
def test_so_does_every_walk_through_the_other_tests(test: str, seed: int, mischief: float) -> None:
    walked(Walk(seed, mischief, test))


@pytest.mark.long
@pytest.mark.parametrize("test", OTHERS)
def test_many_walks_through_the_other_tests(test: str) -> None:
    for seed in range(3, 100):
        walked(Walk(seed, 0.3, test))


def walked(walk: Walk) -> Walk:
    """To its end; what came out is what the readings give."""
    for _ in range(20_000):
        if walk.state.phase is Phase.OVER:
            break
        walk.one()
    assert walk.state.phase is Phase.OVER, walk.trail[-30:]
    if walk.state.outcome != "done":
        return walk  # scrapped by a "yes" at the wrong moment
    taken, steps = walk.state.taken(), walk.state.procedure.steps
    assert {name: value for name, value in taken.items()} == {name: walk.taken[name] for name in taken}
    judged = [(index, one) for index, one in walk.state.judged if one.verdict and not one.partial]
    if not judged:
        assert not any(isinstance(one, Judge) for one in steps)
        return walk
    index, final = max(judged, key=lambda one: one[0])
    assert {one.name: one.value for one in final.results} in (
        {one.name: one.value for one in judge(steps[index].rule, taken, walk.state.settings, Marks(invalid)).results}
        for invalid in ((), ("",))), "the result is not what the readings give"
    return walk
