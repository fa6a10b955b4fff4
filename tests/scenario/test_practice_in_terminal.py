"""The whole practice test in a real terminal, by keys alone: what a newcomer does first."""
from __future__ import annotations

import re
import shutil
import sys
import time
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.record import summary
from assistant.record.journal import Journal
from tests.scenario.terminal_technician import Technician, Terminal


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    if shutil.which("tmux") is None:
        pytest.skip("tmux is missing: apt-get install tmux")
    return tmp_path


def command(folder: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "assistant", "practise", "--journal", str(folder), "--seed", "5", "--metric", "0.30", *more]


def pressed_until(terminal: Terminal, pattern: str) -> None:
    """Enter does nothing before its question could be heard."""
    for _ in range(40):
        if re.search(pattern, terminal.screen(), re.IGNORECASE | re.DOTALL):
            return
        terminal.keys("Enter")
        time.sleep(0.7)
    terminal.wait_for(pattern, 1)


def test_the_first_steps(folder: Path) -> None:
    """The screen tells what to do, a wrong key harms nothing, and q leaves a test that goes on later."""
    terminal = Terminal(command(folder, "--terse"))
    try:
        terminal.wait_for(r"GAUGE TO AIR, ZERO IT.*SAY OR KEY.*next", 20)
        terminal.keys("z", "7")
        terminal.wait_for(r"key z means nothing here", 10)
        terminal.keys("Enter")
        terminal.wait_for(r"press again|LEAK HOLD NOW\?", 10)
        pressed_until(terminal, r"LEAK HOLD NOW\?")
        pressed_until(terminal, r"CHARGE BETWEEN 45\.0 AND 45\.5")
        for _ in range(12):
            terminal.keys("Up")
        terminal.wait_for(r"SIMULATED GAUGE", 5)
        assert float(Technician(terminal).gauge()) > 8
        terminal.keys(*"45.20")
        pressed_until(terminal, r"45\.20\..*yes or no")
        terminal.keys("q")
        terminal.wait_for(r"is not over; everything taken is kept.*LEFT 1", 10)
    finally:
        terminal.close()
    terminal = Terminal(command(folder, "--terse"))
    try:
        terminal.wait_for(r"45\.20\..*may still be under pressure", 20)
    finally:
        terminal.close()


@pytest.mark.long
def test_a_whole_practice_test_by_keys_alone(folder: Path) -> None:
    """Five minutes of leak hold included; left in run 2 and started again."""
    terminal = Terminal(command(folder))
    try:
        Technician(terminal).do(until=r"RUN 2, STEP 2", seconds=900)
        terminal.keys("q")
        terminal.wait_for("LEFT 1", 10)
    finally:
        terminal.close()
    terminal = Terminal(command(folder))
    try:
        technician = Technician(terminal)
        shown = technician.do(seconds=300)
    finally:
        terminal.close()
    assert re.search(r"Test 1 is done: fail, system air metric", shown), shown
    assert technician.results and re.search(r"FAIL\. System air metric 0\.\d\d psi", technician.results[0]), technician.results
    with Journal(folder, write=False) as journal:
        found = summary.of(journal, 1)
    results = {one["name"]: one["rounded"] for one in found["results"]}
    assert abs(results["system_air_metric"] - Decimal("0.30")) <= Decimal("0.04")
    assert abs(results["air_content"] - Decimal("6.0")) <= Decimal("0.1")
