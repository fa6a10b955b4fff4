"""Scripts of a technician who slips: double taps, answers too early, misreadings, shopping for a number, kills; all by chance.

A `World` is a station on a virtual clock that jumps: the machine, what it is saying and for how long, its timers. It gives every
event to the oracle as it happens, and writes each thing that was done as a line of a script, so that `bowlside rehearse` plays the
very same. A `Technician` acts in a world: a person with a manner, and with slips between.
"""
from __future__ import annotations

import math
import random
from collections.abc import Iterable
from copy import copy
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cache
from typing import Any

from assistant import record
from assistant.core.effects import Effect, Hush, Speak
from assistant.core.events import (DeviceBack, DeviceLost, Event, GaugeReads, GaugeSteady, Heard, HearingChanged, KeyPressed,
                                   Restarted, Spoken, TestStarted, TimerDue, Unclear, to_plain)
from assistant.core.machine import step
from assistant.core.settings import Settings
from assistant.core.state import Phase, State
from assistant.core.steps import Choose, Tap
from assistant.jsonline import dumps
from assistant.procedures import load, names
from assistant.rehearse import SilentVoice
from tests.property.oracle import DIGITS, EQUAL_APART_S, Final, Oracle, Slip
from tests.property.test_never_stuck import MISCHIEF, TRUE

LIMITS = {"system_air_metric": [None, Decimal("0.20")], "air_content": [Decimal("4.5"), Decimal("7.5")],
          "slump": [Decimal(2), Decimal(5)], "density": [Decimal(138), Decimal(150)], "temperature": [Decimal(50), Decimal(90)],
          "leak_drop": [None, Decimal("0.12")]}
HEADER = {"chamber_ratio": Decimal("0.06"), "aggregate_correction_pct": Decimal("0.3"), "measure_volume_ft3": Decimal("0.250"),
          "bowl_volume_ft3": Decimal("0.245"), "limits": LIMITS, "rounding": "half-even"}
GAPS_S = (0.05, 0.1, 0.26, 0.3, 0.5, 0.6, 1.0, 1.5, 2.2, 3.6)
"""Between a key and what a bounce, a double tap or a nervous thumb makes of it."""
VOICE = SilentVoice()


def settings_of(test: str) -> Settings:
    return Settings.from_mapping(HEADER)


