"""The day's tests for the crew's board: their list with its control charts, a page and a report of each.

`python -m assistant.board.day FOLDER --journal DIR [--job FILE]` makes them, in a process of its own that gives way to everything
else; the station starts it when a test is over, and ends it before the next one begins. Whatever is made is whole, and kept.
"""
from __future__ import annotations

import argparse
import hashlib
import io
import json
import os
import sys
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from typing import Any

from assistant import job
from assistant.board import bulletin, files, place
from assistant.core.language import sentence
from assistant.core.methods import registry
from assistant.core.phrases import capital, spoken_id
from assistant.core.state import State
from assistant.files.jsonline import dumps
from assistant.record import log, page
from assistant.record.derived import Derived, rules
from assistant.record.journal import Journal, JournalError
from assistant.record.session import Station, unfinished
from assistant.report import series
from assistant.report.rows import Test, clock, marks, rounds, shown, title_of, with_days

NICE = 19


class Day:
    """What there is to tell of the newest day of a record."""

    def __init__(self, journal: Journal, its_job: job.Job | None = None) -> None:
        found = Derived(journal)
        over = [one for one in found.briefs if is_over(one)]
        dated = list(with_days(over))
        self.journal, self.job, self.date = journal, its_job, dated[-1][0] if dated else date.today().isoformat()
        self.history = over
        self.tests: list[Test] = [found.whole(one["id"]) for its_day, one in dated if its_day == self.date]
        left = unfinished(journal)
        self.running: Mapping[str, Any] = {**(left.state.header or {}), "test": left.state.procedure.test} \
            if left is not None and left.state.procedure is not None else {}

    def listed(self, there: Collection[str]) -> dict[str, Any]:
        """``day.json``. ``there``: the files that are made."""
        return withheld({
            "schema": bulletin.SCHEMA, "date": self.date, "station": str(self._label("station")), "marks": marks(self.tests),
            "tests": [self._row(one, there) for one in self.tests], "charts": list(self._charts())}, self.running)

    def _label(self, key: str) -> Any:
        return next((one[key] for one in reversed(self.tests) if one.get(key)), "")

    def _row(self, one: Test, there: Collection[str]) -> dict[str, Any]:
        verdict, results = page.of(one), page.told(one["results"])[0]
        return {"number": one["id"], "test": one["test"], "title": title_of(one), "at": clock(one["started"]),
                "ticket": str(one.get("ticket") or ""), "sample": str(one.get("sample") or ""), "round": str(one.get("round") or ""),
                "verdict": verdict.verdict, "why": _sentence(verdict.why), "results": _named(results), "withheld": False,
                "check_test": bool(one.get("check_of")), "practice": bool(one.get("practice")),
                **{kind: name if (name := f"test-{one['id']}.{ending}") in there else None
                   for kind, ending in (("page", "json"), ("pdf", "pdf"))}}

    def _charts(self) -> Iterator[dict[str, Any]]:
        for one in series.charts(self.history, self.date, self.job):
            low, high = one.limits
            newest = one.samples[-series.POINTS:]
            points = [each.point(str(each.tests[0].get("sample") or each.tests[0]["id"])) for each in newest]
            yield {"title": one.title, "unit": one.key.unit, "points": [[each.label, shown(each.value)] for each in points],
                   "lower": _figure(low), "upper": _figure(high), "target": _figure(one.levels.target)}

    def page(self, one: Test) -> dict[str, Any]:
        """A test's page: the words of `log show`."""
        its, state = page.of(one), Station(self.journal, one["id"]).state
        return {"schema": bulletin.SCHEMA, "number": one["id"], "title": title_of(one), "started": one["started"][:16].replace("T", " "),
                "outcome": one["outcome"], "marks": marks([one]), "labels": [list(pair) for pair in log.labels(one)],
                "verdict": its.verdict, "why": _sentence(its.why), "results": _named(its.results), "more": _named(its.more),
                "table": [*its.table, *its.other_rows], "readings": _readings(state),
                "doubts": [sentence("page.doubt", text=words) for words in its.doubts],
                "notes": list(map(_sentence, log.remarks(one)))}

    def reports(self) -> Iterator[tuple[list[str], Sequence[Test]]]:
        """The names of a report and the tests in it, newest first: those of one round share theirs."""
        for group in reversed(rounds(self.tests)):
            yield [f"test-{one['id']}.pdf" for one in group.tests], group.tests


def is_over(one: Mapping[str, Any]) -> bool:
    return bool(one["outcome"] != "not over")


