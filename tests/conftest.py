"""What all tests share: ``--all``, one profile for hypothesis, a closing list of what was skipped and why."""
from __future__ import annotations

import collections
import os
import tempfile
import time
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from tests.limits import LONG_S

# Before numpy is imported here or in a program that a test starts: threads of its matrix products that wait for each other on
# a busy machine made fitting a voice (36 sentences) take 181 s and 41 s of processor time, one thread 17 s and 4.4 s.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# No deadline: the machines that run this are small and shared, and time is measured elsewhere.
settings.register_profile("bowlside", deadline=None, print_blob=True)
settings.register_profile("all", parent=settings.get_profile("bowlside"), max_examples=1000)


BUSY = 2
"""Cores wanted for each that is there, from which on a machine is too busy to measure time on. The phase that runs together
leaves less behind it: a program for each core."""
_FOLDER = pytest.StashKey[tempfile.TemporaryDirectory]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--all", action="store_true", help="also run the tests that need minutes")
    parser.addoption("--phase", choices=("together", "alone"), default=None,
                     help="only the tests that bear company, or only those that don't (marker alone); default both")


def pytest_configure(config: pytest.Config) -> None:
    # The settings of whoever runs the tests (a voice, a wording) change nothing here.
    config.stash[_FOLDER] = tempfile.TemporaryDirectory(prefix="bowlside-tests-")
    os.environ["XDG_CONFIG_HOME"] = config.stash[_FOLDER].name
    settings.load_profile("all" if config.getoption("--all") else "bowlside")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    # tests/phases.py tells it a worker so.
    if phase := getattr(config, "workerinput", {}).get("phase") or config.getoption("--phase"):
        others = {item for item in items if (item.get_closest_marker("alone") is None) != (phase == "together")}
        config.hook.pytest_deselected(items=[item for item in items if item in others])
        items[:] = [item for item in items if item not in others]
    for item in items:
        if config.getoption("--all"):   # hypothesis tries ten times as much then, too
            item.add_marker(pytest.mark.timeout(LONG_S))
        elif item.get_closest_marker("long"):
            item.add_marker(pytest.mark.skip(reason="needs minutes: python3 tests --all"))


def wanted_cores() -> float:
    """How many cores the programs of this machine want: over the last minute, or at this moment if that is more."""
    now = []
    for _ in range(10):
        try:
            now.append(int(Path("/proc/loadavg").read_text().split()[3].partition("/")[0]) - 1)     # less this program
        except (OSError, ValueError, IndexError):
            break
        time.sleep(0.02)
    return max(os.getloadavg()[0], sum(now) / max(1, len(now)))


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Generator[None, Any, None]:
    """What is marked alone says something of the program only where nobody else wants the cores: with more than twice as many
    wanted as there are, its failure is a skip that says so."""
    report = (yield).get_result()
    cores = len(os.sched_getaffinity(0))
    if report.failed and item.get_closest_marker("alone") and (wanted := wanted_cores()) > BUSY * cores:
        why = getattr(getattr(report.longrepr, "reprcrash", None), "message", str(call.excinfo)).partition("\n")[0]
        report.longrepr = (str(item.path), item.location[1], f"Skipped: others wanted {wanted:.0f} cores of {cores}, and the real "
                           f"clock was what it is about: run {item.name} again when they don't ({why})")
        report.outcome = "skipped"


def reason_of(report: pytest.TestReport) -> str:
    """The words after ``Skipped:``; a skip's long form is a file, a line and the reason."""
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    return reason.removeprefix("Skipped: ")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    skipped = terminalreporter.stats.get("skipped", [])
    if not skipped:
        return
    reasons = collections.Counter(map(reason_of, skipped))
    terminalreporter.section("skipped, and why")
    for reason, count in sorted(reasons.items(), key=lambda pair: (-pair[1], pair[0])):
        terminalreporter.write_line(f"{count:4} × {reason}")
