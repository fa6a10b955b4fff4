"""What the record has of a day's concrete, of one job and mix: how much was placed, how many samples were taken of it."""
from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core.due import WHOLLY_WAIVED
from assistant.core.methods import units
from assistant.core.methods.registry import COUNTED
from assistant.job.file import Job
from assistant.record import loads
from assistant.record.derived import Derived
from assistant.record.journal import FILE, Journal
from assistant.round.record import of_no_sample, with_days


def counted(folder: Path, job: Job, mix: str, of: str, day: date) -> int:
    """Samples of concrete of this job and mix in that day's record, a round's on the day on which it began. Tests of one round,
    or of one sample, count once; practice, scrapped and invalid ones not at all, nor a sample that is no composite one, nor what is no
    test of concrete."""
    if not (folder / FILE).exists():
        return 0
    with Journal(folder, write=False) as journal:
        return _samples(list(_of_day(_told(journal), job, mix, day)), of)


def placed(folder: Path, job: Job, mix: str, day: date, unit: str) -> Decimal:
    """By that day's tickets, in yd3 or m3."""
    if not (folder / FILE).exists():
        return Decimal(0)
    with Journal(folder, write=False) as journal:
        found = _told(journal)
        known = _volumes(found, list(_of_day(found, job, mix, day)))
    return sum((units.convert(*one, unit) for one in known.values()), Decimal(0))


def before(job: Job | None, mix: str | None, day: date | None = None) -> Callable[[Journal], list[dict[str, Any]]]:
    """``so_far`` of the day, today unless it is said, for whoever has the journal."""
    return lambda journal: [] if job is None else so_far(journal, job, mix or job.labels.get("mix", ""), day or date.today())


def so_far(journal: Journal, job: Job, mix: str, day: date) -> list[dict[str, Any]]:
    """For each frequency of the job what ``due.told`` needs: what was placed and taken before the load that comes now."""
    found = Derived(journal)
    its = list(_of_day(found, job, mix, day))
    known = _volumes(found, its)
    return [{"of": of, "unit": rule.unit, "every": rule.every and str(rule.every), "at_least_per_day": rule.at_least_per_day,
             "waived_under": rule.waived_under and str(rule.waived_under), "wholly": of in WHOLLY_WAIVED,
             "loads": {name: f"{units.convert(*one, rule.unit):f}" for name, one in known.items()}, "taken": _samples(its, of)}
            for of, rule in job.frequency.items()]


def _told(journal: Journal) -> Derived:
    found = Derived(journal)
    for sentence in found.damaged:
        print(f"bowlside: {sentence}", file=sys.stderr)
    return found


def _of_day(found: Derived, job: Job, mix: str, day: date) -> Iterator[Any]:
    bad = of_no_sample(found.briefs)
    for its_day, one in with_days(found.briefs):
        if (one["id"] not in bad and its_day == day.isoformat() and one.get("job") == job.labels.get("job") and one.get("mix", mix) == mix
                and not one.get("practice") and one["outcome"] == "done" and one["verdict"] != "invalid"):
            yield one


def _samples(its: list[Any], of: str) -> int:
    return len({one.get("round") or one.get("sample") or one["id"] for one in its if one["test"] in COUNTED[of]})


def _volumes(found: Derived, its: list[Any]) -> dict[str, tuple[Decimal, str]]:
    return loads.volumes([found.whole(one["id"]) for one in its if one["test"] == loads.TICKET])
