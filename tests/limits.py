"""The suite's limits: a test that hangs, a run that takes too long and a worker that died end the run, with their name.

pytest-timeout fails a test after its limit, and the run goes on. What it can't end is ended here, the whole run with it: a test
stuck in C, where no signal reaches Python; a worker that is gone while what a test of it forked still holds its pipe, so that
pytest-xdist waits for it for ever.
"""
from __future__ import annotations

import contextlib
import faulthandler
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

GRACE_S = 60.0
"""After a test's own limit; it has to tear down what it made, on a busy machine."""
RUN_S, ALL_S = 80 * 60.0, 12 * 3600.0
"""The whole run, and the one with ``--all``. CI gives 90 minutes; a quiet machine takes about eleven."""
LONG_S = 7200.0
"""The limit of each test with ``--all``."""
TO_REMOVE: list[str] = []
"""Folders of temporary files that go with the run, however it ends."""
START_S = 300.0
"""For a worker's Python to start."""
STUCK_S = 300.0
"""So long without a look at all: something holds Python's own lock. Then the C side ends the process and shows where it is."""


class Watch:
    """A plugin of one phase. Looks every second, from a thread of its own."""

    def __init__(self, begun: float) -> None:
        self.begun, self.running, self.workers = begun, dict[str, float](), dict[Any, int]()
        self.over, self.died = threading.Event(), False
        self._thread: threading.Thread | None = None
        self._out = os.fdopen(os.dup(2), "w")   # pytest keeps what is written to 2

    def pytest_configure(self, config: pytest.Config) -> None:
        if config.option.usepdb or not config.pluginmanager.hasplugin("timeout"):   # as pytest-timeout itself does
            return
        limit, run_s = float(config.option.timeout or config.getini("timeout") or 0), RUN_S
        if config.getoption("all", False):
            limit, run_s = max(limit, LONG_S), ALL_S
        self._alive()
        self._thread = threading.Thread(target=self._looks, args=(limit, run_s), daemon=True, name="limits")
        self._thread.start()

    def pytest_unconfigure(self) -> None:
        self.over.set()
        if self._thread is not None:
            self._thread.join(GRACE_S)

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.running[nodeid] = time.monotonic()

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        self.running.pop(nodeid, None)

    # --- workers of pytest-xdist ---------------------------------------------------------------------------------------------

    @pytest.hookimpl(optionalhook=True)
    def pytest_configure_node(self, node: Any) -> None:
        """A worker leads a process group: what it leaves behind when it dies can be ended then."""
        asked = node.gateway.remote_exec("import os; os.setpgid(0, 0); channel.send(os.getpid())")
        self.workers[node] = asked.receive(START_S)
        asked.waitclose(START_S)

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any, error: object) -> None:
        self.workers.pop(node, None)
        self.died = self.died or bool(error)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """A worker that died with nothing left to do is a failure all the same."""
        if self.died and session.exitstatus == pytest.ExitCode.OK:
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    @pytest.hookimpl(optionalhook=True)
    def pytest_handlecrashitem(self, crashitem: str, report: Any, sched: Any) -> None:
        """The run is over, and its status a failed one: nobody waits for the other workers' files, nor for what they started."""
        sched.config.hook.pytest_runtest_logreport(report=report)
        for pid in self.workers.values():
            kill(os.killpg, pid)
        pytest.exit(f"a worker died in {crashitem}", pytest.ExitCode.INTERRUPTED)

    def _alive(self) -> None:
        faulthandler.dump_traceback_later(STUCK_S, exit=True, file=self._out)

    # --- the thread ----------------------------------------------------------------------------------------------------------

    def _looks(self, limit: float, run_s: float) -> None:
        while not self.over.is_set():
            now = time.monotonic()
            for pid in list(self.workers.values()):
                if exited(pid):
                    kill(os.killpg, pid)
            hung = [name for name, since in list(self.running.items()) if limit and now - since > limit + GRACE_S]
            if hung:
                self._end(f"Hung for more than {limit + GRACE_S:.0f} s", hung)
            if now - self.begun > run_s:
                self._end(f"The run took more than {run_s:.0f} s. Running", list(self.running) or ["no test"])
            self._alive()
            self.over.wait(1.0)
        faulthandler.cancel_dump_traceback_later()

    def _end(self, why: str, names: list[str]) -> None:
        faulthandler.dump_traceback(self._out)
        self._out.write("\n".join([f"\n{why}:", *(f"  {name}" for name in names), "The run was ended there.\n"]))
        self._out.flush()
        for pid in below(os.getpid()):
            kill(os.kill, pid)
        for folder in TO_REMOVE:
            shutil.rmtree(folder, ignore_errors=True)
        os._exit(pytest.ExitCode.TESTS_FAILED)


def exited(pid: int) -> bool:
    """Whether this child has ended and whoever started it has not waited for it yet, so that its number is still its own."""
    try:
        return os.waitid(os.P_PID, pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None
    except ChildProcessError:
        return False


def kill(how: Callable[[int, int], None], pid: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        how(pid, signal.SIGKILL)


def below(pid: int) -> list[int]:
    """All processes that this one started, and those that they did, as far as they still belong to it."""
    found = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            children = [int(one) for one in path.read_text().split()]
        except OSError:     # it ended meanwhile
            continue
        found += [each for child in children for each in (*below(child), child)]
    return found
