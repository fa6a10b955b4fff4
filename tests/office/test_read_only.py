"""The outbox on a folder that is mounted read-only, as the service sees the record, while a station begins, writes, ends and is killed
there. The mount is the kernel's (mount_namespaces(7)); it is skipped where none may be made."""
from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import pytest

from assistant.record.journal import Journal
from tests.command import ROOT
from tests.office import made

MOUNTED = ('mount --bind "$0" "$0" && mount -o remount,bind,ro "$0" && ! touch "$0/x" 2>/dev/null && exec "$1" -c "$2" "$0"')
LOOKS = """
import json, sys
from pathlib import Path
from assistant.record.chain import JournalError
from assistant.send.outbox import Outbox
outbox = Outbox(Path(sys.argv[1]))
print("{}", flush=True)
for _ in sys.stdin:
    try:
        outbox.look()
        found = {"tests": [piece.kind for piece in outbox.pieces(outbox.entries)], "newest": outbox.newest[0]}
    except JournalError as error:
        found = {"error": str(error)}
    print(json.dumps(found), flush=True)
"""
STATION = """
import os, sys
from pathlib import Path
from assistant.record.journal import Journal
journal = Journal(Path(sys.argv[1]))
event = next(journal.rows(1)).event()
for _ in range(2):
    journal.append(journal.new_test(), event)
os._exit(9)     # at once, as by kill -9: nothing is closed
"""


class Sees:
    """What the process in the mount sees."""

    def __init__(self, asks: IO[str], says: IO[str]) -> None:
        self._asks, self._says = asks, says

    def __call__(self) -> dict:
        self._asks.write("look\n")
        self._asks.flush()
        return json.loads(self._says.readline())


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    return made.journal(tmp_path / "journal", 2)


@pytest.fixture
def sees(journal: Path) -> Iterator[Sees]:
    process = subprocess.Popen(["unshare", "--mount", "sh", "-c", MOUNTED, str(journal), sys.executable, LOOKS], cwd=ROOT, text=True,
                               stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    assert process.stdin is not None and process.stdout is not None
    try:
        if process.stdout.readline() != "{}\n":
            pytest.skip("no mount of one's own may be made here")
        yield Sees(process.stdin, process.stdout)
    finally:
        process.kill()
        process.communicate()


def test_a_station_begins_writes_ends_and_is_killed(journal: Path, sees: Sees) -> None:
    last = sees()["newest"]
    assert sees()["tests"] == ["test"] * 2
    with Journal(journal) as station:
        assert sees() == {"tests": ["test"] * 2, "newest": last}
        event = next(station.rows(1)).event()
        for count in range(1, 4):
            station.append(station.new_test(), event)
            assert sees() == {"tests": ["test"] * (1 + count), "newest": last + count}
    assert not (journal / "journal.db-wal").exists(), "its clean end was disturbed"
    assert sees() == {"tests": ["test"] * 4, "newest": last + 3}
    done = subprocess.run([sys.executable, "-c", STATION, str(journal)], cwd=ROOT)
    assert done.returncode == 9 and (journal / "journal.db-wal").stat().st_size > 0
    assert sees() == {"tests": ["test"] * 6, "newest": last + 5}, "what only the log has"
    os.unlink(journal / "journal.db-shm")
    told = sees()
    assert told == {"tests": ["test"] * 6, "newest": last + 5} or "can't be opened" in told.get("error", "") or "can't be read" in told.get(
        "error", ""), "after a power cut the log's index may be gone: it waits for the station"
    made.journal(journal, 0)    # a station begins, and ends
    assert sees() == {"tests": ["test"] * 6, "newest": last + 5}
