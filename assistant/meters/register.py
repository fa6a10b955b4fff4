"""The register: what each meter's calibration gave, its correction factors, when something is due again; and the same of whatever
else a test is done with, down to the technician's certificate.

A SQLite file beside the journal. Entries are only ever added; the meter as it is now is the fold of its entries.
Leak holds are not entered here: they are in the journal, under the meter's name.
"""
from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from shlex import quote
from typing import Any

from assistant.core.assessment import CORRECTED, REPEATED
from assistant.core.methods.provenance import Provenance, common, memory, published
from assistant.core.methods.registry import METHODS
from assistant.core.methods.units import INCH_POUND, convert
from assistant.core.rounding import round_to
from assistant.core.settings import Settings, number
from assistant.files import owner_only
from assistant.files.refusal import Refusal
from assistant.record import summary
from assistant.record.journal import FILE as JOURNAL
from assistant.record.journal import Journal, JournalError, make

FILE = "meters.db"
LEAK_DROP = "leak_drop"
WITH_LEAK_HOLD = tuple(name for name, method in METHODS.items() if LEAK_DROP in (spec.name for spec in method.results))
KINDS = ("added", "calibrated", "checked", "factor", "intervals", "remark", "retired")

INTERVALS: dict[str, tuple[int | None, Provenance]] = {
    "calibration_days": (365, published("Iowa DOT IM 318: calibrate yearly, and check before use on a project")),
    "leak_days": (1, common("a leak hold on each day of use, before concrete is tested")),
    "factor_days": (None, memory("the aggregate correction is repeated when sources change; no interval is known", 90)),
}
"""Days that each thing is good for, and where that comes from; None: it does not run out. A meter may have its own."""


METER = "meter"
CERTIFICATE = "certificate"
GEAR: dict[str, tuple[int | None, Provenance]] = {
    "thermometer": (365, published("C1064-03 and an agency's checklist of 2014: verified yearly")),
    "scale": (365, memory("C138 and agencies: scales are checked yearly", 75)),
    "measure": (365, memory("C29 / C138: the volume of a measure is checked yearly", 80)),
    "cone": (365, memory("agencies have the mould's size and shape checked yearly", 60)),
    "rod": (None, common("looked at before use; no interval is known")),
    "moulds": (None, common("looked at before use; a lot's own paper counts")),
    CERTIFICATE: (None, common("as long as the certificate itself says; entered under the technician's code")),
}
"""What else a test is done with, the days that a check of it is good for, and where that comes from."""


class MeterError(Refusal):
    """The register, or what was asked of it, is wrong: one sentence."""


@dataclass(frozen=True)
class Calibration:
    on: date
    chamber_ratio: Decimal | None = None
    """Chamber volume / bowl volume."""
    bowl_ft3: Decimal | None = None
    by: str = ""
    how: str = ""


@dataclass(frozen=True)
class LeakHold:
    """One leak hold of the journal. ``drop_psi`` is positive where pressure was lost; None: the hold did not count."""
    on: date
    test: int
    drop_psi: Decimal | None
    verdict: str

    @property
    def tells(self) -> bool:
        """Whether it says if the chamber is tight. One that rose, was scrapped, or was changed with its result known does not;
        one that failed always does."""
        return self.verdict == "fail" or self.drop_psi is not None and self.verdict not in (REPEATED, CORRECTED)


@dataclass(frozen=True)
class Check:
    on: date
    until: date | None = None
    """The last day on which it is good, where its paper says so."""
    by: str = ""
    remark: str = ""


