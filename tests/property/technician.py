"""A technician who slips: double taps, answers too early, misreadings, shopping for a number, kills; all by chance.

A manner says how somebody works; a budget, how many slips he has before he becomes calm and finishes the test.
"""
from __future__ import annotations

import random
from dataclasses import dataclass
from decimal import Decimal

from assistant.core.events import (
    DeviceBack,
    DeviceLost,
    GaugeReads,
    GaugeSteady,
    HearingChanged,
    KeyPressed,
    Restarted,
    TimerDue,
    Unclear,
)
from assistant.core.state import Phase
from assistant.core.steps import Choose
from tests.property.evidence import DIGITS
from tests.property.oracle import EQUAL_APART_S
from tests.property.test_never_stuck import MISCHIEF, TRUE
from tests.property.world import World

GAPS_S = (0.05, 0.1, 0.26, 0.3, 0.5, 0.6, 1.0, 1.5, 2.2, 3.6)
"""Between a key and what a bounce, a double tap or a nervous thumb makes of it."""


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
        if self.chance.random() < 0.3:
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
        self.answer(self.chance.choice((0.05, 0.2, 0.4, 0.8, 1.5, 7.0, 15.0)) if hasty else self.chance.uniform(0.6, 1.6))

    def answer(self, after: float) -> None:
        """What is asked now, answered as well as he can."""
        state, before = self.world.state, self.world.state.prompt
        if self.refused > 1:
            after += EQUAL_APART_S + 0.5
        if state.away is not None:
            self.key(after, "#-held")  # he is back
        elif state.paused:
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
            changes = self.budget > 0 and self.chose(max(0.3, self.manner.shops))
            self.yes(after) if changes else self.command(after, "no", "C")
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
              or step.id in ("leak.ask", "kind", "method", "stood", "scale") and self.chose(0.3) or step.id == "leak.again" and self.chose(0.5)
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
            last_place = Decimal(1).scaleb(self.face[name].as_tuple().exponent)
            by = Decimal("0.25") if name.startswith(("slump", "level.")) else max(Decimal("0.02"), last_place)
            self.face[name] = max(Decimal(0), self.face[name] + by * self.chance.choice((1, -1, 2, 3)))
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
            digits = self.chose(0.4) if first is None else (first.form == "digits") == same or not same
            self.say(after, spoken(value) if digits else whole(value))
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
            world.happens(after, TimerDue(0.0, chance.choice(("hold", "tap", "mark:60", "clock:0"))))  # not due
        elif kind == 16:
            self.late(chance.choice(("#", "#-held", "C")), after)
        elif kind == 15:
            self.queued(chance.choice(("#", "#", "C", "#-held")), after)
        elif kind == 12:
            self.say(after, chance.choice(("pause", "carry on", "time left", "where are we", "say again", "quiet", "talk")))
        else:
            self.command(after, "scrap the test", "B-held")
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
        return near if self.chose(0.8) else max(Decimal(0), near + Decimal(self.chance.randrange(-9, 10)) / 100)


TENS = ("", "", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
TEENS = ("ten", "eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen")


def spoken(value: Decimal) -> str:
    return " ".join("point" if sign == "." else DIGITS[int(sign)] for sign in f"{value:f}")


def whole(value: Decimal) -> str:
    """"thirty one point eight one": two figures before the point said as one number."""
    before, _, after = f"{value:f}".partition(".")
    if len(before) != 2:
        return spoken(value)
    tens, units = int(before[0]), int(before[1])
    first = [TEENS[units]] if tens == 1 else [TENS[tens], *([DIGITS[units]] if units else [])]
    return " ".join([*first, *(["point"] if after else []), *(DIGITS[int(sign)] for sign in after)])
