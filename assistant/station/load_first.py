"""Which load a test by itself is on: where the job's round has the ticket, it is asked before the test, on the same devices."""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from assistant.core import round as core
from assistant.core.events import Event, Restarted, TestStarted
from assistant.core.language import sentence
from assistant.core.procedure import Procedure, build
from assistant.core.round_clock import BETWEEN
from assistant.core.settings import Settings
from assistant.record import loads, summary
from assistant.record.header import header_of, led_by
from assistant.record.journal import Journal
from assistant.record.session import Handles, Station, Unrecorded

Play = Callable[[Handles, Event, Procedure], int]
Before = Callable[[Journal], list[dict[str, Any]]]
"""What the record has of the day's concrete, for ``due.told``."""


@dataclass(frozen=True)
class LoadFirst:
    """``labels`` gives the load's labels for the test that follows, or None where the station was left.

    given  labels and settings of the test, as ``header_of`` takes them
    now    the boot clock in seconds; ``boot`` its id; ``wall`` the wall clock
    """
    journal: Journal
    given: Mapping[str, Any]
    play: Play
    now: Callable[[], float]
    boot: str
    before: Before = lambda _journal: []
    wall: Callable[[], datetime] = lambda: datetime.now().astimezone()

    def labels(self, left: Station | None = None) -> Mapping[str, str] | None:
        """``left``: a ticket that is not read off to its end."""
        if left is None:
            last = loads.newest(self.journal, self.wall(), self.given.get("job"))
            if last is not None:
                same = self._same(last)
                if same or same is None:
                    return loads.labels_of(last) if same else None
            left = Station(self.journal, self.journal.new_test(), self.boot)
            header = header_of({"test": loads.TICKET, **self.given}, "run")
            first: Event = TestStarted(self.now(), header.test, header.data, header.settings.to_mapping(), header.labels,
                                       clock={**self._clock(), "placed": self.before(self.journal)})
            self.play(left, first, header.procedure)
        else:
            assert left.state.procedure is not None
            self.play(left, Restarted(self.now(), self.boot, wall=self._clock()["wall"]), left.state.procedure)
        return loads.labels_of(summary.of(self.journal, left.test)) if left.over else None

    def _clock(self) -> dict[str, Any]:
        return {"wall": loads.of_day(self.wall())}

    def _same(self, last: Mapping[str, Any]) -> bool | None:
        """Whether the test is on the newest load of the record. None: left."""
        data = core.as_procedure(sentence("round.load_known"), [core.Question("same", loads.named(last))], stop="")
        settings, station = Settings(), Unrecorded()
        first = TestStarted(self.now(), BETWEEN, data, settings.to_mapping(), led_by(self.given),
                            clock=self._clock())
        self.play(station, first, build(data, settings, BETWEEN))
        return None if station.state.outcome in ("", "scrapped") else station.state.outcome == "done"
