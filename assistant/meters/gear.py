"""What a test is done with besides the meter, from the register: thermometer, scale, cone, down to the technician's certificate."""
from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from assistant.meters.register import CERTIFICATE, Register, fit_for_use


@dataclass(frozen=True)
class Gear:
    """What one test is done with, besides the meter."""
    labels: Mapping[str, str] = field(default_factory=dict)
    """Kind to name, for the test's header."""
    overdue: tuple[str, ...] = ()
    """A sentence for each thing that is overdue or not in the register."""


def gear_for(folder: Path, needs: Collection[str], named: Mapping[str, str], technician: str, now: date) -> Gear:
    """What of the register a test is done with.

    needs       kinds of GEAR
    named       kind to name, where the job says; else it is the only one of its kind that is in use
    technician  whose certificate is looked up; empty: nobody is named
    Raises MeterError: the register can't be read.
    """
    there = Register(folder).meters(holds=0)
    labels, overdue = {}, []
    for kind in needs:
        its = [one for one in there.values() if one.kind == kind and not one.retired]
        name = technician if kind == CERTIFICATE else named.get(kind) or (its[0].name if len(its) == 1 else "")
        item = there.get(name)
        if kind != CERTIFICATE and name:
            labels[kind] = name
        if item is not None and item.kind == kind:
            overdue += fit_for_use(item, now)
            if kind == CERTIFICATE and (until := item.good_until()):
                labels["certification_expires"] = str(until)
        elif name and (its or kind in named):
            overdue.append(f'{kind.capitalize()} "{name}" is not in the register.')
    return Gear(labels, tuple(overdue))