class World:
    """One test. ``handle`` is ``step``, or a journal's station."""

    def __init__(self, test: str, speech: str = "normal") -> None:
        self.header = {"test": test, **HEADER, "speech": speech}
        self.state, self.now, self.boots = State(), 0.0, 0
        self.speech: list[list[Any]] = []
        """Number, start, length, end of what is to be said, in order."""
        self.lines: list[dict[str, Any]] = []
        self.acted = 0.0
        """When the last line was: the next counts from it."""
        self.events: list[Event] = []
        started = TestStarted(0.0, test, load(test), Settings.from_mapping(HEADER).to_mapping(), {"speech": speech})
        self.oracle: Oracle | None = None
        self.post(started)
        self.oracle = oracle_for(self.state)
        self.oracle.prompt = self.state.prompt
        self.oracle._move(self.state.prompt, self.oracle._say(self._first), False)

    _first: tuple[Effect, ...] = ()

    def clone(self) -> World:
        other = copy(self)
        other.speech = [list(one) for one in self.speech]
        other.lines, other.events = list(self.lines), list(self.events)
        assert self.oracle is not None
        other.oracle = self.oracle.clone()
        return other

    def handle(self, event: Event) -> tuple[Effect, ...]:
        self.state, effects = step(self.state, event)
        return effects

    def post(self, event: Event) -> None:
        self.events.append(event)
        effects = self.handle(event)
        if self.oracle is None:
            self._first = effects
        for effect in effects:
            if isinstance(effect, Speak):
                length = VOICE.length(effect.text, effect.wpm) if effect.aloud else 0.0
                start = max(self.now, self.speech[-1][3]) if self.speech else self.now
                self.speech.append([effect.number, start, length, start + length])
            elif isinstance(effect, Hush):
                self._hush(effect.keep)
        if self.oracle is not None:
            self.oracle.see(event, effects, self.state.prompt)

    def _hush(self, keep: tuple[int, ...]) -> None:
        """As assistant/rehearse.py has it: what is kept moves up, what is dropped is over in its turn."""
        free = self.now
        for one in self.speech:
            number, start, length, _ = one
            if number in keep and start <= self.now:
                free = start + length
                continue
            one[1:] = free, (length if number in keep else 0.0), free + (length if number in keep else 0.0)
            free = one[3]

    # --- time --------------------------------------------------------------------------------------------------------

    def due(self) -> float | None:
        """When the station itself will go on: the end of an utterance, or a timer."""
        ends = [self.speech[0][3]] if self.speech else []
        return min([*ends, *(when for _, when in self.state.timers)], default=None)

    def turn(self) -> None:
        """The next thing that happens by itself."""
        timer = min(self.state.timers, key=lambda one: one[1], default=None)
        if timer is not None and (not self.speech or timer[1] <= self.speech[0][3]):
            self.now = max(self.now, timer[1])
            self.post(TimerDue(self.now, timer[0]))
        elif self.speech:
            number, _, _, end = self.speech.pop(0)
            self.now = max(self.now, end)
            self.post(Spoken(self.now, number))

    def until(self, when: float) -> None:
        while (due := self.due()) is not None and due <= when and not self.over:
            self.turn()
        self.now = max(self.now, when)

    @property
    def over(self) -> bool:
        return self.state.phase is Phase.OVER

    @property
    def silent(self) -> bool:
        return not self.speech

    # --- what is done --------------------------------------------------------------------------------------------------

    def act(self, after: float, kind: str, value: Any, on: str = "") -> None:
        """A line of the script, ``after`` seconds from now at least a millisecond, and what comes of it."""
        then = self._then(after)
        if self.over:
            return
        line = {"then": then, kind: value}
        self.lines.append({"on": on, **line} if on else line)
        match kind:
            case "key":
                self.post(KeyPressed(self.now, value))
            case "say":
                self.post(Heard(self.now, value, on))
            case "gauge":
                self.post(GaugeSteady(self.now, value))

    def _then(self, after: float) -> float:
        """Lets so much time pass. Seconds since the last line, whole milliseconds, as a script writes them."""
        then = math.ceil(max(self.now + after - self.acted, 0.0) * 1000 - 1e-6) / 1000
        self.until(self.acted + then)
        self.acted = self.now = self.acted + then
        return then

    def happens(self, after: float, event: Event) -> None:
        """Anything else; an event with a time of its own is a reboot, whose clock begins anew, or a key that has waited."""
        then = self._then(after)
        if self.over:
            return
        plain = to_plain(event)
        if not event.at:
            plain.pop("at")
            event = replace(event, at=self.now)
        self.lines.append({"then": then, "event": plain})
        if isinstance(event, Restarted):
            self.speech.clear()
            self.acted = self.now = event.at
        self.post(event)

    def script(self) -> str:
        """What was done, for `bowlside rehearse`."""
        return "".join(dumps(one) + "\n" for one in (self.header, *self.lines))

    def final(self) -> Final:
        state = self.state
        assert state.procedure is not None
        verdict, why = record.whole_verdict(state)
        void = verdict == "invalid"
        results = {one.name: (None, None) if void and not judged.partial else (one.value, one.rounded)
                   for _, judged in sorted(state.judged, key=lambda one: one[0]) for one in judged.results}
        return Final(state.procedure.test, state.settings.to_mapping(), state.outcome, verdict, why, record.exit_code(state),
                     tuple((one.id, one.value, not one.withdrawn) for one in state.readings), results)


