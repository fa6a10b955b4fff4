"""What tests are done with: the newest test of each meter and thing, and the calibrations and leak holds that say how a meter is.

A meter moves between stations, so it is known by its name alone. Registers stay at the stations: due dates here go by the usual
intervals (assistant/meters/register.py) and by what the tests' labels and remarks say.
"""
from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple

from assistant.meters.register import CERTIFICATE, GEAR, LEAK_DROP, Calibration, LeakHold, Meter
from assistant.report.form import text

RATIO = "chamber_ratio"


class Check(NamedTuple):
    """A calibration or a leak hold, by the name of its result."""
    name: str
    value: Decimal | None
    unit: str
    verdict: str
    tells: bool
    good_until: date | None
    """None: it does not tell, or it failed."""


def checks(test: Mapping[str, Any]) -> Iterator[Check]:
    """What a test, as ``summary.of`` gives it, says of its meter, as the register takes it."""
    day = date.fromisoformat(test["started"][:10])
    for one in test["results"] if text(test.get("meter")) else ():
        if one["name"] == RATIO:
            tells = one["rounded"] is not None and test["outcome"] == "done"
            until = Meter("", day, calibrations=(Calibration(day, one["rounded"]),)).due()["calibration"] if tells else None
            yield Check(RATIO, one["rounded"], one["unit"], one["verdict"], tells, until)
        elif one["name"] == LEAK_DROP:
            hold = LeakHold(day, test["id"], one["value"], one["verdict"])
            until = Meter("", day, holds=(hold,)).due()["leak"] if hold.verdict != "fail" else None
            yield Check(LEAK_DROP, one["value"], one["unit"], one["verdict"], hold.tells, until)


class Thing(NamedTuple):
    kind: str
    """Of GEAR."""
    name: str
    good_until: date | None
    told: str
    """What the station said of it."""


def things(test: Mapping[str, Any]) -> Iterator[Thing]:
    """What a test was done with besides its meter, down to the technician's certificate."""
    for kind in GEAR:
        name = text(test.get("technician" if kind == CERTIFICATE else kind))
        until, told = _day(test.get("certification_expires")) if kind == CERTIFICATE else None, ""
        if said := re.search(rf"{kind.capitalize()} {re.escape(name)} (?:is overdue: it was good until (\S+?)|has no check in "
                             r"the register)(?=[.:](?:\s|$))", text(test.get("remark"))):
            told, until = f"{said[0]}.", _day(said[1]) or until
        if name and (kind != CERTIFICATE or until or told):
            yield Thing(kind, name, until, told)


def _day(value: Any) -> date | None:
    with suppress(TypeError, ValueError):
        return date.fromisoformat(value)
    return None
