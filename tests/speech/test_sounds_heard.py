"""The sounds before the first practice, as they leave a loudspeaker: all of them, in order, each after words; and not a second time."""
from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import pytest

from hardware import cues
from tests.scenario.terminal_technician import Terminal
from tests.speech.sound_world import RATE, heard, missing, onsets, running

pytestmark = [pytest.mark.alone, pytest.mark.long, pytest.mark.skipif(bool(missing()), reason=missing() or "")]
WANTED = ("XDG_RUNTIME_DIR", "PULSE_RUNTIME_PATH", "PULSE_SERVER", "ALSA_CONFIG_PATH")


def test_a_newcomer_hears_each_before_his_first_practice(tmp_path: Path) -> None:
    with running(tmp_path) as world:
        command = [sys.executable, "-m", "assistant", "practise", "--journal", str(tmp_path / "practice")]
        env = {"XDG_CONFIG_HOME": str(tmp_path), **{name: world.env[name] for name in WANTED}}
        recording = world.record(tmp_path / "loudspeaker.raw")
        terminal = Terminal(command, env)
        try:
            terminal.wait_for("Enter leaves them out", 30)
            began = time.monotonic()
            terminal.wait_for("gauge to air", 90)
            took = time.monotonic() - began
            terminal.keys("q")
            terminal.wait_for(r"LEFT \d", 20)
        finally:
            terminal.close()
            recording.kill()
            recording.wait(5)
        again = Terminal(command, env)
        try:
            assert "Enter leaves them out" not in again.wait_for("gauge to air", 30)
        finally:
            again.close()
    wave = heard(tmp_path / "loudspeaker.raw")
    found = [onsets(wave, np.frombuffer(cues.render(name, RATE), "<i2")) for name in cues.OF_A_TEST]
    print(f"{took:.0f} s")
    assert all(found), dict(zip(cues.OF_A_TEST, found))
    order = []
    for places in found:  # a short beat is also found within a longer sound: the first that comes after the one before
        order.append(next(place for place in places if not order or place > order[-1]))
    assert order == sorted(order)