@dataclass(frozen=True)
class Meter:
    """A meter, or anything else of GEAR."""
    name: str
    added: date
    kind: str = METER
    checks: tuple[Check, ...] = ()
    """By day, the newest last; of a meter there are calibrations."""
    max_psi: Decimal | None = None
    clamps: int | None = None
    calibrations: tuple[Calibration, ...] = ()
    factors: Mapping[str, tuple[date, Decimal]] = field(default_factory=dict)
    """Aggregate source -> day and correction, percent of air; the newest of each source."""
    own_intervals: Mapping[str, int] = field(default_factory=dict)
    remarks: tuple[tuple[date, str], ...] = ()
    retired: str = ""
    """Why it is out of use; empty while it is in use."""
    holds: tuple[LeakHold, ...] = ()

    @property
    def chamber_ratio(self) -> Decimal | None:
        found = self.calibration()
        return None if found is None else found.chamber_ratio

    @property
    def bowl_ft3(self) -> Decimal | None:
        return next((one.bowl_ft3 for one in reversed(self.calibrations) if one.bowl_ft3 is not None), None)

    def calibration(self, by: date | None = None) -> Calibration | None:
        """The newest (by that day) that gave a chamber ratio; a bowl measured again renews only the bowl."""
        return next((one for one in reversed(self.calibrations)
                     if one.chamber_ratio is not None and (by is None or one.on <= by)), None)

    @property
    def hold(self) -> LeakHold | None:
        """The newest leak hold that tells."""
        return next((one for one in reversed(self.holds) if one.tells), None)

    def interval(self, name: str) -> int | None:
        """Days, 0 for never: a meter's own wins over the default."""
        default = GEAR[self.kind][0] if self.kind in GEAR else INTERVALS[name][0]
        return self.own_intervals.get(name, default) or None

    def good_until(self) -> date | None:
        """Of anything but a meter: the last day on which it is good; None where it does not run out or was never checked."""
        last = self.checks[-1] if self.checks else None
        days = self.interval("check_days")
        if last is None or last.until is not None or days is None:
            return last.until if last else None
        return last.on + timedelta(days=days)

    def due(self, source: str = "") -> dict[str, date | None]:
        """The last day on which each is still good; None where it was never done or does not run out."""
        last = {"calibration": found.on if (found := self.calibration()) else None, "leak": self.hold.on if self.hold else None,
                "factor": self.factors[source][0] if source in self.factors else None}
        return {name: None if (days := self.interval(f"{name}_days")) is None or day is None
                else day + timedelta(days=days - (name == "leak")) for name, day in last.items()}

    def settings(self, source: str = "", system: str = INCH_POUND) -> dict[str, Any]:
        """What the register knows of a test's settings, for ``Settings.from_mapping``; volumes in the units of the job."""
        bowl = self.bowl_ft3
        volume = {"bowl_volume_ft3": bowl} if system == INCH_POUND or bowl is None else {
            "bowl_volume_m3": round_to(convert(bowl, "ft3", "m3"), 6)}
        found = {"chamber_ratio": self.chamber_ratio, "max_psi": self.max_psi, "clamps": self.clamps, **volume,
                 "aggregate_correction_pct": self.factors[source][1] if source in self.factors else None}
        return {key: value for key, value in found.items() if value is not None}


def fit_for_use(meter: Meter, now: date, source: str = "", leak: bool = False) -> list[str]:
    """Why the meter must not be used today, a sentence each; none: it may be.

    ``source``: the aggregate's, whose correction factor is then needed. ``leak``: a leak hold of today is needed too;
    leave it off where the test begins with one.
    """
    if meter.retired:
        return [f"{meter.kind.capitalize()} {meter.name} is out of use: {meter.retired.rstrip('.')}."]
    if meter.kind != METER:
        return _overdue(meter, now)
    reasons: list[str] = []
    until = meter.due(source)
    if (calibrated := meter.calibration()) is None:
        reasons.append(f"Meter {meter.name} has no chamber ratio: calibrate it, then enter it with "
                       f"bowlside meter calibrated {quote(meter.name)}.")
    elif (day := until["calibration"]) is not None and now > day:
        reasons.append(f"The calibration of meter {meter.name} ran out on {day}: it was done on {calibrated.on} and "
                       f"is good for {meter.interval('calibration_days')} days.")
    if source and source not in meter.factors:
        known = ", ".join(meter.factors) or "none yet"
        reasons.append(f'Meter {meter.name} has no aggregate correction for "{source}"; there are: {known}.')
    elif source and (day := until["factor"]) is not None and now > day:
        reasons.append(f'The aggregate correction for "{source}" on meter {meter.name} ran out on {day}.')
    last = meter.hold
    if last is not None and last.verdict == "fail":
        reasons.append(f"Meter {meter.name} failed its last leak hold, on {last.on} (test {last.test}): find the leak, cure it, "
                       "and hold it again.")
    elif leak and meter.interval("leak_days") and ((day := until["leak"]) is None or now > day):
        reasons.append(f"Meter {meter.name} has no leak hold of today" + (f": the last was on {last.on}." if last else "."))
    return reasons


def _overdue(item: Meter, now: date) -> list[str]:
    named = f"{item.kind.capitalize()} {item.name}"
    if not item.checks and (item.kind == CERTIFICATE or item.interval("check_days") is not None):
        return [f"{named} has no check in the register: enter it with bowlside meter checked {quote(item.name)}."]
    until = item.good_until()
    return [f"{named} is overdue: it was good until {until}."] if until is not None and now > until else []


