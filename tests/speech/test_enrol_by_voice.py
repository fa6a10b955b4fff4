"""Sentences of an enrolment asked for and cut through a real sound system without a card, the station's own voice included."""
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from hardware.stream import write_wav
from models.wav import RATE
from tests.speech.sound_world import ROOT, running
from tests.speech.voices import speak
from tests.speech.yard import at_level, diesel

TEXTS = ["seven point two five", "yes correct", "next step"]
STATION = f"""
from assistant import enrol_listen
enrol_listen.ANSWER_S = 5.0
for one in enrol_listen.sentences({TEXTS!r}, lambda said: said.text):
    print(one.text, len(one.sound) / {RATE}, flush=True)
"""


@pytest.mark.alone
@pytest.mark.long
def test_for_real_beside_an_engine(tmp_path: Path):
    said = {text: speak("flite slt", text) for text in TEXTS}
    for text, sound in said.items():
        write_wav(tmp_path / f"{text}.wav", sound * 32767, RATE)
    write_wav(tmp_path / "engine.wav", at_level(diesel(90, np.random.default_rng(3)), -55) * 32767, RATE)
    with running(tmp_path) as world:
        engine = world.play_on(tmp_path / "engine.wav")
        station = subprocess.Popen([sys.executable, "-c", STATION], cwd=ROOT, env=world.env, text=True, stdout=subprocess.PIPE,
                                   stderr=subprocess.PIPE)
        try:
            for line in station.stderr:
                asked = next((text for text in TEXTS if line.rstrip().endswith(f"{text}.")), None)
                if asked:
                    time.sleep(3.5)                         # its own words, and the tail
                    world.play(tmp_path / f"{asked}.wav")
            rows = [line.rsplit(" ", 1) for line in station.stdout]
        finally:
            station.kill()
            station.wait(5)
            engine.kill()
            engine.wait(5)
    assert [text for text, _ in rows] == TEXTS
    for text, seconds in rows:                              # a voice's quarter second on either side is silence, not speech
        assert len(said[text]) / RATE - 0.7 < float(seconds) < len(said[text]) / RATE + 1.2
