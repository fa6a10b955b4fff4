"""An invented day on an invented job, played through the real machine into a journal of its own, for the example report.

Three loads, hours apart on the virtual clock, each with its ticket and a whole round. What goes wrong: the thermometer is overdue;
load 2 is over its age, its first slump test takes too long and is invalid; the slump of load 3 fails and its check test passes.
"""
from __future__ import annotations

from argparse import Namespace
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from functools import partial
from math import exp
from pathlib import Path
from random import Random
from typing import Any

from assistant import job
from assistant.core.events import Event, GaugeReads
from assistant.files.jsonline import dumps
from assistant.job import placed
from assistant.job.commands import EXAMPLE
from assistant.meters.register import Register
from assistant.record.header import Header
from assistant.record.journal import Journal
from assistant.record.lines import Write
from assistant.rehearsal.script import Script, read
from assistant.rehearsal.whole_round import RoundRehearsal
from assistant.round.drive import Round
from assistant.round.plan import Plan, plan_of
from assistant.station import job_and_meter

JOB = "job.toml"
MORE = (('tests = [', 'tests = ["delivery", "ambient", '), ("leak_drop =", "site_water = { max = 1.5 }           # gal/yd3\nleak_drop ="))
"""What this job has beyond the example of a job file: tickets, the weather, and a limit on the water added on site."""


@dataclass(frozen=True)
class Load:
    """One load and its round: when its ticket is read off, what is keyed, and what else than a cooperative technician would do."""
    begins: str
    keyed: Mapping[str, str]
    pressures: tuple[str, str]
    """The equilibria of run 1 and of run 2, psi."""
    again: Mapping[str, str] = field(default_factory=dict)
    """Of what is asked again all its values, in their order."""
    more: tuple[Mapping[str, Any], ...] = ()
    by_wire: bool = False
    """A gauge on the wire records the leak hold."""


def _keyed(ticket: str, weather: str, more: str) -> dict[str, str]:
    """What the loads differ in, and what they share; ``ticket`` and ``weather`` in the order in which they are asked."""
    its = dict(zip(("number", "truck", "load", "batched", "water", "water_at", "revolutions", "volume"), ticket.split()))
    return {**{f"ticket.{name}": value for name, value in its.items() if value != "-"},
            **dict(zip(("weather.air", "weather.wind", "weather.humidity"), weather.split())),
            "tare": "7.80", "cylinder.set": its["load"], "cylinder.count": "4", "cylinder.box": "1",
            **dict(one.split("=") for one in more.split())}


LOADS = (
    Load("08:40", _keyed("40117 12 1 0823 0 - 84 10", "58 6 70", "temperature=68 slump=4.25 gross=43.00"),
         ("7.25 18.63 31.81", "7.32 18.77 31.97"), more=({"on": "next.leak", "say": "yes"},), by_wire=True),
    Load("10:45", _keyed("40121 7 2 0911 5 1038 140 10", "61 8 65", "temperature=69 slump=3.75 gross=43.05"),
         ("7.31 18.73 31.91", "7.36 18.83 32.06"), {"equilibrium.1.1": "7.13 7.31"},
         ({"on": "lift", "after": 120, "say": "next"}, {"on": "pump.1.2", "say": "take it back"})),
    Load("12:50", _keyed("40126 12 3 1230 0 - 91 10", "63 6 60", "temperature=71 gross=42.90"),
         ("7.15 18.47 31.62", "7.21 18.60 31.80"), {"slump": "5.50 4.75"}),
)


