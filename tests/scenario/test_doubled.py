"""A whole practice test whose every press comes twice: on the keypad, and by the pedal with the gauge on the wire.

The simulated meter, the station's words at the length that they take, the attack's oracle watching. The technician does at the
meter what he is asked to, once the words are over, then presses; where the station wants another answer he says it.
"""
from __future__ import annotations

import json
import random
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core.events import GaugeReads, GaugeSteady
from assistant.core.state import Phase
from assistant.station.gauge_watch import GaugeWatch
from hardware.meter import Meter
from tests.command import bowlside
from tests.property.technician import spoken
from tests.property.world import World

EVERY_S = 0.1


class Practice(World):
    """A world with a meter in it, and its gauge on the wire if ``wired``."""

    def __init__(self, meter: Meter, wired: bool) -> None:
        self.meter, self.wired, self.chance, self.ticked = meter, False, random.Random(7), 0.0
        super().__init__("sequential")
        self.watch, self.wired = GaugeWatch(self.post, lambda: self.state), wired
        meter.unclamp()

    def until(self, when: float) -> None:
        while self.ticked + EVERY_S <= when and not self.over:
            self.ticked += EVERY_S
            super().until(self.ticked)
            self.meter.advance(EVERY_S)
            if self.state.phase is Phase.TAPPING and round(self.ticked / EVERY_S) % 5 == 0:
                self.meter.lever(True)
                self.meter.strike()
            if self.wired and not self.over:
                self.watch.sample(self.now, Decimal(f"{float(self.meter.gauge()) + self.chance.gauss(0, 0.002):.3f}"), self.now)
        super().until(when)


class Crew:
    """Hands at the meter and one thumb or foot that always comes down twice."""

    def __init__(self, world: Practice, gap: float) -> None:
        self.world, self.meter, self.gap = world, world.meter, gap
        self.unclamped_at = -1.0
        self.tries = 0

    def wait(self, seconds: float) -> None:
        self.world.until(self.world.now + seconds)

    def press(self) -> None:
        self.wait(0.8)
        if self.world.wired:
            self.world.watch.before_answer(self.world.now)
        self.world.act(0.0, "key", "#")
        self.world.act(self.gap, "key", "#")

    def say(self, words: str) -> None:
        self.wait(0.8)
        self.world.act(0.0, "say", words)

    def test(self) -> None:
        while not self.world.over:
            prompt = self.world.state.prompt
            self.listen()
            if self.world.over or self.world.state.prompt != prompt:
                self.tries = 0
                continue
            if not self.tries:
                self.work(prompt)
            if self.world.over or self.world.state.prompt != prompt:
                continue  # the wire has answered meanwhile
            self.answer(prompt)
            self.tries = self.tries + 1 if self.world.state.prompt == prompt else 0
            assert self.tries < 8, f"stuck at {prompt}: {[str(one) for one in self.world.events[-6:]]}"

    def listen(self) -> None:
        """Until the words are over, and no clock and no beats run."""
        while not self.world.over and (self.world.speech or self.world.state.phase in (Phase.HOLD, Phase.TAPPING)):
            self.wait(EVERY_S)

    def work(self, prompt: str) -> None:
        """What the prompt asks of the hands."""
        kind, _, place = prompt.removesuffix(".confirm").partition(".")
        meter = self.meter
        if prompt == "leak.charge":
            self.charge(45.25)
        elif prompt in ("leak.down", "finish.bleed"):
            while meter.chamber_psi > 0.01:
                meter.bleed()
                self.wait(0.4)
        elif prompt == "close":
            meter.close_lid()
        elif kind == "flood":
            meter.flood()
            if place.endswith("3"):
                meter.petcocks(False)
        elif prompt == "clamps":
            meter.petcocks(False)  # he looks before he says yes
        elif kind == "pump":
            meter.lever(False)
            meter.petcocks(False)
            self.charge(self.target(place))
        elif kind == "charge" and prompt == f"charge.{place}" and abs(float(meter.gauge()) - self.target(place)) > 1:
            meter.lever(False)  # a press too many has passed the charging by: he sees it on the dial
            self.charge(self.target(place))
        elif prompt in ("letdown.1", "finish.letdown"):
            meter.lever(False)
            meter.petcocks(True)
            self.wait(15)
        elif prompt == "bleed.2":
            self.charge(14.5)
        elif prompt == "finish.unclamp":
            assert meter.bowl_psi < 0.05 and meter.chamber_psi < 0.05, "a clamp was opened under pressure"
            meter.unclamp()
            self.unclamped_at = self.world.now

    def target(self, place: str) -> float:
        return float(self.world.state.settings.target(int(place[-1])))

    def charge(self, target: float) -> None:
        for _ in range(400):
            over = float(self.meter.gauge()) - target
            if abs(over) < 0.012:
                self.wait(1.5)
                if abs(float(self.meter.gauge()) - target) < 0.02:
                    return
            elif over > 0:
                self.meter.bleed(fine=over < 1.5 + 0.04 * target)
            else:
                self.meter.pump(fine=over > -1.3)
            self.wait(0.4)
        raise AssertionError(f"no charge of {target}")

    def answer(self, prompt: str) -> None:
        state = self.world.state
        if state.phase is Phase.ENTRY:
            self.read()
        elif self.tries < 2:
            self.press()
        elif self.tries == 4:
            self.say("say again")
        else:
            self.wait(4.5)
            self.say("next" if state.phase in (Phase.TELL, Phase.READY) else "yes")

    def read(self) -> None:
        """By wire the gauge offers, or is taken by a press; else the dial is keyed, and said the second time."""
        state, dial = self.world.state, self.meter.gauge()
        if self.world.wired and self.tries < 2:
            self.wait(4.0)
            if self.world.state.phase is Phase.ENTRY and self.world.state.prompt == state.prompt and self.world.silent:
                self.press()
        elif state.first is not None and state.first.source != "voice" or self.tries > 3:
            self.say(spoken(dial))
        else:
            for key in f"{dial:f}".replace(".", "*"):
                self.world.act(0.3, "key", key)
            self.world.act(0.3, "key", "#")
            self.world.act(self.gap, "key", "#")


