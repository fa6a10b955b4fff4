"""Which Python environment we run in: the quick half of set-up, paid at every start.

Nothing but ``os`` and ``sys`` is imported here, so that a start after the first one loses no time.
"""
from __future__ import annotations

import os
import sys

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.realpath(__file__))))
VENV = os.path.join(ROOT, ".venv")
PYTHON = os.path.join(VENV, "bin", "python")
PROJECT = os.path.join(ROOT, "pyproject.toml")
LOCK = os.path.join(ROOT, "assistant", "setup", "lock.txt")
"""Every package of a station with its version and checksums; its first lines say how it is made."""
OFFICE_LOCK = os.path.join(ROOT, "assistant", "setup", "lock-office.txt")
"""The same with what an office needs beside it."""
WITH = {"assistant": ["assistant"], "office": ["assistant", "office"], "tests": ["assistant", "office", "tests"]}
"""What is installed together."""
DEBIAN = "/usr/lib/python3/dist-packages"


def inside() -> bool:
    """Whether this very process runs in our environment, or in one that needs none of ours.

    A copy installed with pip somewhere else has no pyproject.toml beside it and sets nothing up.
    """
    if not os.path.isfile(PROJECT):
        return True
    return sys.prefix != sys.base_prefix and os.path.realpath(sys.prefix) == os.path.realpath(VENV)


def stamp_path(part: str) -> str:
    """The file that says "installed" for ``part``: ``assistant``, ``office`` or ``tests``."""
    return os.path.join(VENV, f"bowlside-{part}-installed")


def stamp_text() -> str:
    """What an installation depends on; another text means install again.

    The whole of pyproject.toml and of the locks, the version of Python, and the folder (the environment's scripts name it).
    """
    project = ""
    for path in (PROJECT, LOCK, OFFICE_LOCK):
        if os.path.exists(path):
            with open(path, encoding="utf-8") as file:
                project += file.read()
    return f"# Python {sys.version_info[0]}.{sys.version_info[1]} in {ROOT}\n{project}"


def is_ready(part: str) -> bool:
    """Whether ``part`` was wholly installed from this pyproject.toml for this Python in this folder."""
    try:
        with open(stamp_path(part), encoding="utf-8") as file:
            return file.read() == stamp_text() and os.access(PYTHON, os.X_OK)
    except (OSError, UnicodeDecodeError):
        return False


def debian_lgpio() -> list[str]:
    """The files of the system's python3-lgpio that fit this very Python; empty where it is not installed, or for another one."""
    from importlib.machinery import EXTENSION_SUFFIXES

    named = ["lgpio.py", *("_lgpio" + suffix for suffix in EXTENSION_SUFFIXES)]
    there = [name for name in named if os.path.isfile(os.path.join(DEBIAN, name))]
    return there if len(there) > 1 and there[0] == "lgpio.py" else []


def add_lgpio(venv: str = "") -> None:
    """Let our environment, or ``venv``, use the system's lgpio where it has none of its own (there is no wheel for Python 3.13).

    Links to its files alone: the whole of the system's folder on our path would bring other packages in other versions. Looked
    at before every start, since the package may be installed at any time.
    """
    site = os.path.join(venv or VENV, "lib", "python%d.%d" % sys.version_info[:2], "site-packages")
    if os.path.exists(os.path.join(site, "lgpio.py")):
        return
    for name in debian_lgpio():
        try:
            if os.path.islink(os.path.join(site, name)):
                os.remove(os.path.join(site, name))  # it leads nowhere: the package was taken away meanwhile
            os.symlink(os.path.join(DEBIAN, name), os.path.join(site, name))
        except OSError:
            return  # a folder that can't be written: the pins' own sentence says what is missing


def variables() -> dict[str, str]:
    """Environment variables for our Python: our modules first, whatever folder the user stands in.

    The working folder stays the user's, so that the files he names are found. PYTHONSAFEPATH keeps that
    folder off the import path, here and in our own child processes.
    """
    others = [p for p in os.environ.get("PYTHONPATH", "").split(os.pathsep) if p and p != ROOT]
    return {**os.environ, "PYTHONPATH": os.pathsep.join([ROOT, *others]), "PYTHONSAFEPATH": "1"}


def go_inside(module: str, arguments: list[str]) -> None:
    """Become ``python -m module arguments`` in our environment; never returns."""
    add_lgpio()
    sys.stdout.flush()
    sys.stderr.flush()
    os.execve(PYTHON, [PYTHON, "-m", module, *arguments], variables())
