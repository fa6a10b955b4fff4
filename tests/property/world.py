"""A station on a virtual clock that jumps, with the oracle beside it; whatever is done to it becomes a line of a script.

The machine is the real one. What it says takes as long as a rehearsal's words (assistant/rehearsal/rehearse.py), so that `bowlside
rehearse` plays a written script to the very same state.
"""
from __future__ import annotations

import math
from copy import copy
from dataclasses import replace
from decimal import Decimal
from typing import Any

from assistant.core.effects import Effect, Hush, Speak
from assistant.core.events import Event, GaugeSteady, Heard, KeyPressed, Restarted, Spoken, TestStarted, TimerDue, to_plain
from assistant.core.machine import step
from assistant.core.settings import Settings
from assistant.core.state import Phase, State
from assistant.core.steps import Choose, Tap
from assistant.files.jsonline import dumps
from assistant.procedures import load
from assistant.record import summary
from assistant.rehearsal.rehearse import SilentVoice
from tests.property.evidence import Final
from tests.property.oracle import Oracle

LIMITS = {"system_air_metric": [None, Decimal("0.20")], "air_content": [Decimal("4.5"), Decimal("7.5")],
          "slump": [Decimal(2), Decimal(5)], "density": [Decimal(138), Decimal(150)], "temperature": [Decimal(50), Decimal(90)],
          "leak_drop": [None, Decimal("0.12")]}
HEADER = {"chamber_ratio": Decimal("0.06"), "aggregate_correction_pct": Decimal("0.3"), "measure_volume_ft3": Decimal("0.250"),
          "bowl_volume_ft3": Decimal("0.245"), "limits": LIMITS, "rounding": "half-even"}
VOICE = SilentVoice()


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
        """As assistant/rehearsal/rehearse.py has it: what is kept moves up, what is dropped is over in its turn."""
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
        verdict, why = summary.whole_verdict(state)
        void = verdict == "invalid"
        results = {one.name: (None, None) if void and not judged.partial else (one.value, one.rounded)
                   for _, judged in sorted(state.judged, key=lambda one: one[0]) for one in judged.results}
        return Final(state.procedure.test, state.settings.to_mapping(), state.outcome, verdict, why, summary.exit_code(state),
                     tuple((one.id, one.value, not one.withdrawn) for one in state.readings), results)


def oracle_for(state: State) -> Oracle:
    """What the procedure's own data say: which questions are for safety, and where a charge should stand."""
    procedure, given = state.procedure, state.settings
    assert procedure is not None
    pressure = procedure.pressurised
    taps = frozenset(one.id for one in procedure.steps if isinstance(one, Tap))
    safety = {one.id for one in procedure.steps if one.caution or isinstance(one, Choose) and one.stops}
    closed = safety & {one.id for one in procedure.steps if isinstance(one, Choose)}
    if pressure:
        safety |= taps
    band = {f"charge.{run}.{n}": (given.target(n) - given.band_psi, given.target(n) + given.band_psi)
            for run in (1, 2) for n in (1, 2, 3)} | {name: (given.leak_low, given.leak_high)
                                                     for name in ("leak.charge", "leak.initial")}
    go = frozenset(words for one in procedure.steps if isinstance(one, Tap) and pressure for words in (one.go, one.terse_go))
    return Oracle(frozenset(safety), frozenset(closed), taps, go, pressure, band)
