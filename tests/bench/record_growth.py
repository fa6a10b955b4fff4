"""What looking at the record costs as it grows: `python -m tests.bench.record_growth [--events 5000 50000 500000]`.

Days of the invented demo (27 tests, about 1,750 events, one leak hold by wire) follow one another in one journal, chained anew. Every
command is a process of its own; processor time in s and the most memory in MB are its own, as the system counts them. Four lines
a size: ``first`` (nothing is kept beside the journal yet), ``again`` (nothing has changed), ``after`` (one more test has been
recorded since), ``start`` (what a station does with the journal before it speaks: checks all of it). Beside each time stands its
ratio to that at the smallest size, and to ``baseline``: the program started for nothing (``log --help``), in the same run.
"""
from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path

from assistant.files.jsonline import dumps
from assistant.job import commands as job_commands
from assistant.record import identity
from assistant.record.chain import Row
from assistant.record.journal import Journal
from assistant.record.kept import FILE as KEPT
from assistant.report import demo
from tests.command import ROOT, script

DAY = date(2031, 5, 17)
START = "import sys; from pathlib import Path; from assistant.record.journal import Journal; Journal(Path(sys.argv[1])).close()"


def season(rows: Sequence[Row], events: int, before: str) -> Iterator[Row]:
    """The days one after another until there are so many events; tests are numbered on. ``before``: the hash that they follow."""
    seq, test, tests = 0, 0, len({row.test for row in rows})
    for number in range(-(-events // len(rows))):
        day = (DAY + timedelta(number)).isoformat()
        for row in rows:
            seq += 1
            begins = row.test + number * tests != test
            test = row.test + number * tests
            row = Row(seq, test, f"{day}{row.wall[10:]}", row.boot, row.body, "", before if begins else None)
            before = row.expected_hash(before)
            yield Row(row.seq, row.test, row.wall, row.boot, row.body, before, row.before)


def cost(*args: object, code: str = "") -> tuple[float, int]:
    """Processor time in s and peak memory in MB of one process."""
    start = ["-c", code] if code else ["-m", "assistant"]
    with open(os.devnull, "w") as nowhere:
        child = subprocess.Popen([sys.executable, *start, *map(str, args)], cwd=ROOT, stdout=nowhere)
        _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(map(str, args))} ended with {child.returncode}")
    return round(used.ru_utime + used.ru_stime, 2), round(used.ru_maxrss / 1024)


def commands(folder: Path, day: str) -> dict[str, list[object]]:
    job = folder.parent / "job.toml"
    if not job.exists():
        job.write_text(job_commands.EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    def export(kind: str) -> list[object]:
        return ["log", "export", "--day", day, f"--{kind}", folder.parent / f"day.{kind}", "--journal", folder]
    return {"list": ["log", "list", "--journal", folder],
            "due": ["job", "due", job, "--volume", "200", "--day", day, "--journal", folder],
            **{kind: export(kind) for kind in ("csv", "json", "pdf")}}


def measure(events: int, place: Path, rows: Sequence[Row]) -> dict[str, dict[str, tuple[float, int]]]:
    folder = place / str(events)
    with Journal(folder) as journal:
        journal.begin_with(season(rows, events, identity.origin(journal.identity)))
    these = commands(folder, (DAY + timedelta(events // len(rows) // 2)).isoformat())
    found = {"first": {"list": cost(*these["list"])}}
    found["again"] = {name: cost(*args) for name, args in these.items()}
    (folder / KEPT).rename(place / "aside")
    found["start"] = {"without": cost(folder, code=START)}
    (place / "aside").replace(folder / KEPT)
    found["start"]["kept"] = cost(folder, code=START)
    given = place / "one.jsonl"
    given.write_text(script())
    cost("rehearse", given, "--answer-rest", "--journal", folder)
    found["after"] = {"list": cost(*these["list"])}
    return found


def main(argv: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--events", type=int, nargs="+", default=[5_000, 50_000, 500_000])
    sizes = parser.parse_args(argv).events
    with tempfile.TemporaryDirectory() as place:
        day = Path(place) / "day"
        day.mkdir()
        demo.build(day)
        with Journal(day, write=False) as journal:
            rows = list(journal.rows())
        baseline = min(cost("log", "--help") for _ in range(3))
        print(dumps({"baseline_s": baseline[0], "baseline_mb": baseline[1]}), flush=True)
        smallest: dict[str, dict[str, tuple[float, int]]] = {}
        for events in sizes:
            found = measure(events, Path(place), rows)
            smallest = smallest or found
            for when, those in found.items():
                print(dumps({"events": events, "when": when, **{name: {
                    "s": seconds, "mb": memory, "to_smallest": round(seconds / max(smallest[when][name][0], 0.01), 1),
                    "to_baseline": round(seconds / baseline[0], 1)} for name, (seconds, memory) in those.items()}}), flush=True)


if __name__ == "__main__":
    main()
