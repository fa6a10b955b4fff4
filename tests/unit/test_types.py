"""The type checker over everything but the tests: strict over the core, plain over the rest (``[tool.mypy]`` in pyproject.toml)."""
from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

pytestmark = pytest.mark.skipif(importlib.util.find_spec("mypy") is None, reason="no mypy here: python3 tests adds it")


def checked(folder: Path, *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "mypy", "--config-file", str(ROOT / "pyproject.toml"), *args], cwd=folder,
                          capture_output=True, text=True, timeout=600)


def test_nothing_to_mend() -> None:
    """What it found of each file it keeps in .mypy_cache: eight seconds of one core at first, then half a second."""
    done = checked(ROOT)
    assert done.returncode == 0, done.stdout + done.stderr


def test_it_would_find_something(tmp_path: Path) -> None:
    """Plain over all, strict over the core."""
    for name in ("assistant/loose.py", "assistant/core/strict.py"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("def untyped(x):\n    return x\n\n\nwrong: int = 'a'\n")
    done = checked(tmp_path, "--explicit-package-bases", "assistant")
    found = [line.partition(": ")[0] + line[line.rindex(" "):] for line in done.stdout.splitlines() if "error:" in line]
    assert found == ["assistant/loose.py:5 [assignment]", "assistant/core/strict.py:1 [no-untyped-def]",
                     "assistant/core/strict.py:5 [assignment]"], done.stdout + done.stderr
