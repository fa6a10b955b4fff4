"""From clean speech to what the microphone gives: place, distance, level, and noise at a stated ratio."""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.wav import RATE
from tests.bench.hearing.noises import noise, sloped

LEAD_S, TAIL_S = 0.3, 0.55
"""Of noise before and after the words: about what the listener leaves (models/listener.py)."""

OWN_HISS_DB = 45.0
"""Where nothing else roars, the microphone's own hiss, below the spoken parts."""

PLACES = ("close", "room", "far", "clipped", "soft", "loud")
"""close: as it is said. room: a hard-walled shelter. far: arm's length and turned away. clipped: 12 dB too much gain.
soft: 30 dB too little. loud: just below clipping."""


@dataclass(frozen=True)
class Scene:
    noise: str = ""
    """A kind of noises.py; empty: none."""
    snr_db: float | None = None
    """A-weighted speech in its spoken parts over A-weighted noise; None: no noise."""
    place: str = "close"
    seed: int = 0


def in_scene(sound: np.ndarray, scene: Scene, lead_s: float = LEAD_S, tail_s: float = TAIL_S) -> np.ndarray:
    """What the microphone gives of clean `sound` there, (samples,) at 16 kHz within -1..1."""
    dice = np.random.default_rng(scene.seed)
    sound = np.concatenate([np.zeros(int(lead_s * RATE)), placed(sound, scene.place, dice), np.zeros(int(tail_s * RATE))])
    if scene.noise and scene.snr_db is not None:
        sound = mixed(sound, noise(scene.noise, len(sound), dice), scene.snr_db)
    else:
        sound = mixed(sound, sloped(len(sound), 0.2, dice), OWN_HISS_DB)
    peak = float(np.abs(sound).max(initial=1e-6))
    gain = {"clipped": 2.0 / peak, "soft": 0.02 / peak, "loud": 0.97 / peak}.get(scene.place, min(1.0, 0.9 / peak))
    return np.clip(sound * gain, -1, 1).astype(np.float32)


def placed(sound: np.ndarray, place: str, dice: np.random.Generator) -> np.ndarray:
    """Echoes and what distance takes of the high sounds; levels come after the noise."""
    if place == "room":
        return _echoing(sound, dice.uniform(0.2, 0.5), dice.uniform(-3, 6), dice)
    if place == "far":
        return _echoing(_duller(sound, dice.uniform(2500, 4000)), 0.12, 6, dice)
    return sound


def mixed(sound: np.ndarray, rough: np.ndarray, snr_db: float) -> np.ndarray:
    """`sound` plus `rough` (same shape) with the A-weighted level of the spoken parts `snr_db` over that of `rough`."""
    return sound + rough * (spoken_level(sound) / max(_rms(a_weighted(rough)), 1e-9) * 10 ** (-snr_db / 20))


def spoken_level(sound: np.ndarray) -> float:
    """Root mean square, A-weighted, of the 20 ms pieces within 25 dB of the loudest one."""
    weighted = a_weighted(sound)
    size = RATE // 50
    power = (weighted[:len(weighted) // size * size].reshape(-1, size) ** 2).mean(axis=1)
    return float(np.sqrt(power[power >= power.max() * 10**-2.5].mean()))


def a_weighted(sound: np.ndarray) -> np.ndarray:
    """As the ear weighs it. Curve: IEC 61672-1 annex E, the formula from memory."""
    f2 = np.fft.rfftfreq(len(sound), 1 / RATE) ** 2
    curve = 1.2589 * 12194.0**2 * f2**2 / (
        (f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2))
    return np.fft.irfft(np.fft.rfft(sound) * curve, len(sound))


def _rms(sound: np.ndarray) -> float:
    return float(np.sqrt((sound**2).mean()))


def _echoing(sound: np.ndarray, dies_in_s: float, direct_db: float, dice: np.random.Generator) -> np.ndarray:
    """With a tail that has fallen by 60 dB after `dies_in_s`; the direct sound is `direct_db` stronger than all echoes."""
    t = np.arange(int(dies_in_s * RATE)) / RATE
    tail = dice.standard_normal(len(t)) * 10 ** (-3 * t / dies_in_s)
    tail[:RATE // 200] = 0
    tail *= 10 ** (-direct_db / 20) / np.sqrt((tail**2).sum())
    tail[0] = 1
    size = len(sound) + len(tail)
    return np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(tail, size), size)


def _duller(sound: np.ndarray, corner_hz: float) -> np.ndarray:
    hertz = np.fft.rfftfreq(len(sound), 1 / RATE)
    return np.fft.irfft(np.fft.rfft(sound) / np.sqrt(1 + (hertz / corner_hz) ** 2), len(sound))
