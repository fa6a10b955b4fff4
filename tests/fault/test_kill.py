"""Killed at any instant: nothing that was announced as taken is lost, nothing counts twice, the result is the same.

A real process and SIGKILL. What it prints is the acknowledgement: ``taken`` is printed only after its commit, so every
one that came through the pipe must be in the journal afterwards.
"""
from __future__ import annotations

import fcntl
import json
import random
import subprocess
import sys
import time
from collections import Counter
from decimal import Decimal
from pathlib import Path

import pytest

from assistant import record
from assistant.journal import Journal
from tests.command import READINGS, ROOT, bowlside, script


LINES = 450
"""About as many as a whole test prints: a kill is equally likely anywhere in it."""


def killed_after(path: Path, journal: Path, lines: int, pause: float) -> list[dict]:
    """Start, kill ``pause`` seconds after that many lines have come; whatever it printed until it was dead."""
    child = subprocess.Popen([sys.executable, "-m", "assistant", "rehearse", str(path), "--answer-rest", "--json",
                              "--journal", str(journal)], cwd=ROOT, stdout=subprocess.PIPE)
    assert child.stdout is not None
    fcntl.fcntl(child.stdout, fcntl.F_SETPIPE_SZ, 4096)  # else it runs far ahead of what has been read
    head = [child.stdout.readline() for _ in range(lines)]
    time.sleep(pause)
    child.kill()
    text = b"".join(head) + child.stdout.read()
    child.wait()
    child.stdout.close()
    whole = text.split(b"\n")[:-1]  # a last line without its end was not said to the end
    return [json.loads(line, parse_float=Decimal) for line in whole if line]


def in_the_journal(folder: Path) -> list[dict]:
    """The readings of every test there, each with its test's number: a kill that came too late begins a second test."""
    with Journal(folder, write=False) as journal:
        return [{"in": test, **each} for test in journal.tests() for each in record.of(journal, test)["readings"]]


def kill_and_go_on(seed: int, tmp_path: Path) -> int:
    """One test killed one to three times, then brought to its end. Returns how many ``taken`` were acknowledged before."""
    chance = random.Random(seed)
    path, journal = tmp_path / "script.jsonl", tmp_path / "journal"
    path.write_text(script())
    acknowledged: list[tuple[str, str]] = []
    for _ in range(chance.choice((1, 1, 2, 3))):
        lines = killed_after(path, journal, chance.randrange(0, LINES), chance.uniform(0, 0.004))
        acknowledged += [(line["id"], str(line["value"])) for line in lines if line["kind"] == "taken"]
        if not (journal / "journal.db").exists():
            continue  # dead before there was a record
        verified = bowlside("log", "verify", "--json", "--journal", journal)
        assert verified.code == 0 or ("no such table" in verified.err and not acknowledged), (seed, verified)
        kept = in_the_journal(journal) if verified.code == 0 else []
        assert not Counter(acknowledged) - Counter((one["id"], str(one["value"])) for one in kept), f"lost, seed {seed}"
        counting = [(one["in"], one["id"]) for one in kept if not one["withdrawn"]]
        assert len(counting) == len(set(counting)), f"counted twice, seed {seed}"
    done = bowlside("rehearse", path, "--answer-rest", "--json", "--journal", journal)
    tests = bowlside("log", "list", "--json", "--journal", journal).lines()
    assert tests[0]["verdict"] == "pass", (seed, tests[0])
    for test in tests:
        found = {one["name"]: str(one["rounded"]) for one in test["results"]}
        assert (found["air_content"], found["system_air_metric"]) == ("5.7", "0.20"), seed
    counting = [(one["id"], str(one["value"])) for one in record_of(journal)["readings"] if not one["withdrawn"]]
    assert done.code == 0 and sorted(counting) == sorted(READINGS.items())
    assert bowlside("log", "verify", "--journal", journal).code == 0
    return len(acknowledged)


def record_of(folder: Path) -> dict:
    with Journal(folder, write=False) as journal:
        return record.of(journal, journal.last_test())


def test_killed_at_any_instant(tmp_path: Path) -> None:
    acknowledged = 0
    for seed in range(24):  # about 42 kills
        (tmp_path / str(seed)).mkdir()
        acknowledged += kill_and_go_on(seed, tmp_path / str(seed))
    assert acknowledged > 50, "the kills came too early to show anything"


@pytest.mark.long
def test_killed_at_any_instant_many_times(tmp_path: Path) -> None:
    for seed in range(1000, 1230):  # about 400 kills
        (tmp_path / str(seed)).mkdir()
        kill_and_go_on(seed, tmp_path / str(seed))
