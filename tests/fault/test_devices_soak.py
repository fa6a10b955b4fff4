"""Day after day nothing grows: memory, handles and threads (tests/bench/soak.py, in a process of its own)."""
from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

from tests.command import ROOT


def days(count: int, hours: float) -> list[dict[str, Any]]:
    done = subprocess.run([sys.executable, "-m", "tests.bench.soak", "--days", str(count), "--hours", str(hours)], cwd=ROOT,
                          capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    return [json.loads(line) for line in done.stdout.splitlines()]


def grew(lines: list[dict[str, Any]], what: str, warm: int) -> int:
    return max(line[what] for line in lines[-3:]) - max(line[what] for line in lines[:warm])


def test_four_short_days() -> None:
    lines = days(4, 1.0)
    assert grew(lines, "memory_kb", 2) < 50
    assert lines[-1]["handles"] == lines[0]["handles"] and lines[-1]["threads"] == lines[0]["threads"]
    assert sum(line["tests"] for line in lines) >= 8


@pytest.mark.long
def test_a_hundred_days_of_eight_hours() -> None:
    lines = days(100, 8.0)
    print("tests", sum(line["tests"] for line in lines), "restarts", sum(line["restarts"] for line in lines),
          {what: (lines[9][what], lines[-1][what]) for what in ("memory_kb", "rss_kb", "handles", "threads")})
    assert grew(lines, "memory_kb", 10) < 1024 and grew(lines, "rss_kb", 10) < 1024
    assert {(line["handles"], line["threads"]) for line in lines} == {(lines[0]["handles"], lines[0]["threads"])}