def oracle_for(state: State) -> Oracle:
    """What the procedure's own data say: which questions are for safety, and where a charge should stand."""
    procedure, given = state.procedure, state.settings
    assert procedure is not None
    pressure = procedure.pressurised
    taps = frozenset(one.id for one in procedure.steps if isinstance(one, Tap))
    safety = {one.id for one in procedure.steps if one.caution or isinstance(one, Choose) and one.stops} | (taps if pressure else set())
    band = {f"charge.{run}.{n}": (given.target(n) - given.band_psi, given.target(n) + given.band_psi)
            for run in (1, 2) for n in (1, 2, 3)} | {name: (given.leak_low, given.leak_high)
                                                     for name in ("leak.charge", "leak.initial")}
    closed = safety & {one.id for one in procedure.steps if isinstance(one, Choose)}
    return Oracle(frozenset(safety), frozenset(closed), taps, pressure, band)


# --- the technician ----------------------------------------------------------------------------------------------------------

@dataclass(frozen=True)
class Manner:
    """How somebody works, apart from his slips."""
    voice: float = 0.5
    """How often he speaks where he could press."""
    hasty: float = 0.0
    """How often he answers before the words are over."""
    double: tuple[float, ...] = ()
    """His thumb presses # twice, so many seconds apart."""
    shops: float = 0.0
    """How often he wants another number once he has heard the result."""
    misreads: float = 0.0
    slips: float = 0.0
    """How often something of `Technician.slip` comes between."""


CALM = Manner()
MANNERS = (Manner(slips=0.25), Manner(hasty=0.4, slips=0.1), Manner(voice=0.1, double=GAPS_S, hasty=0.1),
           Manner(shops=0.7, misreads=0.05), Manner(misreads=0.25, hasty=0.1), Manner(voice=0.0, double=GAPS_S, slips=0.1),
           Manner(voice=0.9, hasty=0.3, slips=0.2), Manner(slips=0.5, hasty=0.3, misreads=0.1, shops=0.5, double=(0.3,)))


