"""Voices and noises for the hearing tests: real sound from programs and recordings that are not ours.

Debian packages: flite, festival + festvox-kallpc16k (synthetic voices), espeak-ng, asterisk-core-sounds-en-wav (one
woman's recorded numbers), pocketsphinx-testdata (prose read aloud). A voice that is missing skips its test.
"""

import random
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
import pytest

from models.wav import RATE, read, to_pcm, to_sound

RECORDED = Path("/usr/share/asterisk/sounds/en_US_f_Allison")
PROSE = Path("/usr/share/pocketsphinx/test/data/librivox")
NAMES = ("zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen "
         "seventeen eighteen nineteen twenty").split()
TENS = {"thirty": 30, "forty": 40, "fifty": 50}
SYNTHETIC = ("flite kal", "flite slt", "flite rms", "flite awb", "festival kal", "espeak-ng en-us", "espeak-ng en-gb")
HUMAN = "recorded woman"


def speak(voice: str, text: str) -> np.ndarray:
    """`text` in `voice` ("program name", or HUMAN) at 16 kHz, peak 0.5, with a quarter second around it."""
    sound = _recorded(text) if voice == HUMAN else _synthetic(*voice.split(), text)
    quiet = np.zeros(RATE // 4, np.float32)
    return np.concatenate([quiet, sound * (0.5 / np.abs(sound).max()), quiet])


def noise(kind: str, seconds: float, seed: int) -> np.ndarray:
    """White, pink or brown noise at 16 kHz with a root mean square of 0.1."""
    samples = int(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(samples))
    slope = {"white": 0.0, "pink": 0.5, "brown": 1.0}[kind]
    sound = np.fft.irfft(spectrum / np.maximum(np.arange(len(spectrum)), 1) ** slope, samples)
    return (sound * (0.1 / np.sqrt((sound**2).mean()))).astype(np.float32)


def in_noise(sound: np.ndarray, kind: str, snr_db: float, seed: int) -> np.ndarray:
    """`sound` with noise `snr_db` below the power of its spoken parts."""
    power = (sound[:len(sound) // 160 * 160].reshape(-1, 160) ** 2).mean(axis=1)
    spoken = float(np.sqrt(power[power > power.max() * 0.003].mean()))
    return sound + noise(kind, len(sound) / RATE, seed)[:len(sound)] * (spoken / 0.1) * 10 ** (-snr_db / 20)


def pcm(sound: np.ndarray) -> bytes:
    return to_pcm(sound)


def prose() -> list[np.ndarray]:
    """A novel read aloud by a volunteer: talk that is neither a reading nor a command."""
    if not PROSE.is_dir():
        pytest.skip("Read prose is missing: apt install pocketsphinx-testdata.")
    return [to_sound(*read(path)) for path in sorted(PROSE.glob("*.wav"))]


def _synthetic(program: str, name: str, text: str) -> np.ndarray:
    tool = "text2wave" if program == "festival" else program
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is missing: apt install {program}.")
    with tempfile.TemporaryDirectory() as folder:
        wav = f"{folder}/said.wav"
        commands = {"flite": ["flite", "-voice", name, "-t", text, "-o", wav],
                    "festival": ["text2wave", "-o", wav, "-eval", f"(voice_{name}_diphone)"],
                    "espeak-ng": ["espeak-ng", "-v", name, "-s", "150", "-w", wav, text]}
        subprocess.run(commands[program], input=text.encode(), check=True, timeout=30, capture_output=True)
        return to_sound(*read(wav))


def _recorded(text: str) -> np.ndarray:
    """Clips of single words set side by side with 10 to 80 ms between: human sounds, but no human flow."""
    if not RECORDED.is_dir():
        pytest.skip("Recorded numbers are missing: apt install asterisk-core-sounds-en-wav.")
    gaps = random.Random(text)
    parts = []
    for word in text.split():
        parts += [_clip(word), np.zeros(int(gaps.uniform(0.01, 0.08) * RATE), np.float32)]
    return np.concatenate(parts)


def _clip(word: str) -> np.ndarray:
    if word == "point":                     # the end of "exclamation point"; there is no "point" alone
        return to_sound(*read(RECORDED / "letters/exclaimation-point.wav"))[int(0.965 * RATE):int(1.37 * RATE)]
    name = "letters/o" if word == "oh" else f"digits/{TENS.get(word) or NAMES.index(word)}"
    sound = to_sound(*read(RECORDED / f"{name}.wav"))
    loud = np.flatnonzero(np.abs(sound) > 0.01)
    return sound[max(0, loud[0] - 400):loud[-1] + 800]
