"""A voice is given through a real sound system without a card: the command itself, its prompts answered aloud, one too loud."""
import os
import select
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from hardware.stream import write_wav
from models import recordings
from models.training.corpus import speakers_in
from models.wav import RATE
from tests.speech.sound_world import ROOT, running
from tests.speech.voices import speak

WORDS = ("double", "decimal", "thirteen")


class Command:
    """`bowlside voice record FOLDER`, read up to what is waited for."""

    def __init__(self, folder: Path, env: dict[str, str]) -> None:
        self.process = subprocess.Popen([sys.executable, "-m", "assistant", "voice", "record", str(folder)], cwd=ROOT, env=env,
                                        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        self.said = ""

    def until(self, *ends: str) -> str:
        """What it writes until one of these is there, which is given back."""
        limit = time.monotonic() + 60
        while time.monotonic() < limit:
            if not select.select([self.process.stdout], [], [], 1.0)[0]:
                continue
            part = os.read(self.process.stdout.fileno(), 65536).decode()
            self.said += part
            for end in ends:
                if end in self.said:
                    self.said = self.said.split(end, 1)[1]
                    return end
            assert part, self.said
        raise AssertionError(self.said)

    def type(self, line: str) -> None:
        self.process.stdin.write(f"{line}\n".encode())
        self.process.stdin.flush()


@pytest.mark.alone
@pytest.mark.long
def test_for_real(tmp_path: Path):
    for word in WORDS:
        sound = speak("flite slt", word)
        sound = sound / abs(sound).max()
        write_wav(tmp_path / f"{word}.wav", sound * 0.4 * 32767, RATE)
        write_wav(tmp_path / f"{word} shouted.wav", (sound * 9).clip(-1, 1) * 32767, RATE)
    with running(tmp_path) as world:
        command = Command(tmp_path / "voices", world.env)
        try:
            for answer, asked in (("yes", "Do you agree?"), ("2", "Which licence?"), ("", "Which English")):
                command.until(asked)
                command.type(answer)
            for number, word in enumerate(WORDS):
                command.until(f"of 98: {word}\n")
                time.sleep(1.5)                             # the microphone opens, the background is learned
                if number == 1:
                    world.play(tmp_path / f"{word} shouted.wav")
                    command.until("it is clipped")
                    command.until("Enter says it again")
                    command.type("")
                    command.until(f"of 98: {word}\n")
                    time.sleep(1.0)
                world.play(tmp_path / f"{word}.wav")
                command.until("Enter keeps it")
                command.type("")
            command.until("4 of 98: ")
            time.sleep(1.0)
            world.play(tmp_path / "thirteen.wav")
            command.until("Enter keeps it")
            command.type("q")
            command.until("3 of 98 are kept")
            assert command.process.wait(20) == 0
        finally:
            command.process.kill()
            command.process.wait(5)
    (about,) = speakers_in(tmp_path / "voices")
    assert [clip["text"] for clip in about["clips"]] == list(WORDS) and list(recordings.faults(tmp_path / "voices")) == []
    sound, _ = soundfile.read(about["sound"])
    for clip in about["clips"]:
        loud = np.flatnonzero(abs(word := speak("flite slt", clip["text"])) > 0.01 * abs(word).max())
        spoken = (loud[-1] - loud[0]) / RATE
        assert clip["length"] / RATE - recordings.KEEP_BEFORE_S - recordings.KEEP_AFTER_S == pytest.approx(spoken, abs=0.25)
        assert abs(sound[clip["start"]:clip["start"] + clip["length"]]).max() == pytest.approx(0.7, abs=0.01)
