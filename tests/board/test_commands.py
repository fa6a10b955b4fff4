"""`bowlside board` as it is typed: the server as a process of its own, and what the operator asks beside it."""

from __future__ import annotations

import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from assistant.board.pairing import Sessions
from tests.board import publisher
from tests.command import ROOT, bowlside

LIMIT_S = 60


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state" / "bowlside-board"


@pytest.fixture
def told(tmp_path: Path, own: Path) -> Iterator[list[str]]:
    """What a running board printed at its start."""
    publisher.whole(tmp_path / "published")
    running = subprocess.Popen(
        [sys.executable, "-m", "assistant", "board", "--port", "0", "--board-folder", str(tmp_path / "published")],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    lines: list[str] = []
    try:
        while not lines or "Ctrl-C" not in lines[-1]:
            lines.append(running.stdout.readline())
            assert lines[-1], running.stderr.read()
        yield lines
        running.terminate()
        _, err = running.communicate(timeout=LIMIT_S)
        assert running.returncode == 0 and not err, err
    finally:
        running.kill()
        running.wait()


def test_serve_tell_pair_list_revoke(told: list[str], own: Path) -> None:
    url, code = told[0].strip(), told[1].removeprefix("Code ").rstrip(".\n")
    assert url.startswith("http://127.0.0.1:") and not url.endswith(":0/") and len(code) == 4
    assert bowlside("board", "--code").out == f"{url}\nCode {code}.\n"
    assert bowlside("board", "--address").out.count("\n") > 10
    assert bowlside("board", "--card", own / "card.svg", "--network", "site").code == 0 and url in (own / "card.svg").read_text()
    assert "can't be written" in bowlside("board", "--card", own / "none" / "card.svg").err
    assert bowlside("board", "--sessions").out == "No phone is paired.\n"

    opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    opener.addheaders = [("User-Agent", "A phone")]
    with opener.open(f"{url}pair", f"code={code}".encode(), timeout=LIMIT_S) as answer:
        assert answer.url == url and b"Do not touch the meter." in answer.read()
    listed = bowlside("board", "--sessions").out.splitlines()
    assert listed[0].split()[0] == "1" and "127.0.0.1" in listed[0] and "A phone" in listed[0] and listed[1] == "1 paired."
    assert bowlside("board", "--revoke", "7").code == 1
    assert bowlside("board", "--revoke", "1").code == 0 and not Sessions(own).all()
    with opener.open(url, timeout=LIMIT_S) as answer:
        assert answer.url == f"{url}pair"

    new = bowlside("board", "--new-code").out.split()[4].rstrip(".")
    with opener.open(f"{url}pair", f"code={new}".encode(), timeout=LIMIT_S) as answer:
        assert answer.url == url


def test_before_a_board_was_started_there_is_no_code(own: Path) -> None:
    bowlside("board", "--code").is_one_sentence(2, "no board was started")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--on", "board.local"], "by number"),
        (["--on", "1.2.3"], "by number"),
        (["--port", "99999"], "port"),
        (["--port", "x"], "port"),
        (["--revoke", "0"], "--sessions"),
        (["--revoke", "x"], "--sessions"),
        (["--code", "--address"], "not allowed"),
        (["--network", "x"], "--card"),
        (["--card", "x.svg", "--password", "x"], "--network"),
        (["--card", "x.svg"], "no board was started"),
    ],
)
def test_wrong_use_is_told_in_a_sentence(own: Path, arguments: list[str], words: str) -> None:
    done = bowlside("board", *arguments)
    assert done.code == 2 and words in done.err


def test_an_address_that_is_not_this_machines(own: Path, tmp_path: Path) -> None:
    """203.0.113.0/24 is nobody's: RFC 5737."""
    bowlside("board", "--on", "203.0.113.9", "--board-folder", tmp_path).is_one_sentence(2, "203.0.113.9")
