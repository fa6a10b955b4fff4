"""What the sender costs a station: `python -m tests.bench.sending [--events 50000 500000]`.

Journals as in record_growth. Processor time of one core: ``first`` look (once a start), a look when nothing has changed (one a
second), a look after one more test, and 64 tests read and checked; and the most memory of the process that did it, in MB.
"""
from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from assistant.files.jsonline import dumps
from assistant.record import identity
from assistant.record.journal import Journal
from assistant.report import demo
from assistant.send.outbox import Outbox
from tests.bench.record_growth import DAY, season
from tests.command import ROOT
from tests.office import made

LOOKS = 1000


def took_ms(do: Callable[[], object], times: int = 1) -> float:
    began = time.process_time()
    for _ in range(times):
        do()
    return (time.process_time() - began) * 1000 / times


def measured(folder: Path) -> dict[str, object]:
    outbox = Outbox(folder)
    first = took_ms(outbox.look)
    outbox.look()
    nothing = took_ms(outbox.look, LOOKS)
    made.journal(folder, 1)
    after = took_ms(outbox.look)
    pieces = took_ms(lambda: list(outbox.pieces(outbox.entries[:64])))
    return {"tests": len(outbox.entries), "events": outbox.newest[0], "first_ms": round(first), "nothing_new_us": round(nothing * 1000),
            "after_one_test_ms": round(after), "pieces_64_ms": round(pieces),
            "memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)}


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, nargs="+", default=[50_000, 500_000])
    parser.add_argument("--folder", type=Path, help="measure this journal, and add a test to it")
    args = parser.parse_args(argv)
    if args.folder:
        print(dumps(measured(args.folder)), flush=True)
        return 0
    with tempfile.TemporaryDirectory(prefix="bowlside-") as place:
        (Path(place) / "day").mkdir()
        demo.build(Path(place) / "day", day=DAY)
        with Journal(Path(place) / "day", write=False) as journal:
            rows = list(journal.rows())
        for events in args.events:
            with Journal(folder := Path(place) / str(events)) as journal:
                journal.begin_with(season(rows, events, identity.origin(journal.identity)))
            subprocess.run([sys.executable, "-m", "tests.bench.sending", "--folder", str(folder)], cwd=ROOT, check=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