def withheld(day: Mapping[str, Any], running: Mapping[str, Any]) -> dict[str, Any]:
    """Without what may be expected of the test that runs, where that checks another or is held against it: people read what they
    expect. ``running``: its header, with "test"."""
    if not (running.get("check_of") or running.get("check_test") or running.get("comparison")):
        return dict(day)
    tests = [{**one, "withheld": True, "verdict": "", "why": "", "results": [], "page": None, "pdf": None} if _same(one, running)
             else {**one, "pdf": None} if one["round"] and one["round"] == running.get("round") else one for one in day["tests"]]
    return {**day, "tests": tests, "charts": []}


def _same(one: Mapping[str, Any], running: Mapping[str, Any]) -> bool:
    """Whether it measured the same: the same method, on the same sample as far as anybody said."""
    known = next((key for key in ("round", "sample") if running.get(key) and one[key]), "")
    return one["test"] == running["test"] and (not known or one[known] == running[known])


def _readings(state: State) -> list[dict[str, Any]]:
    return [{"id": one.id, "name": capital(spoken_id(one.id)), "value": registry.figures(one.id, one.value), "unit": one.unit,
             "how": bulletin.how(one, state.notes)} for one in state.readings if not one.withdrawn]


def _named(results: Sequence[tuple[str, str]]) -> list[dict[str, Any]]:
    return [{"name": name, "value": value, "unit": ""} for name, value in results]


def _figure(value: Any) -> str | None:
    return None if value is None else shown(value)


def _sentence(words: str) -> str:
    return f"{capital(words.rstrip('.'))}." if words else ""


# --- the process ------------------------------------------------------------------------------------------------------------

def make(folder: Path, journal: Journal, its_job: job.Job | None) -> None:
    """Everything that is missing or another, the list first. Raises OSError and JournalError."""
    day = Day(journal, its_job)
    digests = {f"test-{one['id']}.json": _digest([one]) for one in day.tests}
    digests |= {name: _digest(tests) for names, tests in day.reports() for name in names}
    wanted = {one[kind] for one in day.listed(digests)["tests"] for kind in ("page", "pdf")}
    there = {name: digest for name, digest in read(folder).get("made", {}).items()
             if name in wanted and digests[name] == digest and (folder / name).is_file()}
    files.clear(folder, there)
    for one in day.tests:
        if (name := f"test-{one['id']}.json") in wanted - there.keys():
            files.write(folder / name, day.page(one))
            there[name] = digests[name]
    _list(folder, day, there, journal)
    for names, tests in day.reports():
        if missing := [name for name in names if name in wanted - there.keys()]:
            report = _report(tests, its_job, journal.path.parent)
            for name in missing:
                files.put(folder / name, report)
                there[name] = digests[name]
            _list(folder, day, there, journal)


def _list(folder: Path, day: Day, there: Mapping[str, str], journal: Journal) -> None:
    files.write(folder / place.DAY, {**day.listed(there), "record": record(journal.path.parent), "made": there})


def record(journal: Path) -> str:
    """Which record it is of: practice and real tests have the same numbers."""
    return hashlib.sha256(str(journal.absolute()).encode()).hexdigest()[:16]


def read(folder: Path) -> dict[str, Any]:
    """``day.json`` as it stands; empty where there is none, or one that is none of ours."""
    try:
        found = json.loads((folder / place.DAY).read_text(encoding="utf-8"))
        return found if isinstance(found, dict) and isinstance(found.get("made"), dict) and "record" in found else {}
    except (OSError, ValueError, RecursionError):
        return {}


def _digest(tests: Sequence[Test]) -> str:
    return hashlib.sha256("".join([rules(), *map(dumps, tests)]).encode()).hexdigest()


def _report(tests: Sequence[Test], its_job: job.Job | None, record: Path) -> bytes:
    from assistant.meters.register import Register
    from assistant.report import pdf_file
    out = io.BytesIO()
    made = datetime.now().astimezone().isoformat(timespec="seconds")
    pdf_file.write(tests, out, made, its_job, Register(record).meters(), summary=False)
    return out.getvalue()


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="assistant.board.day")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--journal", type=Path, required=True)
    parser.add_argument("--job", type=Path)
    args = parser.parse_args(argv)
    os.nice(NICE)
    try:
        with Journal(args.journal, write=False) as journal:
            make(args.folder, journal, job.load(args.job) if args.job else None)
    except (JournalError, OSError, ImportError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        sys.exit(main())
