"""The linter over everything: names that don't exist, what is imported for nothing, excuses for rules that nobody broke."""
from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def lint(*args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "ruff", "check", "--no-cache", "--output-format", "concise", *args], cwd=ROOT,
                          capture_output=True, text=True, timeout=300)


def test_nothing_to_mend() -> None:
    done = lint("assistant", "hardware", "models", "tests")
    assert done.returncode == 0, done.stdout + done.stderr


def test_it_would_find_something(tmp_path: Path) -> None:
    (tmp_path / "bad.py").write_text("import os\nprint(sy)\nx = 1  # noqa: E999\n")
    done = lint("--config", str(ROOT / "pyproject.toml"), str(tmp_path / "bad.py"))
    assert done.returncode == 1 and all(rule in done.stdout for rule in ("F401", "F821", "RUF100"))