class Technician:
    def __init__(self, world: World, seed: int, manner: Manner, budget: int = 10**9) -> None:
        self.world, self.chance, self.manner, self.budget = world, random.Random(seed), manner, budget
        self.refused = 0
        """How often in a row an answer of his changed nothing."""
        self.face = {name: Decimal(value) for name, value in TRUE.items()}
        """What the gauge shows; he may misread it."""
        self.face["equilibrium.2.3"] = self.chance.choice([Decimal(one) for one in
                                                           ("32.01", "31.97", "32.01", "32.11", "31.60", "31.81", "32.75")])
        if self.chance.random() < 0.2:
            self.face["leak.final"] = Decimal("44.91")
        if self.chance.random() < 0.2:
            self.face["equilibrium.1.1"] = Decimal("7.97")
        for name in ("charge.1.2", "charge.2.3", "leak.initial", "charge.2.1"):
            if self.chance.random() < 0.15:
                self.face[name] += Decimal(self.chance.choice(("0.07", "-0.08", "0.30")))
        self.means: dict[str, Decimal] = {}
        """What he believes that he read."""

    def chose(self, of: float) -> bool:
        return self.chance.random() < of

    def one(self) -> None:
        """He does one thing, or lets the station go on."""
        world = self.world
        if self.budget > 0 and self.chose(self.manner.slips):
            self.budget -= 1
            self.slip()
            return
        state = world.state
        waiting = state.phase in (Phase.HOLD, Phase.TAPPING) and not state.paused
        if waiting and world.due() is not None:
            world.turn()
            return
        hasty = self.budget > 0 and self.chose(self.manner.hasty)
        if not hasty and not world.silent:
            world.turn()
            return
        self.budget -= hasty
        self.answer(self.chance.choice((0.05, 0.2, 0.4, 0.8, 1.5)) if hasty else self.chance.uniform(0.6, 1.6))

    def answer(self, after: float) -> None:
        """What is asked now, answered as well as he can."""
        state, before = self.world.state, self.world.state.prompt
        if self.refused > 1:
            after += EQUAL_APART_S + 0.5
        if state.paused:
            self.command(after, "carry on", "A-held")
        elif self.refused in (3, 6, 9):
            self.command(after, "say again", "A")
        elif state.phase is Phase.ENTRY:
            self.enter(after)
        elif state.phase is Phase.CONFIRM:
            assert state.proposed is not None
            right = self.means.get(state.ask.id, self.face[state.ask.id]) == state.proposed.value
            self.yes(after) if right else self.command(after, "no", "C")
        elif state.prompt == "scrap.confirm":
            self.command(after, "no", "C")
        elif state.prompt == "change.confirm":
            self.yes(after) if self.budget > 0 and self.chose(max(0.3, self.manner.shops)) else self.command(after, "no", "C")
        elif state.phase is Phase.OVERRIDE:
            if self.chose(0.5):
                self.command(after, "no", "C")
            else:
                self.trim(state.ask.id)
                self.yes(after)
        elif state.phase is Phase.CHOOSE:
            self.choose(after)
        elif state.phase in (Phase.TELL, Phase.READY):
            told = any(judged.results for _, judged in state.judged)
            if self.budget > 0 and told and self.chose(self.manner.shops / 2):
                self.budget -= 1
                self.look_again()
                self.command(after, "take it back", "B")
            else:
                self.next(after)
        else:
            self.world.until(self.world.now + 1.0)
        self.refused = self.refused + 1 if self.world.state.prompt == before else 0

    def choose(self, after: float) -> None:
        step = self.world.state.step
        assert isinstance(step, Choose)
        if step.id == "leak.again":
            self.cure()
        no = (step.id == "metric.keep" and self.budget > 0 and self.chose(self.manner.shops)
              or step.id in ("leak.ask", "leak.again", "kind", "method", "stood") and self.chose(0.3)
              or step.id == "leak.stop" or step.yes.skips)
        if no and step.id == "metric.keep":
            self.budget -= 1
            self.look_again()
        self.command(after, "no", "C") if no else self.yes(after)

    def look_again(self) -> None:
        """He wants another number: the dial shows what he likes to see."""
        last = self.world.state.last_taken()
        name = last.id if last is not None else "equilibrium.2.3"
        if name == "equilibrium.2.3":
            self.face[name] = self.chance.choice([Decimal(one) for one in ("31.97", "32.00", "31.99", "32.25", "31.70")])
        elif name in self.face:
            by = Decimal("0.25") if name == "slump" else max(Decimal("0.02"), Decimal(1).scaleb(self.face[name].as_tuple().exponent))
            self.face[name] += by * self.chance.choice((1, -1, 2, 3))
        self.means.clear()

    def trim(self, name: str) -> None:
        self.face[name] = Decimal(TRUE[name])
        self.means.clear()

    def cure(self) -> None:
        self.face["leak.final"] = Decimal(TRUE["leak.final"])

    def enter(self, after: float) -> None:
        state, ident = self.world.state, self.world.state.ask.id
        if state.first is None or ident not in self.means:
            self.means[ident] = self.misread(ident) if self.budget > 0 and self.chose(self.manner.misreads) else self.face[ident]
        if state.ask.band and self.refused > 1:
            self.trim(ident)  # "let it settle, then read it again": he does
            self.means[ident] = self.face[ident]
        value = self.means[ident]
        first, same = state.first, False
        aloud = self.chose(self.manner.voice) and "microphone" not in state.lost
        if first is not None:
            aloud = first.source != "voice" if self.refused < 2 else not self.refused % 2
            same = self.budget > 0 and self.chose(0.3)  # he thinks that it was asked for once more, and no more than that
            aloud = first.source == "voice" if same else aloud
        if aloud and (self.refused != 1 or same):
            digits = self.chose(0.4) if first is None else first.form == "whole"
            self.say(after, whole(value) if not digits and (first is None or same) else spoken(value))
            return
        if state.typed:
            self.key(after, "C")
        for number, key in enumerate([*f"{value:f}".replace(".", "*"), "#"]):
            self.key(after if number == 0 and not state.typed else 0.3, key)

    def misread(self, ident: str) -> Decimal:
        by = Decimal(self.chance.choice(("0.01", "-0.01", "0.10", "-0.10", "1", "-1", "0.72", "0.27")))
        return max(Decimal("0.01"), self.face[ident] + by)

    # --- what he does it with ----------------------------------------------------------------------------------------------

    def say(self, after: float, text: str) -> None:
        """Words began while something was asked, and are understood a moment later."""
        self.world.until(self.world.now + max(0.0, after - 0.3))
        if not self.world.over:
            self.world.act(min(after, 0.3), "say", text, self.world.state.prompt if self.chose(0.8) else "")

    def key(self, after: float, key: str) -> None:
        self.world.act(after, "key", key)
        if key == "#" and self.manner.double and self.budget > 0 and not self.world.over:
            self.budget -= 1
            self.world.act(self.chance.choice(self.manner.double), "key", "#")

    def command(self, after: float, text: str, key: str) -> None:
        aloud = self.chose(self.manner.voice) if self.refused < 2 else not self.refused % 2
        if aloud and "microphone" not in self.world.state.lost:
            self.say(after, text)
        elif key == "C" and self.world.state.typed:
            self.key(after, key)
            self.key(0.3, key)
        else:
            self.key(after, key)

    def yes(self, after: float) -> None:
        """To a safety question the key is held; it is what he is told to do once a short one was refused."""
        held = self.chose(0.5) if not self.refused else self.refused % 4 < 2
        self.command(after, "yes", "#-held" if held else "#")

    def next(self, after: float) -> None:
        self.command(after, "next", "#")

    # --- what comes between --------------------------------------------------------------------------------------------------

    def slip(self) -> None:
        world, chance = self.world, self.chance
        after = chance.choice((0.01, 0.1, 0.3, 0.7, 1.5, 3.0, 6.0))
        kind = chance.randrange(17)
        if kind <= 1:
            for _ in range(chance.randrange(1, 4)):
                world.act(chance.choice(GAPS_S), "key", "#")
        elif kind == 2:
            world.act(after, "key", chance.choice([*"0123456789*#ABCD", "A-held", "D-held"]))
        elif kind <= 4:
            self.say(after, chance.choice(["yes", "next", "no", "yes", *MISCHIEF]))
        elif kind == 5:
            self.command(after, "take it back", "B")
        elif kind == 6:
            world.boots += 1
            world.happens(after, Restarted(chance.choice((0.0, 0.0, 5.0)), f"boot-{world.boots}"))
            if chance.random() < 0.5 and not world.over:
                world.act(chance.choice(GAPS_S), "key", "#")
        elif kind == 7:
            world.happens(after, chance.choice((DeviceLost(0.0, "microphone", "Use the keypad."), DeviceBack(0.0, "microphone"),
                                                HearingChanged(0.0, "noisy"), HearingChanged(0.0, "good"), Unclear(0.0, ""))))
        elif kind == 8:
            world.act(after, "gauge", self.shown())
        elif kind <= 10:
            world.until(world.now + after)
            since = max(0.0, world.now - chance.choice((0.5, 2.0, 9.0)))
            world.happens(0.0, GaugeSteady(0.0, self.shown(), Decimal("0.01"), since))
        elif kind == 11:
            world.happens(after, GaugeReads(0.0, self.shown()))
        elif kind == 14:
            world.happens(after, TimerDue(0.0, chance.choice(("hold", "tap", "mark:60", "clock:0"))))  # it comes when it is not due
        elif kind == 16:
            self.late(chance.choice(("#", "#-held", "C")), after)
        elif kind == 15:
            self.queued(chance.choice(("#", "#", "C", "#-held")), after)
        elif kind == 12:
            self.say(after, chance.choice(("pause", "carry on", "time left", "where are we", "say again", "quiet", "talk")))
        else:
            self.command(after, "scrap the test", "C-held")
            if not world.over and world.state.phase is Phase.SCRAP and self.chose(0.9):
                self.command(chance.choice(GAPS_S), "no", "C")

    def late(self, key: str, after: float) -> None:
        """He says it, presses as well, and the recogniser takes its time."""
        asked = self.world.state.prompt
        self.world.act(self.chance.choice(GAPS_S), "key", key)
        if not self.world.over:
            self.world.act(after, "say", self.chance.choice(("yes", "next", spoken(self.shown()))), asked)

    def queued(self, key: str, after: float) -> None:
        """A key that waited: it is handled so long after it was pressed."""
        self.world.until(self.world.now + after)
        if not self.world.over:
            self.world.happens(0.0, KeyPressed(max(0.001, self.world.now - after), key))

    def shown(self) -> Decimal:
        """What a gauge on the wire might show: near what is true, or anything."""
        near = self.face.get(self.world.state.step.id, Decimal("14.5"))
        return near if self.chose(0.8) else near + Decimal(self.chance.randrange(-9, 10)) / 100


