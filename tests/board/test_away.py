"""A phone that is cut off or sleeps: by the real clock. A network of the test's own, in a namespace."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from assistant.board.connections import GONE_S
from tests.board import browser, publisher
from tests.board.browser import Browser
from tests.command import ROOT

pytestmark = [pytest.mark.alone, pytest.mark.skipif("chromium" not in browser.here(), reason="no chromium here")]
HOST, STATION = "10.213.7.1", "10.213.7.2"
ENTER = "\ue007"


def ip(*arguments: str, check: bool = True) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["ip", *arguments], capture_output=True, text=True, check=check)


@pytest.fixture
def network() -> Iterator[str]:
    """A station's own machine at the other end of a cable: its name. Only this test's hosts are on it."""
    name = f"board-{os.getpid()}"
    if shutil.which("ip") is None or ip("netns", "add", name, check=False).returncode:
        pytest.skip("no network namespace can be made here")
    try:
        ip("link", "add", f"b{os.getpid()}", "type", "veth", "peer", "name", "eth0", "netns", name)
        ip("address", "add", f"{HOST}/30", "dev", f"b{os.getpid()}")
        ip("link", "set", f"b{os.getpid()}", "up")
        ip("-n", name, "address", "add", f"{STATION}/30", "dev", "eth0")
        ip("-n", name, "link", "set", "eth0", "up")
        yield name
    finally:
        ip("netns", "delete", name, check=False)
        ip("link", "delete", f"b{os.getpid()}", check=False)


@pytest.fixture
def station(network: str, tmp_path: Path) -> Iterator[Path]:
    """The published folder of a board that serves in there."""
    publisher.whole(tmp_path / "published")
    running = subprocess.Popen(
        [
            "ip",
            "netns",
            "exec",
            network,
            sys.executable,
            "-m",
            "assistant",
            "board",
            "--on",
            STATION,
            "--board-folder",
            str(tmp_path / "published"),
        ],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "XDG_STATE_HOME": str(tmp_path)},
    )
    try:
        while "Ctrl-C" not in (line := running.stdout.readline()):
            assert line
        yield tmp_path / "published"
    finally:
        running.terminate()
        running.wait(30)


@pytest.fixture
def page(station: Path) -> Iterator[Browser]:
    code = json.loads((station.parent / "bowlside-board" / "board.json").read_text())["code"]
    with browser.started("chromium") as found:
        found.open(f"http://{STATION}:8080/")
        found.until("document.activeElement.id == 'code'")
        found.press(*code, ENTER)
        found.until("typeof shown != 'undefined' && shown.size > 0")
        yield found


def test_out_of_range_is_said_and_back_is_noticed(network: str, station: Path, page: Browser) -> None:
    """For longer than a connection is kept, so that both ends have given it up. The clock goes on by itself and is struck out."""
    assert "does not let the page keep the screen on" in page.until("document.querySelector('#screen').innerText"), (
        "plain HTTP by number"
    )
    ends = page.js("document.querySelector('.big').dataset.ends")
    ip("-n", network, "link", "set", "eth0", "down")
    page.until("/^No word from the station for 1[0-9] s/.test(document.querySelector('#silent').innerText)", 30)
    assert page.js("document.querySelector('.big').dataset.ends") == ends
    time.sleep(GONE_S)
    publisher.put(station, "now.json", publisher.now(2, do="Said while it was out of range."))
    ip("-n", network, "link", "set", "eth0", "up")
    page.until("document.querySelector('#do').innerText.includes('out of range') && document.querySelector('#silent').hidden", 60)


def test_a_phone_that_slept_is_right_at_once(station: Path, page: Browser) -> None:
    """All its processes are stopped, as a phone's are; what came meanwhile piled up or was lost."""
    sleeping = _of_browser()
    assert len(sleeping) > 3
    for process in sleeping:
        os.kill(process, signal.SIGSTOP)
    try:
        for seq in range(2, 12):
            publisher.put(
                station,
                "now.json",
                publisher.now(seq, do=f"Step {seq}.", clock={"name": "Hold", "left_s": 100.0 - seq, "of_s": 300}),
            )
            time.sleep(1)
    finally:
        for process in sleeping:
            os.kill(process, signal.SIGCONT)
    page.until("document.querySelector('#do').innerText.includes('Step 11.')", 30)
    left = float(page.js("Number(document.querySelector('.big').dataset.ends) - (here() - ahead)"))
    assert 80 < left <= 89, "what is left now, though its own clocks stood still or went on"


def _of_browser() -> list[int]:
    """Chromium's processes of this test: what the test's driver started, and what that started."""
    parents: dict[int, int] = {}
    for path in Path("/proc").iterdir():
        with suppress(OSError):  # one that has just ended
            if path.name.isdecimal():
                parents[int(path.name)] = int(re.findall(r"PPid:\s+(\d+)", (path / "status").read_text())[0])
    found, waiting = (
        [],
        [
            process
            for process, parent in parents.items()
            if parent == os.getpid() and b"chromedriver" in Path(f"/proc/{process}/cmdline").read_bytes()
        ],
    )
    while waiting:
        above = waiting.pop()
        below = [process for process, parent in parents.items() if parent == above]
        found += below
        waiting += below
    return found
