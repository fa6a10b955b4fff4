"""Simulated power cuts: what the journal asked of the disk is traced, and a disk is rebuilt as any cut might leave it.

What a cut may leave is said in ``disk.py``. Whatever was announced as taken before it must be there afterwards, and the
chain must be sound. Here a real process is traced (strace); in ``test_synced_bytes`` the journal runs on SQLite's own file layer.
"""
from __future__ import annotations

import json
import random
import re
import shutil
import subprocess
import sys
from collections import Counter
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.record import summary
from assistant.record.journal import Journal, JournalError
from tests.command import READINGS, ROOT, bowlside, script
from tests.fault.disk import Asked, disk_after

CALL = re.compile(r"^\d+ +(\w+)\((\d+)<([^>]*)>(.*)\) += (-?\d+)")
REMOVAL = re.compile(r'^\d+ +unlink\("([^"]*)"\) += 0')
MADE = re.compile(r'^\d+ +mkdir\("([^"]*)", \w+\) += 0')


def trace(folder: Path, given: Path) -> list[Asked]:
    """Rehearse under strace: everything written to the journal's files and to standard output, in order."""
    log = folder / "trace"
    done = subprocess.run(
        ["strace", "-f", "-y", "-xx", "-s", "100000", "-o", str(log),
         "-e", "trace=write,pwrite64,fsync,fdatasync,ftruncate,unlink,mkdir",
         sys.executable, "-m", "assistant", "rehearse", str(given), "--answer-rest", "--json", "--journal",
         str(folder / "journal")], cwd=ROOT, capture_output=True, timeout=120)
    if done.returncode != 0 and b"ptrace" in done.stderr:
        pytest.skip("strace may not trace here: allow ptrace in this container")
    assert done.returncode == 0, done.stderr[-500:]
    asked = []
    for line in log.read_text().splitlines():
        if (gone := REMOVAL.match(line)) and _plain(gone[1]).decode().startswith(str(folder / "journal")):
            asked.append(Asked("remove", _plain(gone[1]).decode()))
        if (made := MADE.match(line)) and _plain(made[1]).decode() == str(folder / "journal"):
            asked.append(Asked("make", str(folder / "journal")))
        match = CALL.match(line)
        if match is None:
            assert "unfinished" not in line, f"two threads at once: {line[:80]}"
            continue
        call, fd, path, rest, result = match[1], match[2], _plain(match[3]).decode(), match[4], int(match[5])
        ours = path.startswith(str(folder / "journal")) and not path.endswith("-shm")
        if call in ("write", "pwrite64") and (ours or fd == "1"):
            data = _plain(rest.partition('"')[2].partition('"')[0])
            assert len(data) == result, "a short write, or a text cut off by strace"
            asked.append(Asked("write", path, data, int(rest.rsplit(",", 1)[1])) if ours else Asked("said", "", data))
        elif ours and call == "ftruncate":
            asked.append(Asked("truncate", path, at=int(rest.rsplit(",", 1)[1])))
        elif (ours or path == str(folder)) and call in ("fsync", "fdatasync"):
            asked.append(Asked("sync", path))
    return asked


def _plain(text: str) -> bytes:
    return bytes.fromhex(text.replace("\\x", "")) if text.startswith("\\x") else text.encode()


def acknowledged(asked: list[Asked]) -> Counter[tuple[str, str]]:
    said = b"".join(each.data for each in asked if each.what == "said").split(b"\n")[:-1]
    lines = [json.loads(line, parse_float=Decimal) for line in said if line]
    return Counter((line["id"], str(line["value"])) for line in lines if line["kind"] == "taken")


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> list[Asked]:
    if shutil.which("strace") is None:
        pytest.skip("needs strace: apt-get install strace")
    folder = tmp_path_factory.mktemp("traced")
    (folder / "script.jsonl").write_text(script())
    found = trace(folder, folder / "script.jsonl")
    assert acknowledged(found) == Counter(READINGS.items())
    return found


def test_what_is_announced_as_taken_was_synced_before(asked: list[Asked]) -> None:
    """Between the last write to the log and the word "taken" there is always a sync of that log."""
    unsynced, spoken_of = False, 0
    for each in asked:
        if each.path.endswith("-wal"):
            unsynced = each.what == "write" or unsynced and each.what != "sync"
        elif each.what == "said" and b'"kind": "taken"' in each.data:
            assert not unsynced
            spoken_of += 1
    assert spoken_of == len(READINGS)


def test_the_journals_folder_is_on_the_disk_before_anything_is_in_it(asked: list[Asked]) -> None:
    """A folder is a name in the folder above: lost, it takes its files along however well they were synced."""
    made = next(at for at, each in enumerate(asked) if each.what == "make")
    synced = next(at for at, each in enumerate(asked) if each.what == "sync" and each.path == str(Path(asked[made].path).parent))
    assert made < synced < next(at for at, each in enumerate(asked) if each.what == "write")


def cut(asked: list[Asked], seed: int, folder: Path) -> bool:
    """One cut, and what is found afterwards. Whether there was anything to find."""
    chance = random.Random(seed)
    until = asked[:chance.randrange(len(asked) + 1)]
    folder.mkdir()
    files = disk_after(until, chance)
    for path, data in files.items():
        (folder / Path(path).name).write_bytes(data)
    promised = acknowledged(until)
    if not any(path.endswith("journal.db") and data for path, data in files.items()):
        assert not promised, f"the journal is gone, seed {seed}"
        return False
    with Journal(folder) as journal:
        assert journal.first_bad() is None, f"seed {seed}: {journal.first_bad()}"
        if not journal.last_test():
            assert not promised, f"lost, seed {seed}"
            return False
        kept = summary.of(journal, 1)["readings"]
    assert not promised - Counter((one["id"], str(one["value"])) for one in kept), f"lost, seed {seed}"
    return bool(promised)


def test_power_cuts(asked: list[Asked], tmp_path: Path) -> None:
    assert sum(cut(asked, seed, tmp_path / str(seed)) for seed in range(60)) > 30
    again = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path / "7", stdin=script())
    assert again.code == 0 and {line["name"]: str(line["rounded"]) for line in again.lines("result")}["air_content"] == "5.7"


@pytest.mark.long
def test_many_power_cuts(asked: list[Asked], tmp_path: Path) -> None:
    assert sum(cut(asked, seed, tmp_path / str(seed)) for seed in range(1000, 1500)) > 250
    for seed in range(1000, 1500, 10):
        if (tmp_path / str(seed) / "journal.db").exists():
            again = bowlside("rehearse", "-", "--answer-rest", "--json", "--journal", tmp_path / str(seed), stdin=script())
            assert again.code == 0, seed


def test_a_disk_that_forgets_what_was_synced_is_found_out(asked: list[Asked], tmp_path: Path) -> None:
    """That these cuts can show a loss at all: without the syncs, readings that were announced are gone."""
    lying = [each for each in asked if each.what != "sync" or not each.path.endswith("-wal")]
    lost = 0
    for seed in range(20):
        try:
            cut(lying, seed, tmp_path / str(seed))
        except (AssertionError, JournalError):
            lost += 1
    assert lost > 5
