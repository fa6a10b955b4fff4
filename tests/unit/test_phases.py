"""``python3 tests`` runs in two phases with one end: pytest itself and pytest-xdist on a small suite of its own."""
from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from tests import phases

ROOT = Path(__file__).resolve().parents[2]
RUN = """import sys
from tests import limits, phases
limits.GRACE_S, limits.RUN_S, limits.STUCK_S = {grace_s}, {run_s}, {stuck_s}
sys.exit(phases.run(sys.argv[1:]))"""
INI = "[pytest]\nmarkers =\n    long: minutes\n    alone: by itself\n"
# Each test leaves a file named for who ran it; the one that is alone looks who else has.
SUITE = """
import os, pathlib, pytest
def ran(): (pathlib.Path(__file__).parent / "ran" / f"{os.environ['PYTEST_CURRENT_TEST'].split('::')[1].split(' ')[0]}."
            f"{os.environ.get('PYTEST_XDIST_WORKER', 'main')}").touch(exist_ok=False)
@pytest.mark.alone
def test_alone(): ran()
@pytest.mark.parametrize("n", range(3))
def test_one(n): ran()
@pytest.mark.skipif(True, reason="no flite: apt-get install flite")
def test_skipped(): pass
@pytest.mark.long
def test_long(): ran()
"""
FAILS = "from test_a import ran\ndef test_wrong():\n    ran()\n    assert 1 == 2, 'as was to be shown'\n"


class Suite:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "pytest.ini").write_text(INI)
        (folder / "conftest.py").write_text((ROOT / "tests" / "conftest.py").read_text(encoding="utf-8")
                                          .replace("BUSY = 2\n", "BUSY = 1000\n"))
        (folder / "test_a.py").write_text(SUITE)

    def run(self, *arguments: str, grace_s: float = 60, run_s: float = 600, stuck_s: float = 60) -> tuple[int, str]:
        """The exit status, and all that was printed. ``self.ran`` tells which worker ran which test, ``took_s`` how long."""
        (self.folder / "ran").mkdir()
        begun = time.monotonic()
        env = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "BOWLSIDE_"))}
        code = RUN.format(grace_s=grace_s, run_s=run_s, stuck_s=stuck_s)
        done = subprocess.run([sys.executable, "-c", code, "-p", "no:cacheprovider", *arguments], cwd=self.folder, text=True,
                              env={**env, "PYTHONPATH": str(ROOT)}, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                              stderr=subprocess.STDOUT, timeout=300)
        self.took_s = time.monotonic() - begun
        self.ran = dict(sorted(path.name.rsplit(".", 1) for path in (self.folder / "ran").iterdir()))
        return done.returncode, done.stdout


@pytest.fixture
def suite(tmp_path: Path) -> Suite:
    return Suite(tmp_path)


WHOLE = ["test_alone", "test_one[0]", "test_one[1]", "test_one[2]"]


def test_together_then_alone_with_one_end(suite):
    (suite.folder / "test_b.py").write_text(FAILS)
    (suite.folder / "test_c.py").write_text("import pytest\n" + FAILS.replace("def test", "@pytest.mark.alone\ndef test_too"))
    status, said = suite.run("-n", "2", "--all")
    assert status == 1
    assert list(suite.ran) == ["test_alone", "test_long", *WHOLE[1:], "test_too_wrong", "test_wrong"]
    assert {name for name, who in suite.ran.items() if who == "main"} == {"test_alone", "test_too_wrong"}
    assert said.count("AssertionError: as was to be shown") >= 2 and "no flite" in said
    assert re.search(r"Failed:\n  test_b\.py::test_wrong\n  test_c\.py::test_too_wrong\n"
                     r"In all: 2 failed, 5 passed, 1 skipped in \d+ s\.\n$", said), said


@pytest.mark.parametrize("how", [["-n", "0"], ["-p", "no:xdist"]], ids=" ".join)
def test_what_wants_one_process_gets_one(suite, how):
    status, said = suite.run(*how)
    assert (status, list(suite.ran), set(suite.ran.values())) == (0, WHOLE, {"main"})
    assert said.count("test session starts") == 1 and "In all: 4 passed, 2 skipped" in said


@pytest.mark.parametrize("name, where", [("test_alone", "main"), ("test_a.py::test_one[1]", "gw")])
def test_a_choice_may_leave_one_phase_without_tests(suite, name, where):
    status, said = suite.run("-n", "2", *([name] if "::" in name else ["-k", name]))
    assert status == 0 and suite.ran and all(who.startswith(where) for who in suite.ran.values())
    assert f"In all: {len(suite.ran)} passed in" in said


