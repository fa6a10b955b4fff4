"""Sounds of a site, made from numbers (no recording): a diesel at idle, a mallet; and levels in dB(A) to mix them by.

What they are like is from memory, no source: an idle fires 20 to 30 times a second, its harmonics fall with frequency, each
firing lets out a breath of broad noise, the speed wanders; a mallet blow is a short burst with an instant attack.
"""
from __future__ import annotations

import numpy as np

from models.wav import RATE


def a_level(sound: np.ndarray) -> float:
    """dB(A) below full scale, the whole of it. Curve: IEC 61672-1 annex E, the formula from memory; one transform of the whole
    sound, so independent of the frame-wise measure in models/level.py."""
    f2 = np.fft.rfftfreq(len(sound), 1 / RATE) ** 2
    curve = f2**2 * 12194.0**2 / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2)) * 1.2589
    spectrum = np.fft.rfft(sound) * curve
    return float(10 * np.log10((np.abs(spectrum) ** 2).sum() * 2 / len(sound) ** 2 + 1e-20))


def spoken_part(sound: np.ndarray) -> np.ndarray:
    """Only the 10 ms pieces within 25 dB of the loudest one, joined."""
    pieces = sound[:len(sound) // 160 * 160].reshape(-1, 160)
    power = (pieces**2).mean(axis=1)
    return pieces[power > power.max() * 10**-2.5].ravel()


def at_level(sound: np.ndarray, db: float, like: np.ndarray | None = None) -> np.ndarray:
    """`sound` so that it (or the part `like` of it) has `db` dB(A) below full scale."""
    return (sound * 10 ** ((db - a_level(sound if like is None else like)) / 20)).astype(np.float32)


def hiss(seconds: float, rng: np.random.Generator) -> np.ndarray:
    """Pink-like: what wind, road and many machines far away add up to."""
    n = int(seconds * RATE)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    return np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(len(spectrum)), 1)), n).astype(np.float32)


def diesel(seconds: float, rng: np.random.Generator) -> np.ndarray:
    """An idling truck: wandering harmonics, and broad noise that breathes with each firing."""
    n = int(seconds * RATE)
    knots = np.arange(0, n + RATE // 4, RATE // 4)
    wander = np.interp(np.arange(n), knots, 26 + np.cumsum(rng.normal(0, 0.1, len(knots))).clip(-2, 2))
    phase = 2 * np.pi * np.cumsum(wander) / RATE
    hum = sum(np.sin(k * phase + rng.uniform(0, 6)) / k**0.7 for k in range(1, 40))
    breath = (0.35 + np.maximum(0, np.sin(phase)) ** 4) * rng.standard_normal(n)
    return (hum / np.std(hum) + 0.8 * breath / np.std(breath)).astype(np.float32)


def mallet(rng: np.random.Generator) -> np.ndarray:
    """One blow of 20 to 80 ms."""
    length = int(rng.uniform(0.02, 0.08) * RATE)
    t = np.arange(length) / RATE
    ring = sum(np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in rng.uniform(200, 2500, 4))
    return ((ring + rng.standard_normal(length)) * np.exp(-t * 5 / t[-1])).astype(np.float32)
