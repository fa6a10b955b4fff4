"""Is it clearer beside an engine? Speech as synthesised and as shaped, at the same peak, in the same noise, to a recogniser that
never heard it and is told only that digits come (see test_read_back.py). No person listened."""

import ctypes.util
import random
from decimal import Decimal

import numpy as np
import pytest
import soxr

from assistant.core.spoken import digits
from assistant.station.pronounce import pronounce
from assistant.station.voice_out import PACE
from hardware import voice_shape
from hardware.synth_process import RATE
from hardware.voice import OWN_NAME
from models import wav
from tests.speech import yard
from tests.speech.test_read_back import decoder, understood

pytestmark = pytest.mark.skipif(ctypes.util.find_library("espeak-ng") is None,
                                reason="espeak-ng is not installed: apt install espeak-ng")
SNRS = (None, 5, 0)


@pytest.fixture(scope="module")
def said():
    """Pace in words a minute -> (words, PCM as synthesised) of 15 read-backs; straight from the child's own renderer, in a
    process of its own, since espeak must not be loaded here."""
    import json
    import subprocess
    import sys
    numbers = random.Random(11)
    texts = [pronounce(f"{digits(Decimal(f'{numbers.uniform(0.2, 59):.2f}'))}.") for _ in range(15)]
    code = ("import json, sys\nfrom hardware.synth_process import open_own\n_, render = open_own(sys.argv[1])\n"
            "for text, rate in json.load(sys.stdin):\n    print(render(text, rate).hex())")
    asked = [(text, rate) for rate in (PACE["normal"], PACE["terse"]) for text in texts]
    done = subprocess.run([sys.executable, "-c", code, OWN_NAME], input=json.dumps(asked), capture_output=True, text=True,
                          timeout=60, check=True)
    found = [(text.strip("."), bytes.fromhex(line)) for (text, _), line in zip(asked, done.stdout.split(), strict=True)]
    return {PACE["normal"]: found[:15], PACE["terse"]: found[15:]}


def at_peak(pcm: bytes) -> np.ndarray:
    wave = soxr.resample(np.frombuffer(pcm, "<i2").astype(np.float32), RATE, wav.RATE)
    return wave * (0.5 / np.abs(wave).max())


def in_diesel(wave: np.ndarray, noise_level: float | None, rng: np.random.Generator) -> np.ndarray:
    wave = np.pad(wave, 4000)
    if noise_level is None:
        return wave + 0.001 * rng.standard_normal(len(wave))   # digital silence confuses recognisers
    return wave + yard.at_level(yard.diesel(len(wave) / wav.RATE + 0.01, rng), noise_level)[:len(wave)]


@pytest.mark.parametrize("count", [7, pytest.param(15, marks=pytest.mark.long)])
def test_shaped_speech_is_louder_at_the_same_peak_and_understood_in_an_engine_s_noise(said, tmp_path, count):
    ear = decoder(tmp_path)
    right: dict[tuple[str, int, float | None], int] = {}
    gains = []
    for rate, read_backs in said.items():
        for number, (words, pcm) in enumerate(read_backs[:count]):
            plain, shaped = at_peak(pcm), at_peak(voice_shape.shape(pcm, RATE, 100, rate))
            level = yard.a_level(yard.spoken_part(plain))
            gains.append(yard.a_level(yard.spoken_part(shaped)) - level)
            for snr in SNRS:
                for name, wave in (("plain", plain), ("shaped", shaped)):
                    noisy = in_diesel(wave, None if snr is None else level - snr, np.random.default_rng(number))
                    right[name, rate, snr] = right.get((name, rate, snr), 0) + (understood(ear, noisy) == words)
    for (name, rate, snr), good in sorted(right.items(), key=str):
        print(f"{name} at {rate} words a minute, {'clean' if snr is None else f'{snr} dB'}: {good} of {count}")
    print(f"A-weighted gain at the same peak: median {np.median(gains):.1f} dB, least {min(gains):.1f}")
    assert np.median(gains) > 4
    assert right["shaped", PACE["terse"], 5] >= 0.85 * count
    assert right["shaped", PACE["normal"], None] >= 0.85 * count
    for rate in (PACE["normal"], PACE["terse"]):
        for snr in (5, 0):
            assert right["shaped", rate, snr] >= right["plain", rate, snr] + count / 5


def hum(seconds: float, level: float = 0.3) -> np.ndarray:
    return level * np.sin(2 * np.pi * 700 * np.arange(int(seconds * RATE)) / RATE)


def test_silence_at_the_ends_goes_and_within_is_cut_to_what_the_pace_needs():
    quiet = np.zeros(RATE)
    wave = np.concatenate([quiet, hum(0.5), quiet, hum(0.5), quiet])
    pcm = np.round(wave * 32767).astype("<i2").tobytes()
    for rate, pause in ((170, 0.3), (210, 0.16), (120, 0.85), (80, 1.0)):
        assert len(voice_shape.shape(pcm, RATE, 100, rate)) / 2 / RATE == pytest.approx(1 + pause, abs=0.05)


def test_volume_scales_silence_stays_silent_and_nothing_clips():
    pcm = np.round(hum(0.5) * 32767).astype("<i2").tobytes()
    peak = {volume: np.abs(np.frombuffer(voice_shape.shape(pcm, RATE, volume), "<i2").astype(int)).max()
            for volume in (0, 50, 100)}
    assert peak[0] == 0
    assert peak[50] == pytest.approx(peak[100] / 2, abs=2)
    assert peak[100] == pytest.approx(0.8 * 32767, abs=2)
    assert voice_shape.shape(bytes(2000), RATE) == bytes(2000)
    assert voice_shape.shape(b"", RATE) == b""


@pytest.mark.parametrize("samples", [1, 2, 50, 111, 400])
def test_the_shortest_sounds_survive(samples):
    shaped = np.frombuffer(voice_shape.shape(np.full(samples, 9000, "<i2").tobytes(), RATE), "<i2")
    assert len(shaped) == samples
