"""The live station spoken to: a real terminal, a sound system without a card, an independent voice as the technician.

Nothing is keyed. What the station says is recorded from its loudspeaker.
"""
from __future__ import annotations

import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from assistant.core.events import Heard
from assistant.core.machine import step
from assistant.core.state import State
from assistant.record.journal import Journal
from tests.scenario.terminal_technician import Terminal
from tests.speech.sound_world import SoundWorld, heard, missing, running

pytestmark = [pytest.mark.alone, pytest.mark.skipif(bool(missing()), reason=missing() or "")]
WANTED = ("XDG_RUNTIME_DIR", "PULSE_RUNTIME_PATH", "PULSE_SERVER", "ALSA_CONFIG_PATH")


@pytest.fixture
def world(tmp_path: Path):
    for program in ("flite", "tmux"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is missing: apt-get install {program}")
    with running(tmp_path) as one:
        yield one


def test_the_first_steps_by_voice_alone(world: SoundWorld, tmp_path: Path) -> None:
    recording = world.record(tmp_path / "loudspeaker.raw")
    terminal = Terminal([sys.executable, "-m", "assistant", "practise", "--terse", "--journal", str(tmp_path / "journal")],
                        {name: world.env[name] for name in WANTED})
    took, asked, began_all = [], [], time.monotonic()

    def say(words: str, then: str) -> None:
        """Say it until the screen shows ``then``, at most three times: that is what the station asks for too."""
        path = tmp_path / f"{words.replace(' ', '_')}.wav"
        subprocess.run(["flite", "-voice", "slt", "-t", words, "-o", str(path)], check=True, timeout=20)
        for _ in range(3):
            terminal.wait_for(r"SAY OR KEY:\s+(?!\s|keys)", 20)
            time.sleep(0.5)  # the tail after the station's own words
            world.play(path)
            asked.append((words, round(time.monotonic() - began_all, 1)))
            began = time.monotonic()
            try:
                terminal.wait_for(then, 8)
            except AssertionError:
                continue
            took.append(time.monotonic() - began)
            return
        raise AssertionError(f"said {words!r} three times, {then!r} did not show:\n{terminal.screen()}")
    try:
        terminal.wait_for(r"GAUGE TO AIR, ZERO IT.*SAY OR KEY.*next", 30)
        terminal.wait_for(r"Hearing with the model", 30)  # the recogniser has loaded
        say("next", r"LEAK HOLD NOW\?")
        say("yes", r"CHARGE BETWEEN")
        say("forty five point two four", r"┃ 45\.24\..*RIGHT")
        say("no", r"CHARGE BETWEEN")
        say("forty five point two one", r"┃ 45\.21\..*RIGHT")
        say("yes", r"LAST READING.*45.21|SETTLE")
        assert "microphone can be opened" not in terminal.screen()
    finally:
        terminal.close()
        recording.kill()
        recording.wait(5)
    assert np.abs(heard(tmp_path / "loudspeaker.raw")).max() > 3000, "the station was never heard"
    print("said, s from the start:", asked)
    print("end of words to the screen, s:", [round(one, 2) for one in took])


@pytest.mark.long
def test_answers_over_the_stations_own_talk(world: SoundWorld, tmp_path: Path) -> None:
    """The microphone hears the loudspeaker as loud as the technician. The prompts say "next", "yes" and "no" themselves."""
    world.one_air()
    folder, settings = tmp_path / "journal", tmp_path / "config" / "bowlside" / "station.toml"
    settings.parent.mkdir(parents=True)
    settings.write_text("[hearing]\nbarge_in = true\n", encoding="utf-8")
    terminal = Terminal([sys.executable, "-m", "assistant", "practise", "--journal", str(folder)],
                        {**{name: world.env[name] for name in WANTED}, "XDG_CONFIG_HOME": str(tmp_path / "config")})

    def over_the_talk(words: str, then: str) -> None:
        """The question again, and words over it, at most four times: what does not stand apart is not heard."""
        path = tmp_path / f"{words.replace(' ', '_')}.wav"
        spoken = path.with_suffix(".spoken.wav")
        subprocess.run(["flite", "-voice", "slt", "-t", words, "-o", str(spoken)], check=True, timeout=20)
        subprocess.run(["sox", str(spoken), str(path), "gain", "-n", "-1"], check=True, timeout=20)    # who is talked over speaks up
        for _ in range(4):
            terminal.keys("a")
            terminal.wait_for(r"SAY OR KEY:\s+keys", 5)
            terminal.wait_for(r"SAY OR KEY:\s+(?!\s|keys)", 20)  # a second of it, after its caution, and an answer counts
            world.play(path, "default")
            try:
                terminal.wait_for(then, 6)
            except AssertionError:
                continue
            return
        raise AssertionError(f"said {words!r} four times, {then!r} did not show:\n{terminal.screen()}")
    try:
        terminal.wait_for(r"Open the gauge|OPEN THE GAUGE|GAUGE TO AIR", 30)
        terminal.wait_for(r"Hearing with the model", 30)
        for _ in range(4):  # it learns the room while it talks
            terminal.keys("a")
            time.sleep(5.0)
        assert heard_in(folder) == [], "it answered itself"
        over_the_talk("next", r"(?i)leak hold now")
        over_the_talk("yes", r"(?i)charge the chamber")
        over_the_talk("forty five point two one", r"45\.21")
        time.sleep(6.0)  # the read-back is heard out, and is no answer
    finally:
        terminal.close()
    told = heard_in(folder)
    assert [words for words, _ in told] == ["next", "yes", "forty five point two one"], told
    print("over the talk:", told)
    assert sum(over for _, over in told) >= 2, "the last words of a prompt may be over as the answer ends"


def heard_in(folder: Path) -> list[tuple[str, bool]]:
    """What was heard by voice, and whether the station was still saying what it then asked."""
    with Journal(folder, write=False) as journal:
        state, found = State(), []
        for event in journal.events(journal.last_test()):
            if isinstance(event, Heard):
                found.append((event.text, state.spoken < state.utterance))
            state, _ = step(state, event)
    return found
