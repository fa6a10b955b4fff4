"""How loud, how noisy, how clean: what can be said of a microphone's sound by measuring it.

All levels are dB below full scale, where 0 dB is the power of samples that all stand at full scale (a full-scale sine has -3).
Loudness is A-weighted, so that the rumble of an engine, which no recogniser listens to, does not count as noise; the curve is
IEC 61672-1 annex E, its formula from memory. Thresholds without a source are ours, with the reason beside them.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.wav import RATE

FRAME_S = 0.02
FRAME = int(RATE * FRAME_S)
WINDOW = 2 * FRAME
"""Samples that each frame is judged by: itself and the one before, under a Hann window, so that a strong low tone does not
leak into the voice's bands."""

_HANN = np.hanning(WINDOW + 1)[:-1]
_SCALE = 2 / (WINDOW * (_HANN**2).sum())
"""From |rfft|**2 to power: both halves of the spectrum, the window's own loss."""
HERTZ = np.fft.rfftfreq(WINDOW, 1 / RATE)

GOOD_SNR_DB, POOR_SNR_DB = 15.0, 8.0
"""At 20 and 10 dB the recogniser here loses little (field measurements of the project, see README); at 15 a word more said
softly still stands clear. Below 8 its first hearing fails in more than one reading of two."""
TOO_QUIET_DB = -45.0
"""A voice below this has cheap inputs' own hiss, about -65 dB (from memory), less than 20 dB under it."""
TOO_LOUD_DB = -9.0
"""Spoken peaks stand 12 to 15 dB over the level of the words (measured on the synthetic voices of tests/speech): above this
they clip."""
CLIPPED_AT = 0.985
"""Of full scale, either side: samples beyond it are taken for clipped."""
CLIPPED_SHARE = 0.002
"""Of the samples while somebody speaks: one in 500 is a flat top in every few periods of the voice. Ours."""
SILENT_DB = -85.0
"""No room and no amplifier is so quiet: the microphone is switched off, or its plug carries nothing. One step of 16 bits is
-90 dB."""
STUCK_S = 5.0
"""Samples that don't change for so long are no sound, whatever value they stand at; gates of headsets close for shorter."""
OFFSET_DB = -30.0
"""A constant share of the signal as big as a voice takes its headroom away."""
HUM_SHARE, HUM_DB = 0.5, -55.0
"""Hum is told where half of what lies between 40 and 500 Hz stands in the mains' own lines, and is loud enough to matter."""
CANCEL_DB = 12.0
"""Two channels whose sum is so much below the louder one cancel: wired in opposite sense."""


def _a_weight(hertz: np.ndarray) -> np.ndarray:
    """Power factor at each frequency; 1 at 1000 Hz."""
    f2 = hertz**2
    curve = 12194.0**2 * f2**2 / ((f2 + 20.6**2) * np.sqrt((f2 + 107.7**2) * (f2 + 737.9**2)) * (f2 + 12194.0**2))
    return (curve * 1.2589) ** 2


_A = _a_weight(HERTZ)


def spectra(sound: np.ndarray) -> np.ndarray:
    """Power spectrum of each frame, shape (frames, 321); ``sound`` (n,) is in -1..1 and begins one frame before the first."""
    count = len(sound) // FRAME - 1
    if count < 1:
        return np.zeros((0, len(HERTZ)))
    windows = np.lib.stride_tricks.sliding_window_view(sound, WINDOW)[::FRAME][:count]
    return np.abs(np.fft.rfft(windows * _HANN)) ** 2 * _SCALE


def loudness(sound: np.ndarray) -> np.ndarray:
    """Power (not dB) of each 20 ms of ``sound``, A-weighted, shape (frames,)."""
    return spectra(np.concatenate([np.zeros(FRAME, sound.dtype), sound])) @ _A


def db(power: float | np.ndarray) -> np.ndarray:
    return 10 * np.log10(np.maximum(power, 1e-12))
