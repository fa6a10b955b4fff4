"""A technician who mostly cooperates always gets to the end, whatever else happens on the way.

Seeded random walks through whole tests: between cooperative answers come take-backs, restarts, pauses, scrap questions
answered no, wrong values, noise and lost devices, at any moment. No walk may get stuck, crash, or end with a result
that its readings do not support.
"""
from __future__ import annotations

import random
from decimal import Decimal

import pytest

from assistant.core.effects import Record
from assistant.core.events import (DeviceLost, Event, Heard, HearingChanged, KeyPressed, Restarted, Spoken, TestStarted, TimerDue,
                                   Unclear)
from assistant.core.judge import judge
from assistant.core.machine import step
from assistant.core.settings import Settings
from assistant.core.spoken import digits, say
from assistant.core.state import Phase, State
from assistant.procedures import load

START = TestStarted(0.0, "sequential", load("sequential"), Settings().to_mapping(), {})
FIRST = step(State(), START)[0]
E = {"1.1": "7.25", "1.2": "18.63", "1.3": "31.81", "2.1": "7.32", "2.2": "18.77", "2.3": "32.01"}
TRUE = {"leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16",
        **{f"charge.{run}.{number}": target for run in (1, 2) for number, target in ((1, "14.50"), (2, "30.00"), (3, "45.00"))},
        **{f"equilibrium.{place}": value for place, value in E.items()}}
MISCHIEF = ["take it back", "scrap the test", "pause", "say again", "time left", "where are we", "quiet", "talk", "slower",
            "carry on", "yes", "no", "next", "seven point nine nine", "thirty one point one eight", "nonsense"]


class Walk:
    def __init__(self, seed: int, mischief: float) -> None:
        self.chance, self.mischief = random.Random(seed), mischief
        self.state, self.now, self.boot = FIRST, 0.0, 0
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
        kind = self.chance.randrange(10)
        if kind == 0:
            self.boot += 1
            self.now = self.chance.choice((self.now, 5.0))
            self.post(Restarted(self.now, f"boot-{self.boot}"))
        elif kind == 1:
            self.post(self.chance.choice((DeviceLost(self.now, "microphone", "Use the keypad."),
                                          HearingChanged(self.now, "noisy"), HearingChanged(self.now, "good"))))
        elif kind == 2:
            self.post(Unclear(self.now, ""))
        elif kind == 3:
            self.post(KeyPressed(self.now, self.chance.choice([*"0123456789*#ABCD", "A-held", "C-held"])))
        else:
            self.post(Heard(self.now, self.chance.choice(MISCHIEF)))

    def cooperate(self) -> None:
        state = self.state
        if state.spoken < state.utterance and self.chance.random() < 0.8:
            self.post(Spoken(self.now, state.utterance))
        elif state.paused:
            self.post(Heard(self.now, "carry on"))
        elif state.phase is Phase.SCRAP:
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
        elif state.phase is Phase.CHOOSE and state.step.id == "metric.keep":
            self.post(Heard(self.now, "no"))
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


@pytest.mark.parametrize("mischief", [0.0, 0.05, 0.2])
@pytest.mark.parametrize("seed", range(25))
def test_every_walk_comes_to_its_end(seed: int, mischief: float) -> None:
    walk = Walk(seed, mischief)
    for _ in range(20_000):
        if walk.state.phase is Phase.OVER:
            break
        walk.one()
    assert walk.state.phase is Phase.OVER, walk.trail[-30:]
    if walk.state.outcome != "done":
        return  # scrapped by a "yes" at the wrong moment
    taken = walk.state.taken()
    assert all(f"{kind}.{run}.{number}" in taken for kind in ("charge", "equilibrium") for run in (1, 2) for number in (1, 2, 3))
    assert {name: value for name, value in taken.items()} == {name: walk.taken[name] for name in taken}
    last = walk.state.judged[-1][1] if walk.state.judged else None
    assert last is not None
    final = [judged for index, judged in walk.state.judged if walk.state.procedure.steps[index].id == "results"][0]
    invalid = [one.text.rstrip(".") for one in walk.state.notes if one.invalid]
    again = [f"repeat the test: {one.id} {one.text}" for one in walk.state.notes if one.repeat]
    assert final == judge("sequential", taken, walk.state.settings, invalid, again), "the result is not what the readings give"
