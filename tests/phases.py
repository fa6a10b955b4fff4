"""The suite in two phases: together on all cores, then alone what measures time or needs a sound system or a terminal.

A phase is a plugin of pytest. Whatever wants one process (one core, ``-s``, ``--pdb``, ``--stepwise``, ``--collect-only``,
``-n 0``, ``-p no:xdist``, no pytest-xdist here) gets everything in one phase, as plain ``pytest`` does.
"""
from __future__ import annotations

import collections
import contextlib
import os
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests import limits

TOGETHER, ALONE = "together", "alone"
MEMORY_A_WORKER = 1 << 30
"""Bytes. The most that a worker and the programs it started were seen to hold is written in tests/measured.md."""
MOST_WORKERS = 8
MEMORY, ROOM = "/dev/shm", 4 << 30
"""Where files are in memory, and how many bytes must be free there; what several runs left on a disk was 150 MB."""
SLOWEST, SLOW_S = 10, 5.0
WHOLE = ("usepdb", "collectonly", "stepwise", "help", "version", "markers", "showfixtures", "show_fixtures_per_test", "cacheshow")
"""Options of pytest that want one process, or no test at all."""
COUNTED = ("failed", "error", "passed", "skipped", "xfailed", "xpassed", "warnings")


def workers() -> int:
    """As many as there are cores for us, if the machine's memory holds as many."""
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    return max(1, min(len(os.sched_getaffinity(0)), memory // MEMORY_A_WORKER, MOST_WORKERS))


class Tally:
    """What came of all phases."""

    def __init__(self) -> None:
        self.counts: collections.Counter[str] = collections.Counter()
        self.failed: list[str] = []
        self._collected: set[str] = set()
        self.slow: collections.Counter[str] = collections.Counter()     # seconds with setting up and clearing away
        self.begun = time.monotonic()

    def add(self, stats: dict[str, list]) -> None:
        """``stats`` as pytest's terminal reporter keeps them: a list of reports for each outcome."""
        for name, report in ((name, report) for name in COUNTED for report in stats.get(name, [])):
            if isinstance(report, pytest.CollectReport):        # each phase and each worker collects every file
                if report.nodeid in self._collected:
                    continue
                self._collected.add(report.nodeid)
            self.counts[name] += 1
            if name in ("failed", "error"):
                self.failed.append(report.nodeid)
        for report in (one for some in stats.values() for one in some if isinstance(one, pytest.TestReport)):
            self.slow[report.nodeid] += report.duration

    def text(self) -> str:
        slow = [f"{seconds:7.1f} s  {name}" for name, seconds in self.slow.most_common(SLOWEST) if seconds >= SLOW_S]
        counts = ", ".join(f"{self.counts[name]} {name}" for name in COUNTED if self.counts[name]) or "no test ran"
        took = time.monotonic() - self.begun
        return "\n".join([*(["The slowest:", *slow] if slow else []),
                          *(["Failed:", *(f"  {name}" for name in self.failed)] if self.failed else []),
                          f"In all: {counts} in {took:.0f} s."])


class Phase:
    """One call of pytest. ``whole`` says afterwards that it ran everything, so that no other phase is needed."""

    def __init__(self, name: str, tally: Tally) -> None:
        self.name, self.tally, self.whole = name, tally, False

    @pytest.hookimpl(hookwrapper=True)
    def pytest_cmdline_main(self, config: pytest.Config) -> Iterator[None]:
        """Before pytest-xdist reads the same options."""
        option = config.option
        if self.name == ALONE:
            option.phase, option.numprocesses, option.dist = ALONE, 0, "no"
        elif option.phase or self.one_process(config):
            self.whole = True
        else:
            option.numprocesses = option.numprocesses or workers()
            # A file stays in one worker, since its tests share what was costly to make; and files keep their order, so that
            # the many short ones come last and nobody waits long for the other's last file.
            option.dist, option.loadscopereorder = ("loadfile" if option.dist == "no" else option.dist), False
            # A worker that died ends the run (tests/limits.py): what is tried anew hides it, and one was waited for without end.
            option.maxworkerrestart = "0"
        yield

    @pytest.hookimpl(optionalhook=True)
    def pytest_configure_node(self, node: Any) -> None:
        """Workers have the arguments as typed; this is how they learn the rest."""
        node.workerinput["phase"] = self.name

    @staticmethod
    def one_process(config: pytest.Config) -> bool:
        option = config.option
        return (not config.pluginmanager.hasplugin("xdist") or option.numprocesses == 0
                or (option.numprocesses is None and workers() == 1)
                or option.capture == "no" or any(getattr(option, name, False) for name in WHOLE))

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        self.tally.add(terminalreporter.stats)


@contextlib.contextmanager
def temporary_files_in_memory() -> Iterator[None]:
    """For speed: a journal waits for the disk at each event, 4 ms on a busy one and 0.04 in memory. What must survive a power cut
    is tried with a file layer that loses what was not synced, not with a real disk. A TMPDIR that is set stays.
    """
    try:
        there = os.statvfs(MEMORY)
        free = int(re.findall(r"MemAvailable: *(\d+) kB", Path("/proc/meminfo").read_text())[0]) * 1024
        room = min(free, there.f_bavail * there.f_frsize) >= ROOM
        fit = room and not there.f_flag & os.ST_NOEXEC and os.access(MEMORY, os.W_OK)
    except (OSError, IndexError):
        fit = False
    if not fit or "TMPDIR" in os.environ:
        yield
        return
    with tempfile.TemporaryDirectory(prefix="b-", dir=MEMORY, ignore_cleanup_errors=True) as folder:
        os.chmod(folder, 0o711)  # tests that run a program as nobody must come through
        before, os.environ["TMPDIR"], tempfile.tempdir = tempfile.tempdir, folder, None
        limits.TO_REMOVE.append(folder)
        try:
            yield
        finally:
            del os.environ["TMPDIR"]
            tempfile.tempdir = before


def run(arguments: list[str]) -> int:
    """Both phases, a closing line about both, and one exit status: pytest's own, of the first phase that is not well."""
    with temporary_files_in_memory():
        return _run(arguments)


def _run(arguments: list[str]) -> int:
    tally, statuses = Tally(), []
    for name in (TOGETHER, ALONE):
        phase = Phase(name, tally)
        statuses.append(int(pytest.main(arguments, plugins=[phase, limits.Watch(tally.begun)])))
        # Anything else, such as the "interrupted" of -x in pytest-xdist, ends it.
        if phase.whole or statuses[-1] not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED,
                                               pytest.ExitCode.NO_TESTS_COLLECTED):
            break
    sys.stdout.write(tally.text() + "\n")
    sys.stdout.flush()
    return status_of(statuses, bool(tally.failed))


def status_of(statuses: list[int], failed: bool) -> int:
    """The first that is neither "all passed" nor "no test ran"; "no test ran" only if no phase had any."""
    bad = [one for one in statuses if one not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)]
    if bad:
        return int(pytest.ExitCode.TESTS_FAILED if failed else bad[0])
    return int(pytest.ExitCode.OK if pytest.ExitCode.OK in statuses else pytest.ExitCode.NO_TESTS_COLLECTED)
