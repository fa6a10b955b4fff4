"""Can the station be understood? Its read-backs go to a recogniser that never heard it (pocketsphinx's own
English model, told only that a number of digits comes). Common practice, no source: 9 of 10 right is our own
bar."""

import ctypes.util
import random
import re
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
import soxr

from assistant.core.spoken import digits
from assistant.record.reading_out import SLOW_WPM
from assistant.station.pronounce import pronounce
from assistant.station.voice_out import PACE
from hardware.synth import Synth

pocketsphinx = pytest.importorskip("pocketsphinx", reason="pocketsphinx is missing: run the set-up again")
pytestmark = pytest.mark.skipif(ctypes.util.find_library("espeak-ng") is None,
                                reason="espeak-ng is not installed: apt install espeak-ng")
WORDS = "zero one two three four five six seven eight nine".split()


def decoder(tmp_path):
    digit = f"({' | '.join(WORDS)})"
    grammar = tmp_path / "digits.gram"
    grammar.write_text(f"#JSGF V1.0; grammar d; public <r> = {digit} [{digit}] point {digit} {digit};")
    model = Path(pocketsphinx.get_model_path()) / "en-us"
    return pocketsphinx.Decoder(hmm=str(model / "en-us"), dict=str(model / "cmudict-en-us.dict"),
                                jsgf=str(grammar), loglevel="FATAL", silprob=0.1, wip=0.01)


def understood(ear, wave: np.ndarray) -> str:
    """The words, of sound at 16 kHz within -1..1."""
    ear.start_utt()
    ear.process_raw((np.clip(wave, -1, 1) * 32767).astype("<i2").tobytes(), full_utt=True)
    ear.end_utt()
    return re.sub(r"\(\d\)", "", ear.hyp().hypstr) if ear.hyp() else ""


def heard(ear, pcm: bytes, rng) -> str:
    wave = soxr.resample(np.frombuffer(pcm, "<i2").astype(np.float32), Synth.RATE, 16000)
    wave = np.pad(wave * (0.5 / np.abs(wave).max()), 4000)
    return understood(ear, wave + 0.001 * rng.standard_normal(len(wave)))   # digital silence confuses recognisers


@pytest.mark.parametrize(("rate", "to_write"), [(PACE["normal"], False), (PACE["terse"], False), (SLOW_WPM, True)])
def test_read_backs_are_understood_by_a_stranger(tmp_path, rate, to_write):
    ear, rng, numbers = decoder(tmp_path), np.random.default_rng(3), random.Random(5)
    synth = Synth()
    try:
        wrong = []
        for _ in range(30):
            value = f"{numbers.uniform(0.2, 59):.2f}"
            said = f"{digits(Decimal(value))}."
            got = heard(ear, synth.render(pronounce(said, to_write), rate), rng)  # as the station says it
            if got != said.strip(".").replace(",", ""):
                wrong.append((value, got))
        print(f"{30 - len(wrong)} of 30; wrong: {wrong}")
        assert len(wrong) <= 3, wrong
    finally:
        synth.close()