def whole_test(wired: bool, gap: float) -> Crew:
    crew = Crew(Practice(Meter(6.0, 0.20, seed=3), wired), gap)
    crew.test()
    return crew


@pytest.mark.parametrize("gap", [0.3, 0.6, 1.5])
@pytest.mark.parametrize("wired", [False, True], ids=["every # doubled", "every press of the pedal doubled, by wire"])
def test_a_whole_practice_test_pressed_twice(wired: bool, gap: float) -> None:
    """Meter of 6.0 % air (0.3 of it the aggregate's) and a metric of 0.20 psi. It reads to 0.01 psi with its own noise."""
    crew = whole_test(wired, gap)
    final = crew.world.final()
    assert final.outcome == "done" and crew.unclamped_at > 0
    crew.world.oracle.end(final)
    assert {name for name, _, counts in final.readings if counts} >= {"leak.initial", "leak.final", "equilibrium.2.3"}
    assert abs(final.results["air_content"][1] - Decimal("5.7")) <= Decimal("0.1"), final.results
    assert abs(final.results["system_air_metric"][1] - Decimal("0.20")) <= Decimal("0.04"), final.results
    if wired:
        assert sum(isinstance(one, GaugeSteady) for one in crew.world.events) > 12 and any(
            isinstance(one, GaugeReads) for one in crew.world.events)


def test_a_script_says_what_comes_a_time_after_the_line_before_it(tmp_path: Path) -> None:
    """The same slip as a script: a doubled key half a second apart, words said to an earlier question, a kill."""
    lines = [{"test": "leak"}, {"on": "zero", "key": "#"}, {"then": 0.5, "key": "#"}, {"on": "zero", "then": 0.1, "say": "next"},
             {"then": 0.4, "event": {"kind": "Restarted", "boot": "b"}}]
    done = bowlside("rehearse", "-", "--json", "--journal", tmp_path, stdin="\n".join(map(json.dumps, lines)))
    pressed = next(line["at"] for line in done.lines("said") if line["id"] == "leak.charge.caution")
    refused = [line["at"] for line in done.lines("cue") if line["name"] == "refused"]
    assert [round(float(at - pressed), 1) for at in refused] == [0.5, 0.6]
    said = [(round(float(line["at"] - pressed), 1), line["text"]) for line in done.lines("said")]
    assert any(at == 1.0 and "Going on" in text for at, text in said)
    assert done.lines("waiting")[0]["id"] == "leak.charge"


@pytest.mark.parametrize("line, words", [
    ({"then": -1, "key": "#"}, '"then" must be seconds'), ({"then": 1, "after": 1, "key": "#"}, "give one of them"),
    ({"then": 1, "event": {"kind": "TestStarted"}}, "its kind must be one of"),
    ({"then": 1, "event": {"kind": "GaugeReads"}}, "lacks its 'value'"),
    ({"then": 1, "event": {"kind": "KeyPressed", "key": 5}}, '"key" must be str')])
def test_a_wrong_line_of_that_kind_is_one_sentence(tmp_path: Path, line: dict, words: str) -> None:
    done = bowlside("rehearse", "-", "--journal", tmp_path, stdin=json.dumps({"test": "leak"}) + "\n" + json.dumps(line))
    done.is_one_sentence(2, "line 2", words)
