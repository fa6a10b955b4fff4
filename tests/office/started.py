"""An office as its user starts it: a process of its own, over TLS."""
from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any
from uuid import UUID

import pytest
import requests

from assistant.office.postgres import Cluster
from assistant.send.piece import FORM, VERSION, Piece
from tests.command import ROOT

LIMIT_S = 120
"""For anything that has to happen; on a busy machine a start takes long."""


class Office:
    """``bowlside office ARGUMENTS``, open, within ``with``."""

    def __init__(self, *arguments: object, authority: Path, port: str = "0") -> None:
        self.authority, self.said = authority, ""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "assistant", "office", *map(str, arguments), "--on", "127.0.0.1", "--port", port], cwd=ROOT,
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)

    def __enter__(self) -> Office:
        assert self.process.stdout
        for line in self.process.stdout:
            self.said += line
            if "Ctrl-C ends it" in line:
                break
        port = re.search(r"(?:127\.0\.0\.1:|on port )(\d+)", self.said)
        if port is None:
            self.process.kill()
            raise AssertionError(self.said)
        self.url = f"https://127.0.0.1:{port[1]}"
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self.process.poll() is None:
            self.process.terminate()
            self.said += self.process.communicate(timeout=LIMIT_S)[0]

    def ended(self, how: int = signal.SIGINT) -> int:
        """Its exit code, and all it said in ``said``."""
        self.process.send_signal(how)
        self.said += self.process.communicate(timeout=LIMIT_S)[0]
        return self.process.returncode

    def post(self, path: str, key: str = "", **body: Any) -> requests.Response:
        who = {"authorization": f"Bearer {key}"} if key else {}
        return requests.post(self.url + path, json=body, headers=who, verify=self.authority, timeout=LIMIT_S)

    def pieces(self, key: str, record: UUID, pieces: Iterable[Piece] = (), sent: str | None = None) -> requests.Response:
        """Of none: a sign of life."""
        return self.post("/pieces", key, form=FORM, version=VERSION, record=str(record), program="0", newest=None, waiting=0, sent=sent,
                         pieces=[piece.plain() for piece in pieces])

    def enrol(self, code: str) -> str:
        """The key."""
        answer = self.post("/enrol", code=code, version="0")
        assert answer.status_code == 200, answer.text
        return str(answer.json()["key"])


@pytest.fixture
def place(cluster: Cluster) -> Iterator[Path]:
    """For a trial: below a folder that PostgreSQL's user can reach. Skipped where there is no PostgreSQL."""
    folder = Path(tempfile.mkdtemp(prefix="bowlside-"))
    folder.chmod(0o755)
    yield folder / "trial"
    shutil.rmtree(folder)


def trial(place: Path, port: str = "0") -> Office:
    return Office("trial", "--folder", place, "--name", "Made office (invented)", authority=place / "authority.pem", port=port)


def until(true: Any, why: str) -> Any:
    """What it returned when it was true."""
    deadline = time.monotonic() + LIMIT_S
    while not (found := true()):
        assert time.monotonic() < deadline, why
        time.sleep(0.05)
    return found


def workers_of(office: Office) -> set[int]:
    """Its processes that derive."""
    found = set()
    for pid in filter(str.isdecimal, os.listdir("/proc")):
        try:
            parent = int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
            if parent == office.process.pid and b"derive" in Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0"):
                found.add(int(pid))
        except OSError:
            continue
    return found


def processes_of(folder: Path) -> list[int]:
    """PostgreSQL's, whose data lie in that folder."""
    found = []
    for pid in filter(str.isdecimal, os.listdir("/proc")):
        try:
            if os.fsencode(folder) in Path(f"/proc/{pid}/cmdline").read_bytes():
                found.append(int(pid))
        except OSError:
            continue
    return found
