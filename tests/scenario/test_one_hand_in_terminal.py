"""A whole practice test as a user does it, at a real terminal of 80 x 24 over the wired simulated meter, by a pedal alone and by three
buttons alone: what the terminal's keys do is only the meter's work. He obeys every word."""
from __future__ import annotations

import re
import shutil
import time
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.record import summary
from assistant.record.journal import Journal
from tests.scenario.one_hand import NO, PEDAL, YES, OneHand, station


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    if shutil.which("tmux") is None:
        pytest.skip("tmux is missing: apt-get install tmux")
    return tmp_path


@pytest.mark.parametrize("kind", ("pedal", "buttons"))
def test_the_first_steps(folder: Path, kind: str) -> None:
    terminal = station(folder, kind, "--terse")
    try:
        one = OneHand(terminal, folder, PEDAL if kind == "pedal" else YES)
        one.do(until=r"┃ Leak hold now\?", seconds=60)
        shown = " ".join(terminal.screen().split())
        assert ("YES next" in shown) == (kind == "buttons")
        if kind == "buttons":
            one.press(NO, 0.1)
            terminal.wait_for(r"┃ Dense aggregate", 10)
    finally:
        terminal.close()


@pytest.mark.long
@pytest.mark.parametrize("kind", ("pedal", "buttons"))
def test_a_whole_practice_test(folder: Path, kind: str) -> None:
    terminal = station(folder, kind, "--metric", "0.15", "--seed", "5")
    one = OneHand(terminal, folder, PEDAL if kind == "pedal" else YES)
    try:
        shown = one.do(seconds=1800)
    finally:
        terminal.close()
        print(kind, dict(one.presses), len(one.prompts), "prompts in", round(time.monotonic() - one.began), "s")
    assert "Test 1 is done: pass" in " ".join(shown.split()), shown
    assert len(one.results) == 1 and re.search(r"PASS\.", one.results[0])
    with Journal(folder / "journal", write=False) as journal:
        found = summary.of(journal, 1)
    results = {each["name"]: each["rounded"] for each in found["results"]}
    assert abs(results["system_air_metric"] - Decimal("0.15")) <= Decimal("0.04")
    assert abs(results["air_content"] - Decimal("6.0")) <= Decimal("0.2")
