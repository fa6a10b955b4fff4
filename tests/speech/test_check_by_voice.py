"""`bowlside check` answered by voice alone: a real terminal, a sound system without a card, flite as the technician."""
from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from assistant.check.signs import CUES
from hardware import cues
from tests.scenario.terminal_technician import Terminal
from tests.speech.sound_world import RATE, heard, missing, onsets, running

pytestmark = [pytest.mark.alone, pytest.mark.long, pytest.mark.skipif(bool(missing()), reason=missing() or "")]
WANTED = ("XDG_RUNTIME_DIR", "PULSE_RUNTIME_PATH", "PULSE_SERVER", "ALSA_CONFIG_PATH")


def test_loudspeaker_and_microphone_by_voice_alone(tmp_path: Path) -> None:
    for program in ("flite", "tmux"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is missing: apt-get install {program}")
    with running(tmp_path) as world:
        recording = world.record(tmp_path / "loudspeaker.raw")
        terminal = Terminal([sys.executable, "-m", "assistant", "check", "loudspeaker", "microphone"],
                            {"XDG_CONFIG_HOME": str(tmp_path), **{name: world.env[name] for name in WANTED}})

        def say(words: str, after: str, then: str) -> None:
            """Once ``after`` shows and was said, at most three times until ``then`` shows."""
            path = tmp_path / f"{words.replace(' ', '_')}.wav"
            subprocess.run(["flite", "-voice", "slt", "-t", words, "-o", str(path)], check=True, timeout=20)
            terminal.wait_for(after, 60)
            for _ in range(3):
                time.sleep(6)  # a question takes so long to say, and the ear is deaf meanwhile
                world.play(path)
                try:
                    terminal.wait_for(then, 6)
                    return
                except AssertionError:
                    continue
            raise AssertionError(f"said {words!r} three times:\n{terminal.screen()}")
        try:
            say("affirmative", "with the machines running", "the first blow|a key")
            say("affirmative", "Did you hear 9 sounds", "loudspeaker: Voice and sounds are heard")
            terminal.wait_for("Now say, at the distance you work at", 60)
            time.sleep(4.5)  # while it is said
            digits = tmp_path / "digits.wav"
            subprocess.run(["flite", "-voice", "slt", "-t", "one. two. three. four. five.", "-o", str(digits)], check=True,
                           timeout=20)
            world.play(digits)
            page = terminal.wait_for(r"LEFT \d", 40)
        finally:
            terminal.close()
            recording.kill()
            recording.wait(5)
    page = page[page.index("BOWLSIDE CHECK"):]
    assert re.search(r"ok +loudspeaker +Voice and sounds are heard\.", page), page
    assert re.search(r"(ok|WRONG) +microphone", page) and "No voice stood out" not in page and "No microphone" not in page, page
    wave = heard(tmp_path / "loudspeaker.raw")
    for cue in CUES:
        assert onsets(wave, np.frombuffer(cues.render(cue, RATE), "<i2")), f"the cue {cue} was never heard"
