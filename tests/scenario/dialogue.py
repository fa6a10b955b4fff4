"""A small language for scenarios: hear, key, wait, kill, restart; and what the station must say, take or refuse.

The real machine and the real journal on a virtual clock; each ``kill`` throws the process's state away and the
journal's folder is opened again.
"""
from __future__ import annotations

from decimal import Decimal
from math import inf
from pathlib import Path
from typing import Any

from assistant.core import spoken
from assistant.core.asked import soonest
from assistant.core.commands import command
from assistant.core.effects import Cadence, Cue, Finish, Hush, Listen, Record, Speak
from assistant.core.events import Event, GaugeSteady, Heard, KeyPressed, Restarted, Spoken, TestStarted, TimerDue, Unclear
from assistant.core.settings import Settings
from assistant.core.state import Phase, State
from assistant.procedures import load
from assistant.record.journal import Journal
from assistant.record.session import Station, unfinished

LIMITS = {"air_content": [Decimal("4.5"), Decimal("7.5")], "system_air_metric": [None, Decimal("0.20")]}


class Dialogue:
    """``t.hear("next").says("…")``; every expectation looks at what came since the last thing that was done."""

    def __init__(self, folder: Path, test: str = "sequential", header: dict[str, Any] | None = None, **settings: Any) -> None:
        self.folder, self.now = folder, 0.0
        self.journal = Journal(folder)
        self.station = Station(self.journal, self.journal.new_test(), "boot-1")
        self.heap: list[Any] = []
        self.finished = ""
        self.effects: list[Any] = []
        chosen = {"limits": LIMITS, "chamber_ratio": Decimal("0.06"), "aggregate_correction_pct": Decimal("0.3"), **settings}
        self._act(TestStarted(0.0, test, load(test), Settings.from_mapping(chosen).to_mapping(), header or {},
                              clock={"boot": "boot-1"}))

    @property
    def state(self) -> State:
        return self.station.state

    # --- doing -----------------------------------------------------------------------------------------------------------

    def hear(self, text: str) -> "Dialogue":
        self._hear_out(command(text) or text)
        return self._act(Heard(self.now, text))

    def key(self, keys: str) -> "Dialogue":
        self.effects: list[Any] = []
        for one in keys.split():
            self.now += 0.3
            self._hear_out(one)
            self._post(KeyPressed(self.now, one))
            self._talk()
        return self

    def press(self, key: str, after: float = 0.0) -> "Dialogue":
        """A key that does not wait until the question is over."""
        self.now += after
        return self._act(KeyPressed(self.now, key))

    def _hear_out(self, answer: str) -> None:
        """A person hears the question out before he answers it; what comes due meanwhile is reported."""
        if self.state.phase not in (Phase.HOLD, Phase.TAPPING) and self.now < (when := soonest(self.state, answer)) < inf:
            self._pass(when + 0.001)

    def gauge(self, psi: str) -> "Dialogue":
        return self._act(GaugeSteady(self.now, Decimal(psi)))

    def unclear(self, why: str = "") -> "Dialogue":
        return self._act(Unclear(self.now, why))

    def event(self, event: Event) -> "Dialogue":
        return self._act(event)

    def wait(self, seconds: float) -> "Dialogue":
        """Let time pass; every timer that comes due on the way is reported at its time."""
        self.effects = []
        self._pass(self.now + seconds)
        return self

    def _pass(self, until: float) -> None:
        while True:
            due = [one for one in self.state.timers if one[1] <= until + 1e-9]
            if not due:
                break
            name, when = min(due, key=lambda one: one[1])
            self.now = max(self.now, when)
            self._post(TimerDue(self.now, name))
            self._talk()
        self.now = until

    def kill(self) -> "Dialogue":
        self.journal.close()
        return self

    def restart(self, boot: str = "boot-1", later: float = 0.0) -> "Dialogue":
        self.journal = Journal(self.folder)
        found = unfinished(self.journal, boot)
        assert found is not None, "nothing to go on with"
        self.station = found
        self.now = self.now + later if boot == "boot-1" else later
        return self._act(Restarted(self.now, boot))

    def _act(self, event: Event) -> "Dialogue":
        self.effects = []
        self._post(event)
        self._talk()
        return self

    def _post(self, event: Event) -> None:
        found = self.station.handle(event)
        self.effects += found
        for effect in found:
            if isinstance(effect, Finish):
                self.finished = effect.outcome

    def _talk(self) -> None:
        """The station finishes what it says before the next thing happens."""
        while self.state.spoken < self.state.utterance:
            self._post(Spoken(self.now, self.state.utterance))

    # --- expecting -------------------------------------------------------------------------------------------------------

    @property
    def said(self) -> str:
        return " ".join(effect.text for effect in self.effects if isinstance(effect, Speak))

    def says(self, *parts: str) -> "Dialogue":
        for part in parts:
            assert part in self.said, f"expected to hear {part!r}; it said {self.said!r}"
        return self

    def does_not_say(self, part: str) -> "Dialogue":
        assert part not in self.said, f"it said {self.said!r}"
        return self

    def listens(self, prompt: str) -> "Dialogue":
        heard = [effect.id for effect in self.effects if isinstance(effect, Listen)]
        assert heard and heard[-1] == prompt, f"expected to listen at {prompt!r}; it did at {heard}, now {self.state.prompt!r}"
        return self

    def at(self, prompt: str) -> "Dialogue":
        assert self.state.prompt == prompt, f"expected to be at {prompt!r}, is at {self.state.prompt!r}"
        return self

    def records(self, kind: str, **fields: Any) -> "Dialogue":
        found = [effect.fields for effect in self.effects if isinstance(effect, Record) and effect.kind == kind]
        for one in found:
            if all(one.get(key) == value for key, value in fields.items()):
                return self
        raise AssertionError(f"expected a record {kind} {fields}; there were {found}")

    def takes(self, ident: str, value: str) -> "Dialogue":
        return self.records("taken", id=ident, value=Decimal(value))

    def refuses(self, ident: str, *parts: str) -> "Dialogue":
        self.records("refused", id=ident)
        return self.says(*parts)

    def takes_nothing(self) -> "Dialogue":
        taken = [effect.fields for effect in self.effects if isinstance(effect, Record) and effect.kind == "taken"]
        assert not taken, f"it took {taken}"
        return self

    def cues(self, *names: str) -> "Dialogue":
        found = [effect.name for effect in self.effects if isinstance(effect, Cue)]
        found += [name for effect in self.effects if isinstance(effect, Cadence) for name, _ in effect.cues]
        for name in names:
            assert name in found, f"expected the cue {name!r}; there were {found}"
        return self

    def hushed(self) -> bool:
        return any(isinstance(effect, Hush) for effect in self.effects)

    # --- whole passages of a test ---------------------------------------------------------------------------------------

    def reading(self, ident: str, value: str) -> "Dialogue":
        """Say a reading and confirm it; the deciding ones the second time digit by digit."""
        self.at(ident).hear(spoken.say(Decimal(value))).at(f"{ident}.confirm").hear("yes")
        if self.state.prompt == f"{ident}.again":
            self.hear(spoken.digits(Decimal(value)).replace(",", "")).at(f"{ident}.again.confirm").hear("yes")
        return self.takes(ident, value)

    def leak_hold(self, initial: str = "45.21", final: str = "45.16") -> "Dialogue":
        self.at("zero").hear("next").at("leak.ask").hear("yes")
        self.reading("leak.charge", "45.25").wait(8).reading("leak.initial", initial)
        self.at("leak.hold").wait(300)
        return self.reading("leak.final", final)

    def fill_and_close(self) -> "Dialogue":
        for prompt in ("leak.down", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close",
                       "flood.1.1", "flood.1.2", "flood.1.3"):
            if self.state.terse and getattr(self.state.procedure.steps[self.state.procedure.index(prompt)], "run_on", False):
                continue
            self.at(prompt).hear("next")
            if prompt == "leak.down":
                self.at("scope").hear("yes")
        return self.at("clamps").hear("yes")

    def one_step(self, run: int, number: int, charge: str, equilibrium: str) -> "Dialogue":
        self.to_equilibrium(run, number, charge)
        return self.reading(f"equilibrium.{run}.{number}", equilibrium)

    def to_equilibrium(self, run: int, number: int, charge: str) -> "Dialogue":
        place = f"{run}.{number}"
        self.at(f"pump.{place}").hear("next").at(f"settle.{place}").wait(5)
        self.reading(f"charge.{place}", charge)
        if self.state.phase is Phase.READY:  # a doubt, or what was changed, parts the two questions
            self.at(f"tap.{place}").hear("next")
        return self.at(f"tap.{place}").wait(13).at(f"rest.{place}").wait(5)

    def one_run(self, run: int, equilibria: tuple[str, str, str]) -> "Dialogue":
        for number, (charge, equilibrium) in enumerate(zip(("14.50", "30.00", "45.00"), equilibria), 1):
            self.one_step(run, number, charge, equilibrium)
        return self

    def between(self) -> "Dialogue":
        for prompt in ("letdown.1", "bleed.2", "flood.2.1", "flood.2.2", "flood.2.3"):
            self.at(prompt).hear("next")
        return self

    def finish(self) -> "Dialogue":
        for prompt in ("finish.letdown", "finish.bleed", "finish.empty", "finish.unclamp", "finish.wash"):
            self.at(prompt).hear("yes" if prompt == "finish.empty" else "next")
        assert self.finished == "done"
        return self

    def replayed(self) -> "Dialogue":
        """Folding the journal gives the very same state."""
        assert Station(self.journal, self.station.test).state == self.state
        return self
