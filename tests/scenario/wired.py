"""A transcript with the simulated meter as the gauge on the wire: ten samples a second, all on the virtual clock.

The technician works the meter with ``Crew``'s rules and answers with one key, as by a pedal; a cut wire sends nothing.
"""
from __future__ import annotations

import random
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core.effects import Cue, Record, Speak
from assistant.core.events import DeviceBack, DeviceLost, Event, GaugeReads, GaugeSteady, TimerDue
from assistant.core.state import Phase
from assistant.station.gauge_watch import GaugeWatch
from hardware.meter import Meter
from tests.scenario.dialogue import Dialogue

EVERY_S = 0.1
SILENT_S = 1.5
"""After so long without a sample the wire is lost, as hardware.gauges.supervisor has it."""


class Wired(Dialogue):
    def __init__(self, folder: Path, meter: Meter | None = None, noise_psi: float = 0.003, **settings: Any) -> None:
        self.meter, self.noise, self.chance = meter or Meter(), noise_psi, random.Random(7)
        self.plugged, self.history, self.events = True, [], Counter[str]()
        self.offset = Decimal(0)
        """What the wire shows more than the meter: a gauge that is out."""
        super().__init__(folder, **settings)
        self.watch = GaugeWatch(self._handle, lambda: self.state)
        self.meter.unclamp()

    def _post(self, event: Event) -> None:
        self.events[type(event).__name__] += 1
        before = len(self.effects)
        super()._post(event)
        self.history += [(self.now, one) for one in self.effects[before:]]

    def _handle(self, event: Event) -> None:
        self._post(event)
        self._talk()

    def key(self, keys: str) -> "Wired":
        self.effects = []
        for one in keys.split():
            self.pass_time(0.3)
            self.watch.before_answer(self.now)
            super().key(one)
        return self

    def wait(self, seconds: float) -> "Wired":
        self.effects = []
        self.pass_time(seconds)
        return self

    def _pass(self, until: float) -> None:
        self.pass_time(until - self.now)

    def pass_time(self, seconds: float) -> None:
        """The meter lives, the gauge speaks, timers come due, in the order of the clock."""
        until = self.now + seconds
        while self.now < until - 1e-9:
            at = min(self.now + EVERY_S, until)
            while due := [one for one in self.state.timers if one[1] <= at]:
                name, when = min(due, key=lambda one: one[1])
                self.meter.advance(max(0.0, when - self.now))
                self.now = max(self.now, when)
                self._post(TimerDue(self.now, name))
                self._talk()
            self.meter.advance(max(0.0, at - self.now))
            self.now = at
            if self.plugged:
                noisy = float(self.meter.chamber_psi + self.offset.__float__()) + self.chance.gauss(0, self.noise)
                # The meter's own dial shows the warm air of pumping too.
                noisy += float(self.meter.gauge()) - self.meter.chamber_psi
                self.watch.sample(at, Decimal(f"{noisy:.3f}"), at)

    def unplug(self) -> "Wired":
        self.plugged, self.effects = False, []
        self.pass_time(SILENT_S)
        self.watch.lost()
        return self.event(DeviceLost(self.now, "gauge", "The gauge sends nothing. Say or key the readings."))

    def plug(self) -> "Wired":
        self.plugged = True
        return self.event(DeviceBack(self.now, "gauge"))

    # --- the technician at the meter -----------------------------------------------------------------------------------

    def charge(self, target: float, settle: float = 0.0) -> "Wired":
        """Trim until the dial shows it; the air cools meanwhile."""
        self.effects = []
        for _ in range(400):
            over = float(self.meter.gauge()) - target
            if abs(over) < 0.012:
                self.pass_time(1.5)
                if abs(float(self.meter.gauge()) - target) < 0.02:
                    break
            elif over > 0:
                self.meter.bleed(fine=over < 1.5 + 0.04 * target)
            else:
                self.meter.pump(fine=over > -1.3)
            self.pass_time(0.4)
        self.pass_time(settle)
        return self

    def until(self, prompt: str, within: float = 30.0) -> "Wired":
        end = self.now + within
        while self.state.prompt != prompt and self.now < end:
            self.pass_time(0.1)
        return self.at(prompt)  # type: ignore[return-value]

    def offered(self, ident: str, within: float = 30.0) -> "Wired":
        """The gauge's value is read back without anybody having said or keyed it; one press takes it."""
        self.until(f"{ident}.confirm", within)
        assert self.state.proposed is not None and self.state.proposed.source == "gauge"
        return self.key("#")

    def all(self, kind: type) -> list[tuple[float, Any]]:
        return [(at, one) for at, one in self.history if isinstance(one, kind)]

    def spoken(self, text: str) -> list[float]:
        return [at for at, one in self.all(Speak) if text in one.text]

    # --- passages ------------------------------------------------------------------------------------------------------

    def wired_leak_hold(self) -> "Wired":
        self.at("zero").key("#").at("leak.ask").key("#").at("leak.charge")
        self.charge(45.25).offered("leak.charge").until("leak.initial").offered("leak.initial")
        return self.until("leak.final", 400).offered("leak.final")  # type: ignore[return-value]

    def wired_fill(self) -> "Wired":
        while self.meter.chamber_psi > 0.01:
            self.meter.bleed()
            self.pass_time(0.4)
        for prompt in ("leak.down", "scope", "fill.1", "fill.2", "fill.3", "strike_off", "clean", "close"):
            self.at(prompt).key("#")
        self.meter.close_lid()
        return self.flood(1).at("clamps").key("#-held")  # type: ignore[return-value]

    def flood(self, run: int) -> "Wired":
        for number in (1, 2, 3):
            self.meter.flood()
            if number == 3:
                self.meter.petcocks(False)
            self.at(f"flood.{run}.{number}").key("#")
        return self

    def step_to_equilibrium(self, run: int, number: int) -> "Wired":
        place, target = f"{run}.{number}", float(self.state.settings.target(number))
        self.meter.lever(False)
        self.at(f"pump.{place}")
        self.charge(target).key("#").offered(f"charge.{place}").at(f"tap.{place}")
        self.meter.lever(True)
        while self.state.phase is Phase.TAPPING:
            self.meter.strike()
            self.pass_time(0.5)
        return self.at(f"rest.{place}")  # type: ignore[return-value]

    def wired_step(self, run: int, number: int) -> "Wired":
        ident = f"equilibrium.{run}.{number}"
        self.step_to_equilibrium(run, number).offered(ident)
        if self.state.prompt == f"{ident}.again":  # another source: he keys what he reads
            first = self.state.first
            assert first is not None
            self.key(f"{first.value:f}".replace(".", "*").replace("", " ") + "#").at(f"{ident}.again.confirm").key("#")
        return self

    def wired_run(self, run: int) -> "Wired":
        for number in (1, 2, 3):
            self.wired_step(run, number)
        return self

    def wired_between(self) -> "Wired":
        self.at("letdown.1")
        self.meter.lever(False)
        self.meter.petcocks(True)
        self.pass_time(15)
        self.key("#").charge(14.5).at("bleed.2").key("#")
        return self.flood(2)

    def takes_now(self) -> dict[str, Decimal]:
        return {one.fields["id"]: one.fields["value"] for _, one in self.all(Record) if one.kind == "taken"}


__all__ = ["Cue", "GaugeReads", "GaugeSteady", "Record", "Speak", "Wired"]
