"""The suite's own manners: long tests wait for ``--all``, and what was skipped is listed with its reason."""
from __future__ import annotations

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
