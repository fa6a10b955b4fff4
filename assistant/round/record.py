"""What the journal has of a round: its tests, when the last portion of its sample was taken, and where its thermometer is.

Nothing is stored for a round. Each of its tests carries its name in the label ``round`` of its first event, and the time of the
last portion is in the sampling test's events. So a start after a crash goes on with it.
"""
from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from assistant.core import batch_clock, quality
from assistant.core import load_judged as core
from assistant.core.assessment import FAIL, INVALID, NONE, PASS, ResultSpec
from assistant.core.methods.registry import RESULTS
from assistant.core.round import SAMPLE
from assistant.core.round_clock import limit_s
from assistant.core.rounding import judge
from assistant.core.settings import Settings
from assistant.record import loads, summary
from assistant.record.journal import Journal
from assistant.record.session import Station


@dataclass(frozen=True)
class Moment:
    """When something was recorded."""
    at: float
    """On the clock of the boot ``boot``."""
    boot: str
    wall: datetime

    def on_clock(self, now: float, boot: str, wall: datetime) -> tuple[float | None, bool]:
        """The same on this boot's clock, and whether only the wall clock could tell; None: that was set back since, so nothing
        tells."""
        if boot and boot == self.boot and self.at <= now:
            return self.at, False
        since = (wall - self.wall).total_seconds()
        return (now - since if since >= 0 else None), True

    def is_old(self, now: float, boot: str, wall: datetime) -> bool:
        """Longer ago than LASTS_S, as far as a clock tells."""
        at, _ = self.on_clock(now, boot, wall)
        return at is not None and now - at > LASTS_S


@dataclass(frozen=True)
class SoFar:
    """What the journal has of one round."""
    name: str
    records: tuple[Mapping[str, Any], ...] = ()
    """Its tests that are over, oldest first, as ``record.of`` gives them."""
    portion: Moment | None = None
    """When the last portion of the sample was taken."""
    sampled: bool = False
    """The sample is a composite one, as the technician says."""
    thermometer: tuple[float, str] | None = None
    """When it went into the sample: on the clock of which boot."""

    @property
    def done(self) -> list[core.Done]:
        return [_done(one) for one in _of_the_sample(self.records)]

    @property
    def labels(self) -> dict[str, str]:
        """What the newest of each of its tests tells those after it: the load's, from its ticket."""
        newest = {one["test"]: loads.labels_of(one) for one in self.records if one["outcome"] == "done"}
        return {key: text for labels in newest.values() for key, text in labels.items()}

    @property
    def sample(self) -> str:
        named = [str(one["sample"]) for one in self.records if one.get("sample")]
        return named[-1] if named else f"S-{self.name.partition('-')[2]}"