class _Day(RoundRehearsal):
    """One round of the day. Its clock ran since midnight, so all that it writes has its time of day.

    With a gauge on the wire during the leak hold: 45.21 psi, of which 0.05 is warm air that cools; no leak.
    """

    def __init__(self, load: Load, plan: Plan, day: datetime, script: Script, journal: Journal, write: Write) -> None:
        self.load, self.plan_of_it, self.day = load, plan, day
        super().__init__(script, journal, write, answer_rest=True)

    def begin(self, header: Header, journal: Journal, boot: str) -> None:
        began = time.fromisoformat(self.load.begins)
        self.now = began.hour * 3600.0 + began.minute * 60
        journal.wall = lambda: self.day + timedelta(seconds=self.now)
        self.round = Round(journal, self.plan_of_it, boot, self._one, lambda: self.now, journal.wall)

    def handle(self, event: Event) -> bool:
        had = self.station.state.hold
        recorded = super().handle(event)
        hold = self.station.state.hold
        if self.load.by_wire and hold is not None and hold.id == "leak.hold" and had is None:
            chance = Random(7)
            for second in range(1, int(hold.ends - hold.started)):
                psi = Decimal(45.16 + 0.05 * exp(-second / 60) + chance.gauss(0, 0.004)).quantize(Decimal("0.01"))
                self.plan(hold.started + second, partial(self._shows, psi))
        return recorded

    def _shows(self, psi: Decimal) -> None:
        self.handle(GaugeReads(self.now, psi))


def build(folder: Path, write: Callable[[Mapping[str, Any]], None] = lambda line: None, day: date | None = None) -> Path:
    """Write job file, register and journal of the invented day into ``folder``, which must not hold a journal yet.

    ``day``: the one before today, unless it is said.
    """
    day = day or date.today() - timedelta(days=1)
    path = folder / JOB
    text = EXAMPLE.read_text(encoding="utf-8")
    for of_example, here in MORE:
        text = text.replace(of_example, here)
    path.write_text(text, encoding="utf-8")
    _register(Register(folder), day)
    its_job = job.load(path)
    tests = its_job.round["tests"]
    known = job_and_meter.for_real(Namespace(job=path, mix=None, override=None), folder, tests, "normal", day)
    with Journal(folder) as journal:
        for load in LOADS:
            given = {**known.data, **job_and_meter.round_of(its_job), "sample": f"S-{load.keyed['ticket.load']}",
                     "location": "Pier 2 stem, lift 1"}
            script = read(map(dumps, [{"test": "round", **given}, *_answers(load)]), "the invented day", folder)
            plan = replace(plan_of(given, "the invented day"), gear=known.of, placed=placed.before(its_job, None, day))
            _Day(load, plan, datetime.combine(day, time()).astimezone(), script, journal, write).run()
    return path


def _register(register: Register, day: date) -> None:
    """The meter and all else is in order, but for the thermometer."""
    register.add("M-3", "added", max_psi=Decimal(46), clamps=6)
    register.add("M-3", "calibrated", on=day - timedelta(days=30), chamber_ratio=Decimal("0.0600"), bowl_ft3=Decimal("0.249"),
                 by="T-02", how="water in bowl, canister")
    register.add("M-3", "factor", on=day - timedelta(days=30), source="Alder pit", pct=Decimal("0.3"))
    register.add("M-3", "remark", text="This meter is invented.")
    for name, kind, days in (("TH-2", "thermometer", 400), ("SC-1", "scale", 60), ("CN-1", "cone", 60), ("T-07", "certificate", 60)):
        register.add(name, "added", kind=kind)
        register.add(name, "checked", on=day - timedelta(days=days),
                     until=day + timedelta(days=300) if kind == "certificate" else None)


def _answers(load: Load) -> list[Mapping[str, Any]]:
    """As in a script file."""
    values: dict[str, str] = {"leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16"}
    for run, three in enumerate(load.pressures, 1):
        for step, (charge, psi) in enumerate(zip(("14.50", "30.00", "45.00"), three.split()), 1):
            values |= {f"charge.{run}.{step}": charge, f"equilibrium.{run}.{step}": psi}
    lines: list[Mapping[str, Any]] = []
    for ident, several in {**values, **load.keyed, **load.again}.items():
        for value in several.split():
            key = " ".join([*value.replace(".", "*"), "#"])
            lines += [{"on": ident, "key": key}]
            lines += [{"on": f"{ident}.again", "key": key}] if ident in ("equilibrium.1.3", "equilibrium.2.3") else []
    return [*lines, *load.more]
