"""The Debian packages that Bowlside stands on: which are missing, whether we may add them, what to type."""
from __future__ import annotations

import ctypes
import importlib.util
import os
import platform
import shutil
import subprocess
import sys
from collections.abc import Callable
from typing import NamedTuple

from assistant.setup import environment

VENV_SUPPORT = "python3-venv"

# ``sudo`` drops environment variables, so they go through ``env``. The lock may be held by a nightly upgrade.
APT = ["env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-q", "-o", "DPkg::Lock::Timeout=300"]
UPDATE = [*APT, "update"]
INSTALL = [*APT, "install", "-y", "--no-install-recommends"]


class Need(NamedTuple):
    """What one package is for, what is lost without it, and a check that works on any Linux."""

    gives: str
    lost: str
    present: Callable[[], bool]


def loads(library: str) -> bool:
    """Whether the dynamic linker finds a shared library."""
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True


NEEDS = {
    "espeak-ng": Need("speech", "no voice, text on the screen only", lambda: loads("libespeak-ng.so.1")),
    "libportaudio2": Need("sound in and out", "no speaker and no microphone, text and keys only",
                          lambda: loads("libportaudio.so.2")),
    VENV_SUPPORT: Need("a Python environment of our own", "nothing works",
                       lambda: importlib.util.find_spec("ensurepip") is not None),
}

# Header pins need lgpio, which has no wheel for Python 3.13 (pyproject.toml); environment.py joins the system's to ours.
if platform.machine() == "aarch64" and sys.version_info >= (3, 13):
    NEEDS["python3-lgpio"] = Need("the header pins", "no keypad, pedal, lamp, buzzer or transducer on the header",
                                  lambda: bool(environment.debian_lgpio()))


def missing(also: tuple[str, ...] = ()) -> list[str]:
    """Names of packages that are not there: Bowlside's own needs, then those in ``also``."""
    importlib.invalidate_caches()
    own = [name for name, need in NEEDS.items() if not need.present()]
    return own + [name for name in also if name not in NEEDS and not installed(name)]


def installed(package: str) -> bool:
    """Whether dpkg says that a package is installed; False where there is no dpkg."""
    if not shutil.which("dpkg-query"):
        return False
    answer = subprocess.run(["dpkg-query", "-W", "-f=${db:Status-Status}", package], stdin=subprocess.DEVNULL,
                            capture_output=True, text=True, check=False)
    return answer.returncode == 0 and answer.stdout == "installed"


def may_install() -> list[str] | None:
    """The words to put before apt-get, or None where there is none, we may not, or BOWLSIDE_NO_APT is set."""
    if os.environ.get("BOWLSIDE_NO_APT") or not shutil.which("apt-get"):
        return None
    if os.geteuid() == 0:
        return []
    if shutil.which("sudo") and subprocess.run(
            ["sudo", "-n", "true"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, check=False).returncode == 0:
        return ["sudo", "-n"]
    return None


def what_to_type(packages: list[str]) -> str:
    """What the user must do himself, as exactly as can be known."""
    if not shutil.which("apt-get"):
        wanted = "; ".join(f"{name} ({NEEDS[name].gives})" if name in NEEDS else name for name in packages)
        return f"Install these with your system's own tool (Debian's names): {wanted}; then start again."
    update, install = "apt-get update", f"apt-get install --no-install-recommends {' '.join(packages)}"
    if os.geteuid() == 0:
        return f"Type this, then start again:\n{update}\n{install}"
    if shutil.which("sudo"):
        return f"Type this, then start again:\nsudo {update}\nsudo {install}"
    return f"Type this, then start again (it asks for root's password):\nsu -c '{update}; {install}'"


def without(package: str) -> str:
    """What is lost without a package."""
    if package == "postgresql":
        return "an office needs a database on another machine, and its tests are skipped"
    return NEEDS[package].lost if package in NEEDS else "tests that need it are skipped"
