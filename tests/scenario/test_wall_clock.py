"""The tests that look at dates, once more with the wall clock at three other hours: after the midnight that ends a leap day, and on
two days on which the clocks change.

A program of thirty lines (tests/wall_clock.c) moves the wall clock of a pytest of its own and of all that it starts. Monotonic
and boot clock stay as they are, as where somebody sets a station's clock.
"""
from __future__ import annotations

import math
import os
import re
import shutil
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path

import pytest

from tests.command import ROOT

EUROPE, AMERICA = "CET-1CEST,M3.5.0,M10.5.0/3", "EST5EDT,M3.2.0,M11.1.0"
"""Zones as POSIX writes them, so that no table of zones is needed; the days of change are the EU's and the USA's, from memory."""
CLOCKS = {"after the midnight that ends a leap day": (EUROPE, "2032-03-01T00:48:00+01:00"),
          "the hour that comes twice, the second time": (EUROPE, "2031-10-26T02:20:00+01:00"),
          "after the hour that is left out": (AMERICA, "2031-03-09T03:10:00-04:00")}
FILES = [str(path) for path in sorted((ROOT / "tests").rglob("test_*.py")) if path != Path(__file__)
         and "mark.dates" in path.read_text(encoding="utf-8")]
LOOKS_AT_DATES = re.compile(r"date\.today|datetime\.now|\"--day\"|\bAt\.wall\b|from assistant import .*\bmeters\b")
COMPILER = next(filter(None, map(shutil.which, ("cc", "gcc", "clang"))), None)


@pytest.fixture(scope="module")
def mover(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("mover") / "wall_clock.so"
    done = subprocess.run([str(COMPILER), "-shared", "-fPIC", "-O2", "-o", str(made), str(ROOT / "tests" / "wall_clock.c")],
                          capture_output=True, text=True, timeout=120)
    if done.returncode:
        pytest.skip("the C compiler makes no library to move the clock with: apt-get install gcc libc6-dev")
    return made


def moved(mover: Path, zone: str, to: str) -> dict[str, str]:
    """The surroundings of a program whose wall clock stands there as it starts."""
    offset = datetime.fromisoformat(to).timestamp() - time.time()
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    return {**kept, "TZ": zone, "LD_PRELOAD": str(mover), "BOWLSIDE_WALL_OFFSET_S": str(math.ceil(offset))}


LOOK = """
import threading, time, datetime
from hardware.clock import boot_now
begun, boot = time.monotonic(), boot_now()
threading.Event().wait(0.2)
print(datetime.datetime.now().astimezone().isoformat(), 0.2 <= time.monotonic() - begun < 60, 0.2 <= boot_now() - boot < 60)
"""


@pytest.mark.skipif(COMPILER is None, reason="no C compiler to move the clock with: apt-get install gcc libc6-dev")
@pytest.mark.parametrize("at", CLOCKS)
def test_what_looks_at_dates_passes_at_other_hours(at: str, mover: Path) -> None:
    env = moved(mover, *CLOCKS[at])
    look = subprocess.run([sys.executable, "-c", LOOK], cwd=ROOT, env=env, capture_output=True, text=True, timeout=120)
    wall, *others = look.stdout.split()
    late = datetime.fromisoformat(wall) - datetime.fromisoformat(CLOCKS[at][1])
    assert others == ["True", "True"] and 0 <= late.total_seconds() < 300 and wall[-6:] == CLOCKS[at][1][-6:], look
    pytest_ = [sys.executable, "-m", "pytest", "-q", "-p", "no:xdist", "-p", "no:cacheprovider"]
    done = subprocess.run([*pytest_, "-m", "dates", *FILES], cwd=ROOT, env=env, stdin=subprocess.DEVNULL,
                          capture_output=True, text=True, timeout=580)
    assert done.returncode == 0, f"{at}: {done.stdout[-6000:]}{done.stderr[-2000:]}"
    assert int(re.findall(r"(\d+) passed", done.stdout)[-1]) > 50, done.stdout[-300:]


def test_every_file_of_tests_that_looks_at_dates_is_marked_so() -> None:
    looks = [str(path) for path in (ROOT / "tests").rglob("test_*.py") if path != Path(__file__)
             and LOOKS_AT_DATES.search(path.read_text(encoding="utf-8"))]
    assert len(looks) > 4 and set(looks) - set(FILES) == set()
