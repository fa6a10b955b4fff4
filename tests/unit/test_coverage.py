"""How much of the core the quick tests of it take, its branches too: no less than ``fail_under`` in pyproject.toml.

A run of its own: watched, the whole suite would take twice its time. These take 12 s of one core, and 15 more watched.
"""
from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
WATCHED = [
    *(f"tests/unit/test_{name}.py" for name in (
        "charts", "commands", "density", "due", "fresh_readings", "fresh_results", "leak_curve", "likely", "method_values", "plausible",
        "pressure", "procedure", "quality", "registry", "round", "rounding", "sequential", "settings", "spoken", "three_buttons", "wording",
        "work")),
    *(f"tests/scenario/test_{name}.py" for name in (
        "asked", "crew", "delivery", "gauge", "hearing_changes", "restart", "sequential", "solo_round", "taken_back", "two_runs",
        "volumetric_air")),
    "tests/outside/test_run_rules.py",
]
SLOW = "given_up or every_export or every_hundredth or whole_test_by_wire or elses_word"
"""Of those, what takes seconds and no branch that the others leave out."""

pytestmark = pytest.mark.skipif(importlib.util.find_spec("coverage") is None, reason="no coverage here: python3 tests adds it")


def test_no_less_of_the_core_is_tested_than_was(tmp_path: Path) -> None:
    env = {name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "COVERAGE_", "COV_CORE_"))}
    env["COVERAGE_FILE"] = str(tmp_path / "coverage")

    def coverage(*args: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([sys.executable, "-m", "coverage", *args], cwd=ROOT, env=env, capture_output=True, text=True, timeout=550)

    ran = coverage("run", "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-k", f"not ({SLOW})", *WATCHED)
    assert ran.returncode == 0, ran.stdout[-3000:] + ran.stderr[-1000:]
    report = coverage("report", "--skip-covered", "--show-missing")
    assert report.returncode == 0, report.stdout + report.stderr
    assert coverage("report", "--fail-under", "100").returncode == 2, "it would find nothing"