def spoken(value: Decimal) -> str:
    return " ".join("point" if sign == "." else DIGITS[int(sign)] for sign in f"{value:f}")


def whole(value: Decimal) -> str:
    """"thirty one point eight one": two figures before the point said as one number."""
    tens = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
    teens = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")
    before, _, after = f"{value:f}".partition(".")
    if len(before) != 2:
        return spoken(value)
    first = teens[int(before[1])] if before[0] == "1" else f"{tens[int(before[0])]} {DIGITS[int(before[1])] if before[1] != '0' else ''}"
    return " ".join(f"{first} {'point' if after else ''} {spoken(Decimal(after)) if False else ''}".split() + [DIGITS[int(n)] for n in after])


# --- whole attacks -----------------------------------------------------------------------------------------------------------

MOST_EVENTS = 4000
SPEECHES = ("normal", "terse", "coaching")


@cache
def checkpoints(test: str, speech: str) -> tuple[World, ...]:
    """A calm technician's test, kept at each new prompt: attacks begin there without playing what came before."""
    world = World(test, speech)
    assert world.oracle is not None
    world.oracle.only = frozenset({"none"})  # what it finds here is found by the attack that begins before it
    calm = Technician(world, 1, CALM)
    calm.face = {name: Decimal(value) for name, value in TRUE.items()}
    kept, last = [world.clone()], world.state.prompt
    for _ in range(MOST_EVENTS):
        if world.over:
            break
        calm.one()
        if world.state.prompt != last:
            last = world.state.prompt
            kept.append(world.clone())
    return tuple(one for one in kept if not one.over)


