"""A network of the station's own, with a stand-in for nmcli that keeps what it was told. Never tried on a radio."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from assistant.board import access_point
from assistant.board.access_point import NAME, AccessPoint
from assistant.files.refusal import Refusal
from tests.command import ROOT, bowlside, process

NMCLI = """#!/bin/sh
echo "$*" >> "$0.told"
case "$*" in
  *"$FAILS"*) [ -n "$FAILS" ] && { echo "Error: no radio." >&2; exit 4; } ;;
esac
case "$*" in
  *IP4.ADDRESS*) echo "$ADDRESS/24" ;;
esac
"""


class Fake:
    def __init__(self, folder: Path) -> None:
        self.path = folder / "nmcli"
        folder.mkdir()
        self.path.write_text(NMCLI)
        self.path.chmod(0o755)

    @property
    def told(self) -> list[str]:
        """The verbs, in order."""
        kept = self.path.with_name("nmcli.told")
        return [line.partition("connection ")[2].split()[0] for line in kept.read_text().splitlines()] if kept.exists() else []


@pytest.fixture
def nmcli(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Fake:
    fake = Fake(tmp_path / "bin")
    monkeypatch.setenv("PATH", f"{fake.path.parent}:{os.environ['PATH']}")
    monkeypatch.setenv("FAILS", "")
    monkeypatch.setenv("ADDRESS", "127.0.0.1")
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return fake


def test_it_is_made_and_taken_away(tmp_path: Path, nmcli: Fake) -> None:
    with AccessPoint(tmp_path / "own") as network:
        assert network.address == "127.0.0.1" and nmcli.told == ["delete", "add", "up", "show"]
        assert network.name in network.join and network.password in network.join and len(network.password) >= 8
    assert nmcli.told[-1] == "delete" and nmcli.told.count("delete") == 2


def test_the_password_is_kept_and_nobody_elses(tmp_path: Path, nmcli: Fake) -> None:
    first, second = access_point.password_of(tmp_path / "own"), access_point.password_of(tmp_path / "own")
    assert first == second and (tmp_path / "own" / "network").stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("fails", ["add", "up", "IP4"])
def test_half_of_it_is_taken_away_too(tmp_path: Path, nmcli: Fake, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
    monkeypatch.setenv("FAILS", fails)
    with pytest.raises(Refusal, match="no radio"), AccessPoint(tmp_path / "own"):
        pass
    assert nmcli.told[-1] == "delete"


def test_without_a_network_manager_it_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(Refusal, match="nmcli"), AccessPoint(tmp_path / "own"):
        pass


def test_the_dry_run_prints_and_does_nothing(nmcli: Fake) -> None:
    done = bowlside("board", "--access-point", "--dry-run")
    assert done.code == 0 and nmcli.told == []
    lines = done.out.splitlines()
    assert lines[0].startswith("$ nmcli connection add type wifi") and lines[3] == f"$ nmcli connection delete {NAME}"
    assert bowlside("board", "--dry-run").is_one_sentence(2, "--access-point")


@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGTERM])
def test_stopping_the_board_ends_the_network(tmp_path: Path, nmcli: Fake, sent: signal.Signals) -> None:
    running = subprocess.Popen(
        [sys.executable, "-m", "assistant", "board", "--access-point", "--port", "0", "--board-folder", str(tmp_path / "p")],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),  # a shell's background ignores it
    )
    try:
        ends = time.monotonic() + 60
        while "Ctrl-C" not in (line := running.stdout.readline()):
            assert line and time.monotonic() < ends, running.stderr.read()
        assert nmcli.told[-1] == "show"
        running.send_signal(sent)
        out, err = running.communicate(timeout=60)
        assert "Traceback" not in err, err
    finally:
        running.kill()
        running.wait()
    assert nmcli.told[-1] == "delete"


def test_a_port_that_is_taken_ends_the_network_too(tmp_path: Path, nmcli: Fake) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as taken:
        done = process("board", "--access-point", "--port", taken.getsockname()[1], "--board-folder", tmp_path / "p")
    assert done.code == 2 and "is a board running already?" in done.err and nmcli.told[-1] == "delete"
