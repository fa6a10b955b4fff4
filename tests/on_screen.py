"""A live station at its screen, on a clock that jumps: the loop, the screen's words and the simulated meter are the real ones, and
what is said takes as long as in a rehearsal. Its technician presses keys as a terminal sends them.
"""
from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

from assistant.core.events import Event, Spoken, TestStarted
from assistant.core.procedure import Procedure
from assistant.core.state import State
from assistant.record.header import header_of
from assistant.record.journal import Journal
from assistant.record.session import Handles, Station, Unrecorded
from assistant.rehearsal.rehearse import JumpingClock, SilentVoice, WrittenDown
from assistant.round.drive import Round
from assistant.round.plan import plan_of
from assistant.station import job_and_meter, live, practice_keys, start
from assistant.station.layout import View
from hardware.fakes import FakeSpeaker
from hardware.meter import Meter
from hardware.meter_live import LivePractice
from hardware.terminal import decode

REFRESH_S = 0.25
"""The screen is looked at so often: no person sees more."""


class Audible(FakeSpeaker):
    """A loudspeaker is there."""
    audible = True


class Clock(JumpingClock):
    """Takes what is posted before time goes on."""
    posted: Any

    def next(self, until: float) -> Callable[[], object] | None:
        return super().next(until) if self.posted.empty() else self.posted.get()


class AtTheScreen(live.Live):
    """A station with the simulated meter. ``look`` is called with each view; `technician` is who acts on it.

    ``clock.at(when, do)`` plans what somebody does; ``type`` presses keys, as characters and arrows of a terminal.
    """
    clock: Clock

    def __init__(self, station: Handles, clock: Clock, look: Callable[[AtTheScreen, View], None], meter: Meter | None = None) -> None:
        simulated = LivePractice(meter) if meter else None
        more: dict[str, Any] = {"hints": practice_keys.hint, "keys": practice_keys.PRACTICE_KEYS} if simulated else {}
        super().__init__(station, lambda shown: look(self, shown), simulated, **more)
        clock.posted = self.queue
        self.clock = clock
        self.aloud.speaker = Audible()
        self.words: list[str] = []
        self.mouth = WrittenDown(clock, SilentVoice(), self._said, lambda number: self.handle(Spoken(clock.time, number)))
        self.status = "PRACTICE, nothing counts." if simulated else ""

    @property
    def state(self) -> State:
        return self.station.state

    def next(self, station: Handles) -> None:
        super().next(station)
        self.aloud.before = 0  # this mouth forgets what the test before had to say
        self.clock.forget()
        self.mouth.forget()

    def type(self, keys: bytes) -> None:
        for press in decode(keys, meter=self.practice is not None, final=True)[0]:
            {"key": self.key, "meter": self.meter, "unknown": lambda name: None}[press.kind](press.name)

    def _said(self, kind: str, **fields: Any) -> None:
        if kind == "said":
            self.words.append(fields["text"])


@contextlib.contextmanager
def virtual_time() -> Iterator[Clock]:
    """The boot clock of the station jumps."""
    def nothing() -> None:
        raise AssertionError("nothing is planned and nothing comes")
    clock = Clock(False, nothing)
    with mock.patch.object(live, "boot_now", clock.now), mock.patch.object(live, "REFRESH_S", REFRESH_S):
        yield clock


def begun(folder: Path, test: str, wording: str = "normal", **given: Any) -> tuple[Station, Event, Journal]:
    """A new practice test of the invented job, and the event that begins it."""
    header = header_of({"test": test, **job_and_meter.for_practice(wording), **given}, "on screen")
    journal = Journal(folder)
    station = Station(journal, journal.new_test(), "boot")
    return station, TestStarted(0.0, test, header.data, header.settings.to_mapping(), dict(header.labels)), journal


def play(folder: Path, test: str, look: Callable[[AtTheScreen, View], None], meter: Meter | None = None, wording: str = "normal",
         **given: Any) -> AtTheScreen:
    """A whole test, its result page too, until ``look`` has led it to its end."""
    with virtual_time() as clock:
        station, first, journal = begun(folder, test, wording, **given)
        with journal:
            station_live = AtTheScreen(station, clock, look, meter)
            if meter:
                practice_keys.made_ready(meter, station.state)
            station_live.run(first)
            if station.over:
                station_live.leave_up(start.result(journal, station)(None))
    return station_live


def play_round(folder: Path, look: Callable[[AtTheScreen, View], None], meter: Meter | None = None) -> None:
    """A round of the invented job, each test's result beside the question that comes next."""
    with virtual_time() as clock, Journal(folder) as journal:
        at = AtTheScreen(Unrecorded(), clock, look, meter)

        def one(station: Handles, first: Event, _procedure: Procedure) -> None:
            at.next(station)
            if isinstance(station, Station):
                at.result = None
            at.run(first)
            if isinstance(station, Station) and station.over:
                at.result = start.result(journal, station)
        Round(journal, plan_of({"test": "round", **job_and_meter.for_practice("normal")}, "on screen"), "boot", one, clock.now).go()
