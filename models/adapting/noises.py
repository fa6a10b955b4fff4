"""A building site made with numpy: noise kinds, and speech put into them at a stated A-weighted ratio."""

import numpy as np

from models.quieten import level
from models.wav import RATE

KINDS = ("engine", "drum", "wind", "hiss", "babble")


def noise(kind: str, samples: int, dice: np.random.Generator, talk: list[np.ndarray]) -> np.ndarray:
    """`samples` of one kind of noise at any level. talk: clean sentences, of which babble is mixed."""
    if kind == "babble":
        sound = np.zeros(samples)
        for said in dice.choice(len(talk), 6):
            voice = talk[said]
            sound += np.resize(np.concatenate([voice, np.zeros(RATE // 3)]), samples) * dice.uniform(0.3, 1)
        return np.roll(sound, dice.integers(samples))
    slope = {"engine": 1.0, "drum": 0.7, "wind": 1.5, "hiss": 0.1}[kind]
    sound = _sloped(samples, slope + dice.uniform(-0.1, 0.2), dice)
    time = np.arange(samples) / RATE
    if kind == "engine":                            # firing strokes of an idling diesel, and their overtones
        beat = dice.uniform(18, 45) * (time + 0.01 * np.sin(2 * np.pi * dice.uniform(0.3, 1) * time))
        tones = sum(np.sin(2 * np.pi * n * beat + dice.uniform(0, 6)) / n ** dice.uniform(0.3, 0.8)
                    for n in range(1, 40))
        return sound / sound.std() + dice.uniform(0.5, 2) * tones / tones.std()
    swing = {"drum": dice.uniform(2, 6), "wind": dice.uniform(0.3, 1), "hiss": 0.1}[kind]
    return sound * (1 + 0.7 * np.sin(2 * np.pi * swing * time + dice.uniform(0, 6)))


def in_noise(sound: np.ndarray, noise_sound: np.ndarray, snr_db: float) -> np.ndarray:
    """`sound` plus the noise, `snr_db` below its spoken parts, both weighed as the ear hears (A-weighting)."""
    frames = level(heard(sound))
    spoken = np.sqrt((frames[frames > frames.max() * 0.05] ** 2).mean())
    gain = spoken / max(np.sqrt((heard(noise_sound) ** 2).mean()), 1e-9) * 10 ** (-snr_db / 20)
    return (sound + gain * noise_sound).astype(np.float32)


def heard(sound: np.ndarray) -> np.ndarray:
    """A-weighted. Curve: IEC 61672's formula, from memory."""
    f2 = np.fft.rfftfreq(len(sound), 1 / RATE) ** 2
    curve = 12194**2 * f2**2 / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194**2))
    return np.fft.irfft(np.fft.rfft(sound) * curve * 1.26, len(sound))


def _sloped(samples: int, slope: float, dice: np.random.Generator) -> np.ndarray:
    spectrum = np.fft.rfft(dice.standard_normal(samples))
    return np.fft.irfft(spectrum / np.maximum(np.arange(len(spectrum)), 20 * samples / RATE) ** slope, samples)
