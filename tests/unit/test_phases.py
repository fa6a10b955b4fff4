"""``python3 tests`` runs in two phases with one end: pytest itself and pytest-xdist on a small suite of its own."""
from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests import phases

ROOT = Path(__file__).resolve().parents[2]
RUN = "import sys; from tests import phases; sys.exit(phases.run(sys.argv[1:]))"
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
        (folder / "conftest.py").write_text((ROOT / "tests" / "conftest.py").read_text(encoding="utf-8"))
        (folder / "test_a.py").write_text(SUITE)

    def run(self, *arguments: str) -> tuple[int, str]:
        """The exit status, and all that was printed. ``self.ran`` tells which worker ran which test."""
        (self.folder / "ran").mkdir()
        env = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "BOWLSIDE_"))}
        done = subprocess.run([sys.executable, "-c", RUN, "-p", "no:cacheprovider", *arguments], cwd=self.folder, text=True,
                              env={**env, "PYTHONPATH": str(ROOT)}, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                              stderr=subprocess.STDOUT, timeout=120)
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


@pytest.mark.parametrize("how", [["-s"], ["-n", "0"], ["-p", "no:xdist"]], ids=" ".join)
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


def test_a_worker_that_dies_is_a_failure_and_comes_to_an_end(suite):
    (suite.folder / "test_b.py").write_text("import os\ndef test_dies(): os._exit(0)\n")
    status, said = suite.run("-n", "1", "test_b.py")
    assert status == 1 and "maximum crashed workers reached: 2" in said and "Failed:\n  test_b.py::test_dies" in said


@pytest.mark.parametrize("cores, gigabytes, wanted", [
    (1, 16, 1), (2, 4, 2), (4, 2, 2), (64, 512, phases.MOST_WORKERS), (2, 0.5, 1)])
def test_as_many_workers_as_cores_and_memory_allow(monkeypatch, cores, gigabytes, wanted):
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: set(range(cores)))
    monkeypatch.setattr(os, "sysconf", {"SC_PHYS_PAGES": int(gigabytes * 2 ** 18), "SC_PAGE_SIZE": 4096}.__getitem__)
    assert phases.workers() == wanted


@pytest.mark.parametrize("statuses, failed, wanted", [
    ([0, 0], False, 0), ([0, 5], False, 0), ([5, 0], False, 0), ([5, 5], False, 5), ([5], False, 5), ([1, 0], True, 1),
    ([0, 1], True, 1), ([2], True, 1), ([1, 2], False, 1), ([2], False, 2), ([3], False, 3), ([0, 4], False, 4)])
def test_one_exit_status(statuses, failed, wanted):
    assert phases.status_of(statuses, failed) == wanted