def leak_trend(holds: tuple[LeakHold, ...]) -> Decimal | None:
    """How the pressure lost in a hold changes from one hold to the next, psi: the least-squares slope over the last
    ten that count. None for fewer than three."""
    drops = [one.drop_psi for one in holds if one.drop_psi is not None][-10:]
    if len(drops) < 3:
        return None
    count = len(drops)
    middle, mean = Decimal(count - 1) / 2, sum(drops, Decimal(0)) / count
    return (sum(((at - middle) * (drop - mean) for at, drop in enumerate(drops)), Decimal(0))
            / sum(((at - middle) ** 2 for at in range(count)), Decimal(0)))


class Register:
    """The register of one journal folder. Raises MeterError: unreadable, not ours, newer than this program."""

    SCHEMA = 1

    def __init__(self, folder: Path) -> None:
        self.folder, self.path = folder, folder / FILE

    def add(self, meter: str, kind: str, /, **body: Any) -> None:
        """Append one entry; it is on the disk when this returns. Raises MeterError."""
        if kind not in KINDS:
            raise ValueError(f"{kind} is no kind of entry; they are {', '.join(KINDS)}")
        there = self.meters()
        if kind == "added" and meter in there:
            raise MeterError(f"Meter {meter} is in the register already; see bowlside meter show {quote(meter)}.")
        if kind != "added":
            known(there, meter)
        plain = {key: str(value) if isinstance(value, Decimal | date) else value
                 for key, value in body.items() if value is not None}
        try:
            make(self.folder)
            owner_only.touched(self.path)
            with self._open(write=True) as db:
                db.execute("INSERT INTO entries (wall, meter, kind, body) VALUES (?, ?, ?, ?)",
                           (datetime.now().astimezone().isoformat(timespec="seconds"), meter, kind, json.dumps(plain)))
            db.close()
        except (OSError, sqlite3.Error) as error:
            raise MeterError(f"The meter register {self.path} can't be written: {error}. Make room, or name another folder "
                             "with --journal.") from None

    def meters(self, holds: int = 10) -> dict[str, Meter]:
        """Every meter as it is now, its newest leak holds from the journal included. Raises MeterError or JournalError."""
        found: dict[str, Meter] = {}
        for wall, name, kind, body in self.history():
            found[name] = _after(found.get(name) or Meter(name, date.fromisoformat(wall[:10])), wall, kind, body)
        if found and (self.folder / JOURNAL).exists():
            with Journal(self.folder, write=False) as journal:
                for name, hold in leak_holds(journal, found, holds):
                    found[name] = replace(found[name], holds=(*found[name].holds, hold))
        return found

    def history(self, meter: str | None = None) -> list[tuple[str, str, str, dict[str, Any]]]:
        """Wall time, meter, kind and body of every entry, oldest first."""
        if not self.path.exists():
            return []
        try:
            db = self._open(write=False)
            begun = db.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()[0]  # none: cut off while it was being made
            rows = db.execute("SELECT wall, meter, kind, body FROM entries ORDER BY seq").fetchall() if begun else []
            db.close()
            return [(wall, name, kind, json.loads(body)) for wall, name, kind, body in rows if meter in (None, name)]
        except (sqlite3.Error, ValueError, OSError) as error:
            raise MeterError(f"The meter register {self.path} can't be read: {error}. Keep that file as it is, and name another "
                             "folder with --journal.") from None

    def _open(self, write: bool) -> sqlite3.Connection:
        owner_only.plain(self.path)
        db = sqlite3.connect(self.path) if write else sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True)
        version = db.execute("PRAGMA user_version").fetchone()[0]
        if version > self.SCHEMA:
            db.close()
            raise MeterError(f"The meter register {self.path} was written by a newer Bowlside. Upgrade, or name another folder.")
        if version < self.SCHEMA and db.execute("SELECT COUNT(*) FROM sqlite_master").fetchone()[0]:
            db.close()
            raise MeterError(f"The file {self.path} is no meter register of Bowlside. Keep it, and name another folder.")
        if write and version < self.SCHEMA:
            db.executescript(f"""
                BEGIN;
                CREATE TABLE entries (seq INTEGER PRIMARY KEY, wall TEXT NOT NULL, meter TEXT NOT NULL, kind TEXT NOT NULL,
                                      body TEXT NOT NULL);
                CREATE TRIGGER kept BEFORE UPDATE ON entries BEGIN SELECT RAISE(ABORT, 'entries are only added'); END;
                CREATE TRIGGER never_removed BEFORE DELETE ON entries BEGIN SELECT RAISE(ABORT, 'entries are only added'); END;
                PRAGMA user_version = {self.SCHEMA};
                COMMIT;""")
        return db