def test_a_file_that_is_skipped_whole_counts_once(suite):
    (suite.folder / "test_b.py").write_text("import pytest\npytest.importorskip('no_such_package')\n")
    status, said = suite.run("-n", "2")
    assert status == 0 and "In all: 4 passed, 3 skipped in" in said


def test_no_test_at_all_is_told(suite):
    status, said = suite.run("-n", "2", "-k", "nothing_is_called_so")
    assert (status, suite.ran) == (pytest.ExitCode.NO_TESTS_COLLECTED, {}) and "In all: no test ran" in said


def test_x_stops_before_the_second_phase(suite):
    (suite.folder / "test_b.py").write_text(FAILS)
    status, said = suite.run("-n", "2", "-x", "-k", "wrong or alone")
    assert (status, list(suite.ran)) == (1, ["test_wrong"]) and "In all: 1 failed in" in said


def test_what_runs_no_test_is_said_once(suite):
    status, said = suite.run("-n", "2", "--collect-only", "-q")
    assert status == 0 and suite.ran == {} and said.count("test_a.py::test_alone\n") == 1


def test_wrong_use_is_told_once(suite):
    status, said = suite.run("--no-such-option")
    assert status == 4 and said.count("unrecognized arguments") == 1


# --- what hangs and what dies --------------------------------------------------------------------------------------------------

WAITS = "import time\nimport pytest\n@pytest.mark.parametrize('n', range(600))\ndef test_waits(n): time.sleep(0.5)\n"
"""Five minutes of tests in another worker, for which nobody may wait."""
DIES = """
import os, signal, time
def test_dies():
    if os.fork() == 0:
        os.close(1), os.close(2)
        time.sleep(100)     # holds its parent's pipe: pytest-xdist isn't told that the worker is gone
        os._exit(0)
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_worker_that_dies_ends_the_run_at_once_with_its_test(suite):
    """That a run waited without end was a worker killed by SIGTERM whose child lived on."""
    (suite.folder / "test_b.py").write_text(DIES)
    (suite.folder / "test_c.py").write_text(WAITS)
    status, said = suite.run("-n", "2", "test_b.py", "test_c.py")
    assert status == 1 and "a worker died in test_b.py::test_dies" in said
    assert re.search(r"Failed:\n  test_b\.py::test_dies\nIn all: 1 failed(, \d+ passed)? in \d+ s\.\n$", said), said
    assert suite.took_s < 90, "that is a run of test_c.py, or the child's sleep"


DIES_LAST = """
import os
class Dies:
    def pytest_sessionfinish(self): os._exit(0)
def test_dies(pytestconfig): pytestconfig.pluginmanager.register(Dies())
"""


def test_a_worker_that_dies_when_all_is_done_is_a_failure_too(suite):
    (suite.folder / "test_b.py").write_text(DIES_LAST)
    status, said = suite.run("-n", "1", "test_b.py")
    assert status == 1, said


HANGS = """
import ctypes, threading, pytest
MUTEX = ctypes.create_string_buffer(64)     # locked twice it waits for ever, and no signal ends that
def test_before(): pass
@pytest.mark.skipif({alone}, reason="")
def test_hangs(): {how}
@pytest.mark.alone
@pytest.mark.skipif(not {alone}, reason="")
def test_hangs_alone(): {how}
def test_after(): pass
"""
IN_PYTHON = "threading.Event().wait(100)"
IN_C = "[ctypes.CDLL(None).pthread_mutex_lock(MUTEX) for _ in range(2)]"
WITH_PYTHONS_LOCK = IN_C.replace("CDLL", "PyDLL")


@pytest.mark.parametrize("alone", [False, True], ids=["together", "alone"])
def test_a_test_that_hangs_fails_with_its_name_and_the_run_goes_on(suite, alone):
    (suite.folder / "test_b.py").write_text(HANGS.format(alone=alone, how=IN_PYTHON))
    status, said = suite.run("-n", "2", "--timeout", "2", "test_b.py")
    name = "test_b.py::test_hangs" + ("_alone" if alone else "")
    assert status == 1 and "Timeout (>2.0s) from pytest-timeout" in said and IN_PYTHON in said
    assert re.search(rf"Failed:\n  {name}\nIn all: 1 failed, 2 passed, 1 skipped", said), said


@pytest.mark.parametrize("alone, how", [(False, WITH_PYTHONS_LOCK), (True, IN_C)], ids=["together", "alone"])
def test_what_hangs_where_python_reaches_nothing_ends_the_run_with_its_name(suite, alone, how):
    (suite.folder / "test_b.py").write_text(HANGS.format(alone=alone, how=how))
    status, said = suite.run("-n", "2", "--timeout", "1", "test_b.py", grace_s=2)
    name = "test_b.py::test_hangs" + ("_alone" if alone else "")
    assert status == 1 and said.endswith(f"Hung for more than 3 s:\n  {name}\nThe run was ended there.\n"), said
    assert suite.took_s < 90


def test_what_holds_pythons_lock_in_the_phase_alone_is_shown_by_its_line(suite):
    """No thread of Python can tell its name then; the C side shows where it is."""
    (suite.folder / "test_b.py").write_text(HANGS.format(alone=True, how=WITH_PYTHONS_LOCK))
    status, said = suite.run("-n", "2", "test_b.py", stuck_s=2)
    assert status == 1 and re.search(r'test_b\.py", line \d+ in test_hangs_alone', said), said
    assert suite.took_s < 90


LATE = """
import threading
def test_waits(pytestconfig):
    watch, = (one for one in pytestconfig.pluginmanager.get_plugins() if type(one).__name__ == "Watch")
    watch.begun -= 3600     # as if the run had begun then
    threading.Event().wait(100)