def _of_the_sample(records: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Without the samplings, and without what was tested on a sample that was taken anew, since it was no composite one: that says
    nothing of the load."""
    kept: list[Mapping[str, Any]] = []
    for one in records:
        if one["test"] != SAMPLE:
            kept.append(one)
        elif one["outcome"] == "done":
            kept = [each for each in kept if each["test"] in core.BEFORE]
    return kept


def of_no_sample(tests: Iterable[Mapping[str, Any]]) -> set[int]:
    """Of the tests of any days, oldest first, those of a round whose sample was no composite one, by their numbers."""
    bad: set[str] = set()
    found = set()
    for one in tests:
        name = one.get("round")
        if name and one["test"] == SAMPLE and one["outcome"] == "done":
            (bad.add if one["verdict"] == INVALID else bad.discard)(name)
        elif name in bad and one["test"] not in core.BEFORE:
            found.add(one["id"])
    return found


def _done(one: Mapping[str, Any]) -> core.Done:
    results = {each["name"]: each["rounded"] for each in one["results"] if each["rounded"] is not None}
    judged, low = {}, []
    for each in one["results"]:
        spec, limits = RESULTS.get(each["name"]), tuple(each["limits"])
        if each["value"] is None or limits == (None, None) or spec is None or spec.own_limits:
            continue    # what is judged by its own limits (a leak, a cure) is no property of the load
        if each.get("remark"):
            judged[each["name"]] = NONE    # preliminary: neither accepted nor failed
            continue
        value = spec.measured(each["value"])
        judged[each["name"]] = PASS if judge(value, limits, one["rounding"]) else FAIL
        low += [] if judge(value, (limits[0], None), one["rounding"]) else [each["name"]]
    age = one.get("after_last_portion_s")
    late = 0.0 if age is None else max(0.0, age - (limit_s(one["test"], Settings.from_mapping(one["settings"])) or age))
    return core.Done(one["test"], one["outcome"], one["verdict"], results, judged, tuple(low), str(one.get("technician", "")),
                     bool(one.get("check_of")), bool(one.get("comparison")), age, one.get("timing", ""), late)


@dataclass(frozen=True)
class Judged:
    """What the records of a round say of its concrete: spoken, shown, printed and exported from here alone."""
    plan: tuple[str, ...]
    """The tests that it was to have; empty: its records are from before that was kept."""
    done: tuple[core.Done, ...]
    sampled: bool
    preliminary: bool
    check_tests: bool
    old: bool = False
    """The load was over its age when the last portion of its sample was taken."""

    @property
    def properties(self) -> list[core.Property]:
        return core.properties(self.done, self.preliminary, self.check_tests)

    @property
    def load(self) -> quality.Finding | None:
        """Judged at the end of the round, that is by all its records. None: nobody knows which tests it was to have."""
        found = core.load(self.plan, self.done, self.sampled, self.preliminary, self.check_tests, self.old)
        return found if self.plan or found.verdict == quality.REJECTED else None

    def summary(self, said: Mapping[str, str], units: str) -> str:
        return core.summary(self.plan, self.done, said, self.load, units, self.preliminary, self.check_tests)

    @property
    def right(self) -> bool:
        return core.right(self.plan, self.done, self.load)


def judged(records: Sequence[Mapping[str, Any]]) -> Judged:
    """``records``: the tests of one round that are over, oldest first, as ``summary.of`` gives them."""
    def label(key: str) -> Any:
        return next((one[key] for one in reversed(records) if key in one), None)
    samplings = [one for one in records if one["test"] == SAMPLE and one["outcome"] == "done"]
    plan = tuple(filter(None, str(label("round_tests") or "").split(", ")))
    # A round from before its tests were kept is told of as it was then: by all of them.
    counted = _of_the_sample(records) if plan else [one for one in records if one["test"] != SAMPLE]
    return Judged(plan, tuple(_done(one) for one in counted if one["outcome"] != "not over"),
                  not samplings or samplings[-1]["verdict"] != "invalid", core.is_preliminary(label("preliminary")),
                  label("check_tests") is not False, any(one["test"] == loads.TICKET for one in records) and any(map(_is_old, records)))


def passed(records: Iterable[Mapping[str, Any]], results: Collection[ResultSpec], meter: Any) -> Mapping[str, Any] | None:
    """The newest of such results of tests with this meter, if it has a value that is within its limits; None: it has not."""
    found = [(one, each) for one in records for each in one["results"]
             if each["name"] in [spec.name for spec in results] and one.get("meter") == meter and not one.get("comparison")]
    if not found:
        return None
    one, last = found[-1]
    counts = one["outcome"] == "done" and one["verdict"] != INVALID and last["value"] is not None
    return last if counts and judge(last["value"], tuple(last["limits"]), one["rounding"]) else None


def _is_old(one: Mapping[str, Any]) -> bool:
    """By the ticket that was read off in its round, to the minute, as both times of day are written."""
    batched, sampled = (_minutes(one.get(key)) for key in ("batched_at", "sampled_at"))
    if batched is None or sampled is None:
        return False
    age_s = (sampled - batched) % (24 * 60) * 60
    return float(Settings.from_mapping(one["settings"]).discharge_within_s) < age_s <= batch_clock.TOO_OLD_S


def _minutes(of_day: Any) -> int | None:
    """Since midnight, of a time such as 09:42; None of anything else."""
    hours, _, minutes = str(of_day or "").partition(":")
    return int(hours) * 60 + int(minutes) if hours.isdecimal() and minutes.isdecimal() else None


LASTS_S = 3 * 3600.0
"""Seconds after its last portion, or after its newest test began while there is none, for which a round is gone on with. Common
practice, no source: concrete is placed within an hour and a half of mixing and sets in the hours after, so there is nothing fresh
left to test. A round takes an hour: that leaves time for a dead battery. Midnight means nothing, much is poured at night."""


def newest(journal: Journal, now: float, boot: str, wall: datetime, practice: bool = False) -> SoFar | None:
    """The newest round, unless it is too old to be gone on with (see LASTS_S); None where there is none.

    now, boot, wall: the boot clock in seconds, whose it is, and the wall clock. The boot clock decides as long as it can.
    """
    for test in reversed(journal.tests()):
        began, first = _first(journal, test)
        header = first.get("header", {})
        if header.get("round") and bool(header.get("practice")) == practice:
            this = so_far(journal, header["round"], of_round(journal, header["round"]))
            since = this.portion or began
            return None if since is not None and since.is_old(now, boot, wall) else this
        if began is not None and began.is_old(now, boot, wall):
            return None     # what was recorded before it is no younger
    return None


def so_far(journal: Journal, name: str, tests: list[int]) -> SoFar:
    """Raises JournalError where one of the tests can't be replayed."""
    records = [one for one in (summary.of(journal, test) for test in tests) if one["outcome"] != "not over"]
    samplings = [one for one in records if one["test"] == SAMPLE and one["outcome"] == "done"]
    portion = next((found for one in reversed(samplings) if (found := _portion(journal, one["id"]))), None)
    clocks = [_first(journal, test)[1].get("clock", {}) for test in tests]
    placed = [(one["thermometer_at"], one["boot"]) for one in clocks if one.get("thermometer_at") is not None]
    return SoFar(name, tuple(records), portion, bool(samplings) and samplings[-1]["verdict"] != "invalid",
                 placed[-1] if placed else None)


def _portion(journal: Journal, test: int) -> Moment | None:
    at = Station(journal, test).state.timed_at
    found = next((row for row in journal.rows(test) if at is not None and json.loads(row.body)["at"] == at), None)
    return None if found is None or at is None else Moment(at, found.boot, datetime.fromisoformat(found.wall))


def of_round(journal: Journal, name: str) -> list[int]:
    """The numbers of its tests, oldest first."""
    return [test for test in journal.tests() if _first(journal, test)[1].get("header", {}).get("round") == name]


def with_days(tests: Iterable[Mapping[str, Any]]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Each with its day: the one on which it began, or on which its round did, where that went on after midnight: its tests then
    follow each other by no more than LASTS_S."""
    known: dict[Any, tuple[str, datetime]] = {}
    for one in tests:
        day, wall = one["started"][:10], datetime.fromisoformat(one["started"])
        if named := one.get("round"):
            began, newest = known.get(named, (day, wall))
            day = began if (wall - newest).total_seconds() <= LASTS_S else day
            known[named] = day, wall
        yield day, one


def _first(journal: Journal, test: int) -> tuple[Moment | None, dict[str, Any]]:
    """When a test began, and the content of its first event; nothing where that is damaged (log verify tells of it)."""
    row = next(journal.rows(test), None)
    try:
        if row is not None:
            body = dict(json.loads(row.body))
            return Moment(float(body["at"]), row.boot, datetime.fromisoformat(row.wall)), body
    except (ValueError, TypeError, KeyError):
        pass
    return None, {}
