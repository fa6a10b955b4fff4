"""Makes speech carry over an engine: at the same peak it is louder where the ear works and the engine does not.

An idling diesel is loudest below 300 Hz, a small loudspeaker can't play that anyway, and consonants live between 1.5 and
5 kHz (from memory, no source). So: no rumble, more presence, the soft sounds raised towards the loud ones, no silence at
either end and none longer than needed within. Measured in tests/speech/test_voice_shape.py.
"""

from __future__ import annotations

import numpy as np

from hardware.voice import RATE_WPM

VERSION = 2                # part of a stored phrase's name: raise it whenever the sound changes
PEAK = 0.8                 # of full scale, at volume 100
HIGH_PASS_HZ, PRESENCE_HZ, PRESENCE_DB = 250.0, 1500.0, 8.0
WINDOW_S = 0.005           # of the level meter; the gain moves over some of them
# Levels between the floor and the loudest are pushed together by the ratio. A floor of -30 raised the dying ends of slow
# words so much that a recogniser took them for another digit.
RATIO, FLOOR_DB = 3.0, -15.0
SILENT_DB = -46.0          # below the loudest: no sound of speech
EDGE_S = 0.008             # kept at either end, faded
PAUSE_S = 0.3              # longest silence within, at 170 words a minute: espeak makes 0.65 s of a full stop


def shape(pcm: bytes, rate: int, volume: int = 100, rate_wpm: int = RATE_WPM) -> bytes:
    """16-bit mono PCM at `rate` samples a second, as the station plays it. `volume` in percent of the peak.

    Who speaks fast for those who know the words needs no long pauses; who reads out for a pen needs them all, so that they
    change with the cube of the pace: 0.16 s at 210 words a minute, 0.85 s at 120.
    """
    pause_s = PAUSE_S * (RATE_WPM / rate_wpm) ** 3
    wave = np.frombuffer(pcm, "<i2").astype(np.float32) / 32768
    if not np.abs(wave).max(initial=0.0):
        return pcm
    wave = _compressed(_equalised(_tightened(wave, rate, pause_s), rate), rate)
    return np.round(_limited(wave, rate) * (PEAK * 32767 * volume / 100)).astype("<i2").tobytes()


def _tightened(wave: np.ndarray, rate: int, pause_s: float) -> np.ndarray:
    """Without the silence around it; silences within cut down to `pause_s`."""
    loud = np.flatnonzero(np.abs(wave) > np.abs(wave).max() * 10 ** (SILENT_DB / 20))
    edge, longest = round(EDGE_S * rate), round(pause_s * rate)
    wave, loud = wave[max(0, loud[0] - edge):loud[-1] + 1 + edge].copy(), loud - max(0, loud[0] - edge)
    gaps = np.flatnonzero(np.diff(loud) > longest)
    keep = np.ones(len(wave), bool)
    for gap in gaps:
        first, last = loud[gap] + 1, loud[gap + 1]
        half = (last - first - longest) // 2
        middle = (first + last) // 2
        keep[middle - half:middle + half] = False
    wave = wave[keep]
    fade = min(edge, len(wave) // 2)
    rise = np.linspace(0, 1, fade, endpoint=False, dtype=np.float32)
    wave[:fade] *= rise
    wave[len(wave) - fade:] *= rise[::-1]
    return wave


def _equalised(wave: np.ndarray, rate: int) -> np.ndarray:
    """No phase shift: the whole phrase in one transform, padded so that nothing wraps around."""
    size = 1 << (len(wave) + rate // 20).bit_length()
    hertz = np.fft.rfftfreq(size, 1 / rate)
    high_pass = 1 / np.sqrt(1 + (HIGH_PASS_HZ / np.maximum(hertz, 1)) ** 4)
    lift = 10 ** (PRESENCE_DB / 20) - 1
    presence = 1 + lift / (1 + (PRESENCE_HZ / np.maximum(hertz, 1)) ** 4)
    return np.fft.irfft(np.fft.rfft(wave, size) * high_pass * presence, size)[:len(wave)].astype(np.float32)


def _compressed(wave: np.ndarray, rate: int) -> np.ndarray:
    step = round(WINDOW_S * rate)
    power = np.pad(wave**2, (0, -len(wave) % step)).reshape(-1, step).mean(axis=1)
    if not power.max():
        return wave
    power = np.convolve(np.pad(power, 2, "edge"), [0.1, 0.2, 0.4, 0.2, 0.1], "valid")
    level = 10 * np.log10(power / power.max() + 1e-9)
    gain_db = np.clip(level, FLOOR_DB, 0) * (1 / RATIO - 1)
    gain_db -= np.clip(FLOOR_DB - level, 0, None)      # below the floor: back down, or the noise of silence comes up
    at = (np.arange(len(gain_db)) + 0.5) * step
    return wave * 10 ** (np.interp(np.arange(len(wave)), at, gain_db) / 20).astype(np.float32)


def _limited(wave: np.ndarray, rate: int) -> np.ndarray:
    """Peaks brought to 1: short ones are bent, so that single spikes don't keep all the rest down."""
    peak = np.abs(wave).max(initial=0.0)
    if not peak:
        return wave
    knee = np.percentile(np.abs(wave[np.abs(wave) > peak / 1000]), 97)
    bent = np.tanh(wave / knee)
    return bent / np.abs(bent).max()
