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
"""At 20 and 10 dB the recogniser here loses little (field measurements of the project, see models/docs/hearing.md); at 15 a word more said
softly still stands clear. Below 8 its first hearing fails in more than one reading of two."""
TOO_QUIET_DB = -45.0
"""A voice below this has cheap inputs' own hiss, about -65 dB (from memory), less than 20 dB under it."""
HEADROOM_DB = 3.0
"""Left above the loudest sample of a calm voice: over an engine people raise theirs by more than that (from memory)."""
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


A_WEIGHT = _a_weight(HERTZ)


def spectra(sound: np.ndarray) -> np.ndarray:
    """Power spectrum of each frame, shape (frames, 321); ``sound`` (n,) is in -1..1 and begins one frame before the first."""
    count = len(sound) // FRAME - 1
    if count < 1:
        return np.zeros((0, len(HERTZ)))
    windows = np.lib.stride_tricks.sliding_window_view(sound, WINDOW)[::FRAME][:count]
    return np.abs(np.fft.rfft(windows * _HANN)) ** 2 * _SCALE


def loudness(sound: np.ndarray) -> np.ndarray:
    """Power (not dB) of each 20 ms of ``sound``, A-weighted, shape (frames,)."""
    return spectra(np.concatenate([np.zeros(FRAME, sound.dtype), sound])) @ A_WEIGHT


def db(power: float | np.ndarray) -> np.ndarray:
    return 10 * np.log10(np.maximum(power, 1e-12))


# --- noise and voice -------------------------------------------------------------------------------------------------------

STANDS_OUT_DB = 3.0
"""Over the background: frames that are taken for voice."""
EVEN_DB, EVEN_SLOPE = 15.0, 0.29
"""Below 15 dB the softer part of a voice drowns, and the mean of what still stands out is too high: by 0.29 dB for each dB
that it reads under 15. Measured on five synthetic voices in two noises; ``tests/unit/test_level.py`` checks it on others. In
noise as uneven as brown noise, 0 dB still reads as up to 7."""


@dataclass(frozen=True)
class Voice:
    """How one utterance stood over its background."""
    level_db: float
    """A-weighted, of the spoken parts alone (the background's power taken off), dB below full scale."""
    snr_db: float
    """Over the background."""
    peak_db: float
    """Its loudest sample, dB below full scale."""
    seconds: float
    """In which it stands within 15 dB of its loudest moment: a word does for 0.16 s or more, a blow for less than 0.1."""
    clipped: float
    """Share of the samples in its loud frames that stand at full scale, 0 to 1."""


def background(power: np.ndarray) -> float:
    """Mean power of the frames in which nobody speaks and nothing strikes: those within 6 dB of the quieter third."""
    if not len(power):
        return 1e-12
    return max(float(power[power <= 4 * np.percentile(power, 30)].mean()), 1e-12)


def voice(sound: np.ndarray, floor: float) -> Voice | None:
    """An utterance over the background power ``floor`` heard before it; None where nothing stands out."""
    power = loudness(sound)
    loud = power > floor * 10 ** (STANDS_OUT_DB / 10)
    if loud.sum() * FRAME_S < 0.06:
        return None
    spoken = float(db(power[loud].mean() - floor))
    spoken -= EVEN_SLOPE * max(0.0, EVEN_DB - (spoken - float(db(floor))))
    frames = sound[:len(loud) * FRAME].reshape(-1, FRAME)
    peak = float(db(float(np.abs(sound).max()) ** 2))
    return Voice(spoken, spoken - float(db(floor)), peak,
                 float((power > power.max() / 32).sum() * FRAME_S), clipped(frames[loud]))


# --- faults ----------------------------------------------------------------------------------------------------------------

def clipped(sound: np.ndarray) -> float:
    """Share of samples that stand at full scale, 0 to 1."""
    return float((np.abs(sound) >= CLIPPED_AT).mean()) if sound.size else 0.0


def offset_db(sound: np.ndarray) -> float:
    """The constant part, dB below full scale."""
    return float(db(float(sound.mean()) ** 2)) if len(sound) else -120.0


def is_silent(sound: np.ndarray) -> bool:
    """Switched off, unplugged or stuck: without its constant part, nothing is left."""
    return not len(sound) or float(db(sound.astype(np.float64).var())) < SILENT_DB


def hum_hertz(sound: np.ndarray) -> int:
    """50 or 60 where the mains hums in ``sound`` (at least 2 s, nobody speaking), else 0.

    An engine has lines too, but they wander; the mains' stand within a fifth of a hertz.
    """
    if len(sound) < 2 * RATE:
        return 0
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)))) ** 2
    power *= 2 / (len(sound) * (np.hanning(len(sound)) ** 2).sum())
    hertz = np.fft.rfftfreq(len(sound), 1 / RATE)
    low = power[(hertz >= 40) & (hertz <= 500)].sum()
    for mains in (50, 60):
        width = max(0.2, 3 * RATE / len(sound))
        near = np.abs(hertz - mains * np.round(hertz / mains)) <= width
        lines = power[near & (hertz >= 40) & (hertz <= 500)].sum()
        share = near[(hertz >= 40) & (hertz <= 500)].mean()   # what even noise would have there
        if lines / (low + 1e-12) > HUM_SHARE + share and db(lines) > HUM_DB:
            return mains
    return 0


def channels_cancel(left: np.ndarray, right: np.ndarray) -> bool:
    """Two channels wired in opposite sense: their mean, which is what a mono recording takes, is all but gone."""
    louder = max(left.astype(np.float64).var(), right.astype(np.float64).var())
    both = ((left + right) / 2).astype(np.float64).var()
    return bool(db(louder) > SILENT_DB + CANCEL_DB and db(both) < db(louder) - CANCEL_DB)
