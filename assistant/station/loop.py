"""The one loop: what comes goes into the machine, one thing at a time, and what the machine asks for is done.

It runs at the bowl (``live``) and in a rehearsal (``rehearse``). Only what is put into it differs: the clock, which waits or jumps
to whatever comes next; the mouth; and who hears and presses keys.
"""
from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from assistant.core.effects import Cadence, Cue, DropCues, Effect, Finish, Hush, Listen, Record, Speak
from assistant.core.events import Event, Restarted, Spoken, TestStarted, TimerDue
from assistant.record.journal import JournalError
from assistant.record.lines import Write, record_line
from assistant.record.session import Handles
from assistant.record.summary import exit_code

RETRY_S = 1.0
"""What could not be recorded is tried again after this."""


class Clock(Protocol):
    def now(self) -> float:
        """Boot time in seconds."""
        ...

    def next(self, until: float) -> Callable[[], object] | None:
        """What comes first, once it is there; None: nothing came before ``until``, which it is now."""
        ...


class Mouth(Protocol):
    def say(self, speak: Speak) -> None:
        """After what is still being said; its ``Spoken`` follows exactly once."""
        ...

    def hush(self, keep: tuple[int, ...]) -> None: ...
    def cue(self, name: str) -> None: ...
    def cues(self, plan: tuple[tuple[str, float], ...]) -> None: ...
    def drop_cues(self) -> None: ...


class Loop:
    """Plays one test after another; ``next`` puts another one in. ``run`` blocks.

    station   the test that is played
    write     takes the record's lines; None: not wanted
    """

    def __init__(self, station: Handles, clock: Clock, mouth: Mouth, write: Write | None) -> None:
        self.station, self.clock, self.mouth, self.write = station, clock, mouth, write
        self.finished: str | None = None
        self._began = clock.now()
        self._ready = False
        self._not_before: dict[str, float] = {}
        self._unreported: Spoken | None = None

    def next(self, station: Handles) -> None:
        """Another test on the same devices; call ``run`` then."""
        self.station, self.finished = station, None
        self._ready, self._unreported, self._not_before = False, None, {}

    def run(self, first: Event) -> int:
        """Until the test is over or left. 0: done and within limits; 1: left, scrapped, or a verdict that is no pass."""
        while not self.handle(replace(first, at=self.clock.now())):
            # Nothing may happen before it is on the disk: a restart that is not recorded would let a cut hold pass.
            self.turned()
            self._take(self.clock.now() + RETRY_S)
            if self.finished is not None:
                return 1
        self._ready = True
        self.begun()
        while self.finished is None:
            self._take(self.deadline())
            self._timers()
            self.turned()
        return exit_code(self.station.state)

    def handle(self, event: Event) -> bool:
        """False: it could not be recorded, so nothing has happened."""
        if self.finished is not None or not (self._ready or isinstance(event, TestStarted | Restarted)):
            return True
        try:
            effects = self.station.handle(event)
        except JournalError as error:
            if isinstance(event, Spoken):
                self._unreported = event  # tried again with the timers
            self.unrecorded(event, error)
            return False
        for effect in effects:
            self.perform(effect)
        return True

    def perform(self, effect: Effect) -> None:
        match effect:
            case Speak():
                self.mouth.say(effect)
            case Hush():
                self.mouth.hush(effect.keep)
            case Cue():
                self.mouth.cue(effect.name)
            case Cadence():
                self.mouth.cues(effect.cues)
            case DropCues():
                self.mouth.drop_cues()
            case Listen():
                self.line("listening", id=effect.id)
            case Record():
                if self.write is not None:
                    self.write(record_line(self.at(), effect))
            case Finish():
                self.finished = effect.outcome

    def line(self, kind: str, **fields: Any) -> None:
        if self.write is not None:
            self.write({"at": round(self.at(), 3), "kind": kind, **fields})

    # --- what differs -------------------------------------------------------------------------------------------------------

    def begun(self) -> None:
        """The first event of the test is recorded."""

    def turned(self) -> None:
        """After every turn of the loop."""

    def unrecorded(self, event: Event, error: JournalError) -> None:
        """``event`` has not happened."""
        raise error

    def at(self) -> float:
        """Seconds from the start to the event that is being carried out, however long the disk took to keep it."""
        return self.station.state.now - self._began

    def deadline(self) -> float:
        """When the loop must go on though nothing comes."""
        return min((max(when, self._not_before.get(name, 0.0)) for name, when in self.station.state.timers), default=math.inf)

    # ------------------------------------------------------------------------------------------------------------------------

    def _take(self, until: float) -> None:
        came = self.clock.next(until)
        if came is not None:
            came()

    def _timers(self) -> None:
        now = self.clock.now()
        if self._unreported is not None and self._not_before.get("", 0.0) <= now:
            self._not_before[""] = now + RETRY_S
            event, self._unreported = self._unreported, None
            self.handle(event)
        for timer in sorted(self.station.state.timers, key=lambda each: each[1]):
            name, due = timer
            now = self.clock.now()
            if (self.finished is None and due <= now and self._not_before.get(name, 0.0) <= now
                    and timer in self.station.state.timers and not self.handle(TimerDue(now, name))):
                self._not_before[name] = now + RETRY_S
