"""An invented day on an invented job, played through the real machine into a journal of its own, for the example report."""
from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import partial
from math import exp
from pathlib import Path
from random import Random
from typing import Any

from assistant import job
from assistant.core.events import Event, GaugeReads
from assistant.job.commands import EXAMPLE
from assistant.meters.register import Register
from assistant.record.header import header_of
from assistant.record.journal import Journal
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import Script, read

JOB = "job.toml"
_BEFORE = {"leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16"}


@dataclass(frozen=True)
class Told:
    """One test of the day: what is labelled, read, and said otherwise than a cooperative technician would."""
    test: str
    labels: Mapping[str, Any]
    readings: Mapping[str, str]
    more: tuple[Mapping[str, str], ...] = field(default=())
    by_wire: bool = False
    """A gauge on the wire records the leak hold."""


def _six(first: str, second: str, leak: str = "45.16") -> dict[str, str]:
    """The readings of a sequential test from its equilibria, run by run."""
    found = {**_BEFORE, "leak.final": leak}
    for run, three in enumerate((first, second), 1):
        for step, (charge, psi) in enumerate(zip(("14.50", "30.00", "45.00"), three.split()), 1):
            found |= {f"charge.{run}.{step}": charge, f"equilibrium.{run}.{step}": psi}
    return found


def _sample(number: int, ticket: str, truck: str, **more: Any) -> dict[str, Any]:
    return {"round": f"R-{number}", "sample": f"S-{number}", "ticket": ticket, "truck": truck, "volume_yd3": "10",
            "location": "Pier 2 stem, lift 1", "weather": "overcast, dry", "air_temperature": "61 F", **more}


_FIRST, _SECOND, _THIRD = _sample(1, "40117", "12"), _sample(2, "40121", "7"), _sample(3, "40126", "12")
DAY = (
    Told("temperature", _FIRST, {"temperature": "68"}),
    Told("slump", _FIRST, {"slump": "4.25"}),
    Told("density", _FIRST, {"tare": "7.8", "gross": "43.0"}),
    Told("sequential", _FIRST, _six("7.25 18.63 31.81", "7.32 18.77 31.97"), by_wire=True),
    Told("cylinders", _FIRST, {"cylinder.set": "1", "cylinder.count": "4"}),
    Told("temperature", _SECOND, {"temperature": "69"}),
    Told("slump", _SECOND, {"slump": "3.75"}),
    Told("sequential", _SECOND, _six("7.31 18.73 31.91", "7.36 18.83 32.06", "45.15"),
         ({"on": "pump.1.2", "say": "take it back"},)),
    Told("temperature", _THIRD, {"temperature": "71"}),
    Told("slump", _THIRD, {"slump": "5.50"}),
    Told("slump", _THIRD | {"check_of": "the slump before", "remark": "Check test on another portion of S-3"}, {"slump": "4.75"}),
    Told("sequential", _THIRD, _six("7.12 18.42 31.56", "7.22 18.63 31.85", "45.14")),
    Told("sequential", _THIRD | {"check_of": "the sequential test before", "remark": "Check test on another portion of S-3"},
         _six("7.15 18.47 31.62", "7.21 18.60 31.80", "45.15")),
)


class _ByWire(Rehearsal):
    """With a gauge on the wire during the leak hold: 45.21 psi, of which 0.05 is warm air that cools; no leak."""

    def handle(self, event: Event) -> bool:
        had = self.station.state.hold
        recorded = super().handle(event)
        hold = self.station.state.hold
        if hold is not None and hold.id == "leak.hold" and had is None:
            chance = Random(7)
            for second in range(1, int(hold.ends - hold.started)):
                psi = Decimal(45.16 + 0.05 * exp(-second / 60) + chance.gauss(0, 0.004)).quantize(Decimal("0.01"))
                self.plan(hold.started + second, partial(self._shows, psi))
        return recorded

    def _shows(self, psi: Decimal) -> None:
        self.handle(GaugeReads(self.now, psi))


def build(folder: Path, write: Callable[[Mapping[str, Any]], None] = lambda line: None) -> Path:
    """Write job file, meter register and journal of the invented day into ``folder``, which must not hold a journal yet."""
    path = folder / JOB
    path.write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    register = Register(folder)
    register.add("M-3", "added", max_psi=Decimal(46), clamps=6)
    register.add("M-3", "calibrated", chamber_ratio=Decimal("0.0600"), bowl_ft3=Decimal("0.249"), by="T-02",
                 how="water in bowl, canister")
    register.add("M-3", "factor", source="Alder pit", pct=Decimal("0.3"))
    register.add("M-3", "remark", text="This meter is invented.")
    given = {**job.read(path), **register.meters()["M-3"].settings("Alder pit")}
    with Journal(folder) as journal:
        for told in DAY:
            played = _ByWire if told.by_wire else Rehearsal
            played(_script(told, given, folder), journal, write, answer_rest=True).run()
    return path


def _script(told: Told, given: Mapping[str, Any], folder: Path) -> Script:
    """The same lines as in a script file; the header carries labels that a script's may not."""
    from assistant.files.jsonline import dumps
    lines: list[Mapping[str, Any]] = [{"test": told.test}]
    for ident, value in told.readings.items():
        key = " ".join([*value.replace(".", "*"), "#"])
        again = [{"on": f"{ident}.again", "key": key}] if ident in ("equilibrium.1.3", "equilibrium.2.3") else []
        slip = ident == "equilibrium.1.1" and told.more  # read again after "take it back": a digit had been swapped
        lines += [*([{"on": ident, "key": "7 * 1 3 #"}] if slip else []), {"on": ident, "key": key}, *again]
    script = read(map(dumps, (*lines, *told.more)), "the invented day", folder)
    header = header_of({"test": told.test, **given}, "the invented day")
    return Script(replace(header, labels={**header.labels, "invented": True, **told.labels}), script.answers)
