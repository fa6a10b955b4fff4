"""The suite's own manners: long tests wait for ``--all``, and what was skipped is listed with its reason."""
from __future__ import annotations

import ast
from pathlib import Path

import pytest

pytest_plugins = "pytester"

CONFTEST = Path(__file__).resolve().parents[1] / "conftest.py"
TESTS = """
import pytest
@pytest.mark.long
def test_long(): pass
@pytest.mark.parametrize("n", range(3))
def test_needs_a_voice(n): pytest.skip("no flite: apt-get install flite")
def test_plain():
    import os, numpy
    numpy.ones((1000, 1000)) @ numpy.ones((1000, 1000))
    assert len(os.listdir("/proc/self/task")) == 1, "numpy's matrix product has threads"
"""


@pytest.fixture
def suite(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> pytest.Pytester:
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    pytester.makeini("[pytest]\nmarkers = long: minutes\n")
    pytester.makeconftest(CONFTEST.read_text(encoding="utf-8"))
    pytester.makepyfile(TESTS)
    return pytester


def test_skipped_tests_are_grouped_by_reason(suite):
    result = suite.runpytest_subprocess()
    result.assert_outcomes(passed=1, skipped=4)
    result.stdout.fnmatch_lines(["*skipped, and why*", "   3 × no flite: apt-get install flite",
                                 "   1 × needs minutes: python3 tests --all"])


def test_all_runs_the_long_ones(suite):
    suite.runpytest_subprocess("--all").assert_outcomes(passed=2, skipped=3)


@pytest.mark.parametrize("busy, outcome", [("0", {"skipped": 1}), ("1000", {"failed": 1})])
def test_what_measures_time_and_fails_where_others_want_the_cores_is_skipped_with_its_reason(suite, busy, outcome):
    suite.makeini("[pytest]\nmarkers =\n    long: minutes\n    alone: by itself\n")
    suite.makeconftest(CONFTEST.read_text(encoding="utf-8").replace("BUSY = 2\n", f"BUSY = {busy}\n"))
    suite.makepyfile("import pytest\n@pytest.mark.alone\ndef test_measures(): assert 3 < 2\n")
    result = suite.runpytest_subprocess()
    result.assert_outcomes(**outcome)
    assert ("run test_measures again when they don't (assert 3 < 2)" in result.stdout.str()) is (busy == "0")


HANG_S = 60
"""What takes a moment is not late before that, whatever else the machine does; so what hangs in a test hangs longer."""


def reads_the_clock(node: ast.AST) -> bool:
    return any(isinstance(part, ast.Call) and ast.unparse(part.func) in ("time.monotonic", "time.perf_counter", "time.time", "boot_now")
               for part in ast.walk(node))


def figures(source: str) -> list[int]:
    """The lines where a test that bears company asserts that something took fewer seconds of the real clock than HANG_S."""
    tree, lines = ast.parse(source), []
    if any(isinstance(node, ast.Assign) and "mark.alone" in ast.unparse(node) for node in tree.body):
        return []
    for test in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
        if any("alone" in ast.unparse(mark) for mark in test.decorator_list):
            continue
        spans = {ast.unparse(node.targets[0]) for node in ast.walk(test) if isinstance(node, ast.Assign)
                 and isinstance(node.value, ast.BinOp) and isinstance(node.value.op, ast.Sub) and reads_the_clock(node.value)}
        for node in (part for line in ast.walk(test) if isinstance(line, ast.Assert) for part in ast.walk(line)):
            if isinstance(node, ast.Compare):
                sides = [node.left, *node.comparators]
                lines += [node.lineno for low, sign, high in zip(sides, node.ops, sides[1:]) if isinstance(sign, ast.Lt | ast.LtE)
                          and (isinstance(low, ast.BinOp) and reads_the_clock(low) or ast.unparse(low) in spans)
                          and not (isinstance(high, ast.Constant) and high.value >= HANG_S or "FOR_EVER_S" in ast.unparse(high))]
    return lines


def test_no_test_that_bears_company_asserts_seconds_of_the_real_clock():
    tests = CONFTEST.parent
    found = {str(path.relative_to(tests)): figures(path.read_text(encoding="utf-8")) for path in tests.rglob("test_*.py")}
    assert {name: lines for name, lines in found.items() if lines} == {}


def test_it_would_find_one():
    took = "def test_it():\n    begun = time.monotonic()\n    took = time.monotonic() - begun\n    assert {}\n"
    assert figures(took.format("took < 2")) == figures(took.format("0 < time.monotonic() - begun <= LIMIT_S")) == [4]
    assert figures("@pytest.mark.alone\n" + took.format("took < 2")) == figures(took.format("1 < took < 60")) == []
