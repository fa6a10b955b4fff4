"""A whole round from one script on the virtual clock: a script whose first line is ``{"test": "round", ...}``.

Its lines answer prompts of every test of the round and of the questions between them, in the order in which they are asked.
"""
from __future__ import annotations

from datetime import datetime, timedelta

from assistant.core.events import Event
from assistant.core.procedure import Procedure
from assistant.record.header import Header
from assistant.record.journal import Journal
from assistant.record.session import Handles, Station
from assistant.rehearsal.rehearse import Rehearsal
from assistant.round.drive import Round
from assistant.round.plan import Plan, plan_of


class RoundRehearsal(Rehearsal):
    def begin(self, header: Header, journal: Journal, boot: str) -> None:
        last = journal.last_test()
        if last:  # the virtual clock goes on where the journal left it
            self.now = Station(journal, last).state.now
        begun = self.script.clock or datetime.now().astimezone()
        if self.script.clock:  # whose time of day is that of all that is written, too
            begun -= timedelta(seconds=self.now)
            journal.wall = lambda: begun + timedelta(seconds=self.now)
        self.round = Round(journal, self.whole, boot, self._one, lambda: self.now, lambda: begun + timedelta(seconds=self.now))

    @property
    def whole(self) -> Plan:
        assert self.script.round is not None
        return plan_of(self.script.round, self.script.name)

    def run(self, first: Event | None = None) -> int:
        """Play the round. Exit code: 0 all is done and nothing stayed failed; 1 not."""
        return self.round.go()

    def _one(self, station: Handles, first: Event, _procedure: Procedure) -> None:
        self.next(station)
        super().run(first)
