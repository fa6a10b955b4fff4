"""One test on one station: events into the journal, then through the machine, and only then to the world."""
from __future__ import annotations

from collections.abc import Iterable
from functools import reduce
from typing import Protocol

from assistant.core.effects import Effect
from assistant.core.events import Event
from assistant.core.machine import step
from assistant.core.state import Phase, State
from assistant.record.journal import Journal, JournalError


class Handles(Protocol):
    """A station, recorded or not."""
    state: State

    def handle(self, event: Event) -> tuple[Effect, ...]: ...


class Unrecorded:
    """A station without a journal: for the questions between tests, and for reading a finished test out."""

    def __init__(self) -> None:
        self.state = State()

    def handle(self, event: Event) -> tuple[Effect, ...]:
        self.state, effects = step(self.state, event)
        return effects


def fold(events: Iterable[Event]) -> State:
    """The state after all these events: what a restart does."""
    return reduce(lambda state, event: step(state, event)[0], events, State())


class Station:
    """Holds the state of one test of a journal. ``handle`` is the only door."""

    def __init__(self, journal: Journal, test: int, boot: str = "") -> None:
        """Go on with test ``test`` of the journal, from its events. Raises JournalError if they are damaged."""
        self.journal, self.test, self.boot = journal, test, boot
        try:
            self.state = fold(journal.events(test, over=lambda events: fold(events).phase is Phase.OVER))
        except JournalError:
            raise
        except Exception as error:
            raise JournalError(f"Test {test} of {journal.path} can't be replayed: {error or type(error).__name__}. "
                               "Run log verify, keep the folder as it is, and name another folder with --journal.") from None

    def handle(self, event: Event) -> tuple[Effect, ...]:
        """Commit the event, then return what to do. Raises JournalError; then nothing has changed."""
        state, effects = step(self.state, event)
        self.journal.append(self.test, event, self.boot)
        self.state = state
        return effects

    @property
    def over(self) -> bool:
        return self.state.phase is Phase.OVER


def unfinished(journal: Journal, boot: str = "") -> Station | None:
    """The newest test, if it has not come to its end."""
    last = journal.last_test()
    if not last:
        return None
    station = Station(journal, last, boot)
    return None if station.over or station.state.phase is Phase.IDLE else station