def known(there: Mapping[str, Meter], name: str) -> Meter:
    """The meter of that name. MeterError names those that are there."""
    if name not in there:
        raise MeterError(f'There is no meter "{name}" in the register; there are: {", ".join(there) or "none yet"}. '
                         f"Add it with bowlside meter add {quote(name)}.")
    return there[name]


def leak_holds(journal: Journal, names: Collection[str], most: int) -> list[tuple[str, LeakHold]]:
    """Meter and hold of the newest ``most`` leak holds that tell of each of these meters, and those that don't among them,
    oldest first; practice does not count.

    Only tests that may hold one are replayed, since a start waits for this.
    """
    found: list[tuple[str, LeakHold]] = []
    for test in reversed(journal.tests()):
        meter = _meter_of(journal, test)
        if meter not in names or sum(name == meter and hold.tells for name, hold in found) >= most:
            continue
        try:
            one = summary.of(journal, test)
        except JournalError:
            continue  # log list and log verify tell of it
        drop = next((each for each in one["results"] if each["name"] == LEAK_DROP), None)
        if drop is not None:
            found.append((meter, LeakHold(date.fromisoformat(one["started"][:10]), test, drop["value"], drop["verdict"])))
    return found[::-1]


def _meter_of(journal: Journal, test: int) -> str:
    """The meter of a real test that has a leak hold; else empty. From its first event alone."""
    try:
        begun = json.loads(next(journal.rows(test)).body)
        return "" if begun["test"] not in WITH_LEAK_HOLD or begun["header"].get("practice") else begun["header"].get("meter", "")
    except (StopIteration, JournalError, ValueError, KeyError, TypeError, AttributeError):
        return ""


def for_run(folder: Path, name: str | None, now: date, source: str = "", system: str = INCH_POUND,
            leak: bool = False) -> tuple[dict[str, Any], list[str]]:
    """What the register beside the journal knows of this meter's settings, and why it must not be used today.

    Without a register nothing is known and nothing refused. Raises MeterError: unreadable.
    """
    there = {each.name: each for each in Register(folder).meters(holds=1).values() if each.kind == METER}
    if not there or not name:
        return {}, []
    if name not in there:
        return {}, [f'Meter "{name}" is not in the register; there are: {", ".join(there)}.']
    return there[name].settings(source, system), fit_for_use(there[name], now, source, leak)


def _after(meter: Meter, wall: str, kind: str, body: Mapping[str, Any]) -> Meter:
    day = date.fromisoformat(body.get("on") or wall[:10])
    ratio, bowl = (Decimal(body[key]) if key in body else None for key in ("chamber_ratio", "bowl_ft3"))
    match kind:
        case "added":
            return replace(meter, max_psi=Decimal(body["max_psi"]) if "max_psi" in body else None, clamps=body.get("clamps"),
                           kind=body.get("kind", METER))
        case "checked":
            one_check = Check(day, date.fromisoformat(body["until"]) if "until" in body else None, body.get("by", ""),
                              body.get("remark", ""))
            return replace(meter, checks=tuple(sorted((*meter.checks, one_check), key=lambda each: each.on)))
        case "calibrated":
            one = Calibration(day, ratio, bowl, body.get("by", ""), body.get("how", ""))
            return replace(meter, calibrations=tuple(sorted((*meter.calibrations, one), key=lambda each: each.on)))
        case "factor":
            source, older = body["source"], meter.factors.get(body["source"])
            newest = older if older is not None and older[0] > day else (day, Decimal(body["pct"]))
            return replace(meter, factors={**meter.factors, source: newest})
        case "intervals":
            return replace(meter, own_intervals={**meter.own_intervals, **body["days"]})
        case "remark":
            return replace(meter, remarks=(*meter.remarks, (day, body["text"])))
        case "retired":
            return replace(meter, retired=body["why"])
    return meter


def checked(key: str, value: str) -> Decimal:
    """A number from the command line, within what the setting of that name allows. Raises MeterError."""
    try:
        found = number(key, value)
        if key == "bowl_ft3" and not Decimal("0.1") <= found <= 2:
            raise ValueError(f"{key} is {found}: it must be from 0.1 to 2 (cubic feet)")
        if key in ("chamber_ratio", "max_psi", "aggregate_correction_pct"):
            bounds = Settings.__dataclass_fields__[key].metadata
            if not bounds["low"] <= found <= bounds["high"]:
                raise ValueError(f"{key} is {found}: it must be from {bounds['low']} to {bounds['high']} ({bounds['unit']})")
        return found
    except ValueError as error:
        raise MeterError(f"{error}.") from None


def standing_of(interval: str) -> str:
    return str(INTERVALS[interval][1])
