"""An office with its database and many stations, all of them processes that can be killed: what is left must be the whole record.

The office is ``bowlside office run`` on a PostgreSQL that keeps every promise (fsync on), reached through a link that is cut.
"""
from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from random import Random
from uuid import UUID

import psycopg

from assistant.office import database, server, stations, tls
from assistant.office.postgres import Cluster
from assistant.record.chain import Row
from assistant.record.journal import Journal
from assistant.send import place
from tests.command import ROOT
from tests.office import fleet
from tests.office.cut import Relay

UP_S = 120.0


class Site:
    """``every``: s between two cuts of the link; 0: none. ``workers``: processes that derive."""

    def __init__(self, every: float = 0.0, workers: int = 1, seed: int = 0) -> None:
        self.random, self.every, self.workers = Random(seed), every, workers
        self.done: Counter[str] = Counter()
        self.office: subprocess.Popen[bytes] | None = None
        self.senders: dict[Path, subprocess.Popen[bytes]] = {}
        self._stack = ExitStack()
        self._lock, self._over = threading.Lock(), threading.Event()
        self._unit = threading.Thread(target=self._as_a_unit, daemon=True)

    def __enter__(self) -> Site:
        self.folder = Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="site-")))
        self.folder.chmod(0o755)
        self.said = self._stack.enter_context(open(self.folder / "said", "ab"))
        self.cluster = self._stack.enter_context(Cluster(self.folder / "database"))
        with psycopg.connect(self.cluster.url("postgres"), autocommit=True) as db:
            db.execute("CREATE DATABASE bowlside")
        self.url = self.cluster.url()
        server.prepare(self.url)
        self.certificate, self.key, self.authority = tls.made(self.folder)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.start_office()
        self._unit.start()
        self.relay = self._stack.enter_context(Relay(self.port, self.every, seed=self.random.randrange(1 << 30)))
        return self

    def __exit__(self, *error: object) -> None:
        self._over.set()
        self._unit.join()
        for process in [*self.senders.values(), *([self.office] if self.office else [])]:
            process.kill()
            process.wait()
        self._stack.close()

    @property
    def address(self) -> str:
        return f"https://127.0.0.1:{self.relay.port}"

    # --- what runs ----------------------------------------------------------------------------------------------------------

    def start_office(self) -> None:
        self.office = self._start("office", "run", "--database", self.url, "--certificate", str(self.certificate), "--key", str(self.key),
                                  "--on", "127.0.0.1", "--port", str(self.port), "--workers", str(self.workers))

    def start_sender(self, journal: Path) -> None:
        self.senders[journal] = self._start("send", "--journal", str(journal))

    def _as_a_unit(self) -> None:
        """What ends by itself is started again, as systemd does: an office that finds its database away, say."""
        while not self._over.wait(0.2):
            with self._lock:
                if self.office is not None and self.office.poll() is not None:
                    self.done["started again"] += 1
                    self.start_office()
                for journal, process in list(self.senders.items()):
                    if process.poll() is not None:
                        self.done["started again"] += 1
                        self.start_sender(journal)

    def _start(self, *arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen([sys.executable, "-m", "assistant", *arguments], cwd=ROOT, stdin=subprocess.DEVNULL,
                                stdout=self.said, stderr=self.said, env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"})

    def answers(self) -> None:
        """Wait until the office is open."""
        until = time.monotonic() + UP_S
        while time.monotonic() < until:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.05)
        raise TimeoutError((self.folder / "said").read_text(errors="replace")[-2000:])

    def enrol(self, journal: Path, name: str) -> None:
        """Through the link as it is, so again until it goes through."""
        for _ in range(50):
            with database.connect(self.url) as db:
                code = stations.code(db, name)
            with suppress(Exception):
                return fleet.enrol(journal, self.address, self.authority, code.digits)
        raise TimeoutError(f"{name} could not be enrolled")

    # --- what is done to it -------------------------------------------------------------------------------------------------

    def kill(self, what: str) -> None:
        """kill -9, and a new start at once. ``what``: sender, office or database."""
        self.done[what] += 1
        if what == "sender":
            with self._lock:
                journal = self.random.choice(list(self.senders))
                _kill(self.senders[journal])
                self.start_sender(journal)
        elif what == "office":
            with self._lock:
                assert self.office
                _kill(self.office)
                self.start_office()
        else:
            self.cluster.kill()
            self.cluster.start()

    # --- what must be -------------------------------------------------------------------------------------------------------

    def sent(self, within_s: float) -> None:
        """Wait until every sender says that nothing waits and the office has each newest piece."""
        until = time.monotonic() + within_s
        for journal in self.senders:
            with Journal(journal, write=False) as its:
                record, newest = its.identity, its.last_event
            while self._newest(record) != newest:
                if time.monotonic() > until:
                    raise TimeoutError(f"{journal}: {place.Sent(journal).told()}, office at {self._newest(record)}, not {newest}: "
                                       + (self.folder / "said").read_text(errors="replace")[-2000:])
                time.sleep(0.2)

    def _newest(self, record: UUID) -> int:
        with database.connect(self.url) as db:
            found = db.execute("SELECT max(last) FROM office.pieces WHERE record = %s", (record,)).fetchone()
        return found[0] or 0 if found else 0

    def differences(self, journals: Sequence[Path]) -> list[str]:
        """Event by event: what the office has otherwise than the stations' journals."""
        wrong = []
        with database.connect(self.url) as db:
            for journal in journals:
                with Journal(journal, write=False) as its:
                    record = its.identity
                    tests = [span.test for span in its.spans()]
                if fleet.of_office(db, record) != fleet.of_journal(journal):
                    wrong.append(f"{journal.name}: its events are others")
                rows = db.execute("SELECT test FROM office.pieces WHERE record = %s ORDER BY first", (record,)).fetchall()
                if [row[0] for row in rows] != tests:
                    wrong.append(f"{journal.name}: its tests are {rows}")
        return wrong

    def derived(self, within_s: float) -> int:
        """How many tests are derived, once all are."""
        until = time.monotonic() + within_s
        while True:
            with database.connect(self.url) as db:
                left, there, twice = db.execute(
                    "SELECT count(*) FILTER (WHERE derived IS NULL), (SELECT count(*) FROM office.tests), "
                    "(SELECT count(*) FROM office.tests WHERE another_history) FROM office.pieces").fetchone() or (0, 0, 0)
            if not left:
                assert not twice, f"{twice} tests have another history"
                return int(there)
            if time.monotonic() > until:
                raise TimeoutError(f"{left} pieces are still to be derived")
            time.sleep(0.5)


def killed(kills: int, senders: int, rows: Sequence[Row], seed: int = 0, say: bool = False) -> Counter[str]:
    """So many kills at random instants while the journals grow, then silence; raises AssertionError where anything differs."""
    with Site(every=2.0, seed=seed) as site:
        site.answers()
        journals = [site.folder / f"station-{number}" / "journal" for number in range(senders)]
        for number, journal in enumerate(journals):
            fleet.station(journal, rows)
            site.enrol(journal, f"Made station {number}")
            site.start_sender(journal)
        for number in range(kills):
            time.sleep(site.random.expovariate(1 / 0.8))
            with Journal(site.random.choice(journals)) as journal:
                if journal.last_event < 20_000:
                    fleet.grow(journal, rows[:_first_test(rows)])
            site.kill(site.random.choices(("sender", "office", "database"), (3, 2, 2))[0])
            if say and number % 50 == 49:
                print(number + 1, dict(site.done), flush=True)
        site.relay.every = 0
        site.sent(300)
        assert not (wrong := site.differences(journals)), wrong
        site.done["tests"] = site.derived(600)
        site.done["cuts"] = site.relay.cuts
        with Journal(journals[0], write=False) as one:
            site.done["events of one"] = one.last_event
        return site.done


def _first_test(rows: Sequence[Row]) -> int:
    return next((at for at, row in enumerate(rows) if row.test != rows[0].test), len(rows))


def _kill(process: subprocess.Popen[bytes]) -> None:
    with suppress(ProcessLookupError):
        process.send_signal(signal.SIGKILL)
    process.wait()
