"""What the office bears: many stations, links that are cut, kills at random, and how soon a verdict is there.

    python -m tests.bench.office scale --stations 1 100 1000
    python -m tests.bench.office kills --kills 1000
    python -m tests.bench.office soon --tests 20

scale  each station is a real journal of a day (a round and a sequential test: tests and events are told) under an identity of its own,
       sent by the real sender over TLS through a link that is cut every two seconds, to a real office on a real PostgreSQL. Every
       tenth station has two senders at once, every seventh a clock that is years off. Office and database are killed three times
       each. Then every record is compared event by event. Each station is made, sent and taken away, so that the disk is the office's
       alone; stations, office and database share the machine's cores.
kills  three stations whose journals grow; sender, office (with what derives) or database is killed with -9 at random instants
soon   from the last event of a test in a journal to its row in the table that the pages show, by `bowlside send` as it is started by its unit
"""
from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from random import Random
from statistics import median
from typing import Any
from uuid import UUID

from assistant.office import database, stations
from assistant.record.chain import Row
from assistant.record.journal import Journal
from assistant.send import place
from tests.office import fleet
from tests.office.site import Site, killed

AT_ONCE = 8
"""Stations that send at the same time, of each process."""
ROOM = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
"""The stations' own disks cost the office nothing."""


def scale(count: int, rows: Sequence[Row], processes: int = 2) -> dict[str, Any]:
    with Site(every=2.0) as site:
        site.answers()
        with database.connect(site.url) as db:
            keys = [stations.redeem(db, stations.code(db, f"Made station {number}").digits, "127.0.0.1")[1] for number in range(count)]
        begun = time.monotonic()
        with multiprocessing.get_context("spawn").Pool(processes) as pool:
            parts = [(range(at, count, processes), keys[at::processes], site.address, str(site.authority), list(rows))
                     for at in range(processes)]
            found = pool.starmap_async(_some, parts)
            kills = 0
            while not found.ready():
                found.wait(max(2.0, count / 60))
                if not found.ready() and kills < 6:
                    kills += 1
                    site.kill("office" if kills % 2 else "database")
            known = dict(pair for part in found.get() for pair in part)
        sent_s = time.monotonic() - begun
        derived = site.derived(36_000)
        all_s = time.monotonic() - begun
        with database.connect(site.url) as db:
            wrong = [record for record, digest in known.items() if fleet.of_office(db, UUID(record)) != digest]
            doubled = _one(db, "SELECT count(*) FROM (SELECT record, first FROM office.pieces GROUP BY 1, 2 HAVING count(*) > 1) AS twice")
            size = _one(db, "SELECT pg_database_size(current_database())")
        return {"stations": count, "tests": derived, "events": count * len(rows), "differ": len(wrong), "doubled": doubled,
                "sent s": round(sent_s, 1), "tests a s": round(derived / sent_s, 1), "derived s": round(all_s, 1),
                "MB": round(size / 1e6), "kB a test": round(size / 1000 / derived, 1), "kills": kills, "cuts": site.relay.cuts}


def _one(db: Any, ask: str) -> int:
    return int(db.execute(ask).fetchone()[0])


def _some(numbers: Sequence[int], keys: Sequence[str], address: str, authority: str, rows: list[Row]) -> list[tuple[str, str]]:
    with ThreadPoolExecutor(AT_ONCE) as threads:
        return list(threads.map(lambda pair: _station(*pair, address, Path(authority), rows), zip(numbers, keys)))


def _station(number: int, key: str, address: str, authority: Path, rows: list[Row]) -> tuple[str, str]:
    with tempfile.TemporaryDirectory(prefix="station-", dir=ROOM) as folder:
        journal = Path(folder) / "journal"
        record = fleet.station(journal, rows, years=Random(number).choice((-30, 20)) if number % 7 == 0 else 0)
        sent = place.Sent(journal)
        sent.room()
        sent.enrol(place.Office(address, str(record), f"Made station {number}", "Made office"), key, authority.read_bytes())
        first = fleet.sender(journal)
        if number % 10 == 0:
            second = fleet.sender(journal)
            with ThreadPoolExecutor(2) as both:
                list(both.map(fleet.send_all, (first, second)))
        else:
            fleet.send_all(first)
        return str(record), fleet.of_journal(journal)


def soon(tests: int, rows: Sequence[Row]) -> dict[str, Any]:
    took = []
    with Site() as site:
        site.answers()
        journal = site.folder / "station" / "journal"
        record = fleet.station(journal, rows)
        site.enrol(journal, "Made station")
        site.start_sender(journal)
        site.sent(120)
        last = [row for row in rows if row.test == rows[-1].test]
        random = Random(1)
        with database.connect(site.url) as db:
            db.autocommit = True
            site.derived(120)
            for _ in range(tests):
                time.sleep(random.uniform(1, 4))
                with Journal(journal) as its:
                    fleet.grow(its, last)
                    number = its.last_test()
                over = time.monotonic()
                while not db.execute("SELECT FROM office.tests WHERE record = %s AND number = %s", (record, number)).rowcount:
                    time.sleep(0.02)
                    assert time.monotonic() < over + 60, place.Sent(journal).told()
                took.append(time.monotonic() - over)
    return {"tests": tests, "median s": round(median(took), 2), "longest s": round(max(took), 2)}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=("scale", "kills", "soon"))
    parser.add_argument("--stations", type=int, nargs="+", default=[1, 100])
    parser.add_argument("--one-test", action="store_true", help="each station has the sequential test alone")
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--tests", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = fleet.template(Path(folder) / "journal")
    rows = [row for row in rows if row.test == rows[-1].test] if args.one_test else rows
    print(json.dumps({"tests of a station": len({row.test for row in rows}), "events of a station": len(rows), "cores": os.cpu_count()}))
    if args.what == "scale":
        for count in args.stations:
            print(json.dumps(scale(count, rows)), flush=True)
    elif args.what == "kills":
        print(json.dumps(killed(args.kills, 3, rows, args.seed, say=True)))
    else:
        print(json.dumps(soon(args.tests, rows)))


if __name__ == "__main__":
    main()