OTHERS = tuple(one for one in names() if one != "sequential")


def begun(seed: int, only: Iterable[str] = ()) -> tuple[World, Technician]:
    chance = random.Random(seed)
    test = "sequential" if chance.random() < 0.45 else chance.choice(OTHERS)
    kept = checkpoints(test, chance.choice(SPEECHES))
    world = chance.choice(kept).clone()
    assert world.oracle is not None
    world.oracle.only = frozenset(only)
    return world, Technician(world, seed, chance.choice(MANNERS), chance.choice((4, 8, 16)))


def attack(seed: int, only: Iterable[str] = ()) -> World:
    """One script to the end of its test. Raises Slip; its script is ``slip.script``. ``only``: rules to look for, empty: all."""
    world, somebody = begun(seed, only)
    return play(world, somebody)


def play(world: World, somebody: Technician) -> World:
    try:
        while not world.over:
            if len(world.events) > MOST_EVENTS or world.due() is None and world.state.phase in (Phase.HOLD, Phase.TAPPING):
                raise Slip("stuck", f"{len(world.events)} events, still at {world.state.prompt}")
            somebody.one()
        assert world.oracle is not None
        world.oracle.end(world.final())
    except Slip as slip:
        slip.script = world.script()  # type: ignore[attr-defined]
        slip.world = world  # type: ignore[attr-defined]
        raise
    return world