"""


def test_the_whole_run_has_a_limit_that_tells_what_runs(suite):
    (suite.folder / "test_c.py").write_text(LATE)
    status, said = suite.run("-n", "0", "test_c.py", run_s=3500)
    assert status == 1 and said.endswith("more than 3500 s. Running:\n  test_c.py::test_waits\nThe run was ended there.\n"), said
    assert suite.took_s < 90


def test_no_test_of_ours_signals_its_own_process():
    """In a worker of pytest-xdist that kills the worker, if the handler is not there yet or not any more."""
    own = re.compile(r"os\.kill\(\s*(os\.getpid\(\)|0\b)|raise_signal|pthread_kill|killpg\(\s*(0|os\.getpgrp)")
    found = [f"{path.relative_to(ROOT)}:{number}" for path in sorted((ROOT / "tests").rglob("*.py")) if path != Path(__file__)
             for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1) if own.search(line)]
    assert found == []


@pytest.mark.parametrize("cores, gigabytes, wanted", [
    (1, 16, 1), (2, 4, 2), (4, 2, 2), (64, 512, phases.MOST_WORKERS), (2, 0.5, 1)])
def test_as_many_workers_as_cores_and_memory_allow(monkeypatch, cores, gigabytes, wanted):
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: set(range(cores)))
    monkeypatch.setattr(os, "sysconf", {"SC_PHYS_PAGES": int(gigabytes * 2 ** 18), "SC_PAGE_SIZE": 4096}.__getitem__)
    assert phases.workers() == wanted


@pytest.mark.parametrize("given, free_kb, used", [({}, 2048, True), ({"TMPDIR": "/tmp"}, 2048, False), ({}, 512, False)])
def test_temporary_files_are_in_memory_where_there_is_room_and_are_gone_afterwards(monkeypatch, tmp_path, given, free_kb, used):
    monkeypatch.delenv("TMPDIR", raising=False)
    for name, value in given.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(phases, "MEMORY", str(tmp_path))
    monkeypatch.setattr(phases, "ROOM", 1 << 20)
    monkeypatch.setattr(phases.Path, "read_text", lambda path: f"MemAvailable:   {free_kb} kB\n")
    before = tempfile.gettempdir()
    with phases.temporary_files_in_memory():
        assert (Path(tempfile.gettempdir()).parent == tmp_path) is used
    assert list(tmp_path.iterdir()) == [] and tempfile.gettempdir() == before


@pytest.mark.parametrize("statuses, failed, wanted", [
    ([0, 0], False, 0), ([0, 5], False, 0), ([5, 0], False, 0), ([5, 5], False, 5), ([5], False, 5), ([1, 0], True, 1),
    ([0, 1], True, 1), ([2], True, 1), ([1, 2], False, 1), ([2], False, 2), ([3], False, 3), ([0, 4], False, 4)])
def test_one_exit_status(statuses, failed, wanted):
    assert phases.status_of(statuses, failed) == wanted
