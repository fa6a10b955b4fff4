"""The station's short sounds. Each has a rhythm of its own, so that they differ for a person who cannot tell
pitches apart or hears them through ear defenders.

The patterns are our own choice. 600-2000 Hz carries best through ear defenders and engine noise (from
memory, no source).
"""

from __future__ import annotations

import numpy as np

RATE = 22050
PEAK = 0.5                 # of full scale: -6 dBFS, so that a cue over speech seldom clips
EDGE_S = 0.005             # raised-cosine rise and fall: no click

# name: tones one after another, (hertz, sounding ms, silence after ms)
PATTERNS: dict[str, tuple[tuple[int, int, int], ...]] = {
    "settled": ((1175, 60, 60), (1175, 60, 0)),                              # dit dit
    "in_band": ((880, 60, 60), (1320, 240, 0)),                              # dit daah, rising
    "tap_first": ((1760, 200, 0),),                                          # one firm tone: the single blow
    "tap": ((1320, 70, 0),),                                                 # one short beat
    "tap_end": ((1320, 70, 60), (880, 450, 0)),                              # dit daaaah, falling
    "mark": ((988, 120, 100), (988, 120, 100), (988, 120, 0)),               # three even tones
    "count": ((1568, 30, 30), (1568, 30, 0)),                                # a quick double tick
    "refused": ((620, 220, 90), (620, 220, 0)),                              # two long low tones
    "key_click": ((1976, 15, 0),),                                           # a tick under the finger
    "erase": ((1480, 40, 30), (740, 90, 0)),                                 # a short step down: the last digit is gone
    "before_words": ((1480, 25, 60),),                                       # a tick, and a breath before the words
    "attention": ((988, 80, 60), (988, 80, 60), (1480, 300, 0)),             # dit dit daah
}

KEY_TONES: dict[str, tuple[int, int]] = {
    **{f"digit_{digit}": pair for digit, pair in zip("1234567890", (
        (697, 1209), (697, 1336), (697, 1477), (770, 1209), (770, 1336), (770, 1477), (852, 1209), (852, 1336), (852, 1477),
        (941, 1336)), strict=True)},
    "point": (941, 1209),
}
"""What a digit under the finger sounds like: the two tones of that key on a telephone, ITU-T Q.23. All have one
length: ten digits can't have ten short rhythms. They say that a digit was taken, and a wrong one may be noticed; the read-back
says which."""
KEY_TONE_S = 0.07
"""A telephone exchange must know a tone of 40 ms (ITU-T Q.24, from memory); this is a little more."""
NAMES = (*PATTERNS, *KEY_TONES)


def render(name: str, rate: int = RATE) -> bytes:
    """16-bit signed mono PCM of a cue at `rate` samples a second; its first sample is the moment of the beat.
    KeyError for an unknown name."""
    if name in KEY_TONES:
        low, high = (_sine(hertz, KEY_TONE_S, rate) for hertz in KEY_TONES[name])
        return _pcm(_edged((low + high) / 2, rate))
    parts = []
    for hertz, on_ms, off_ms in PATTERNS[name]:
        parts += [_tone(hertz, on_ms / 1000, rate), np.zeros(round(rate * off_ms / 1000))]
    return _pcm(np.concatenate(parts))


def _pcm(wave: np.ndarray) -> bytes:
    return np.round(wave * PEAK * 32767).astype("<i2").tobytes()


def _sine(hertz: int, length_s: float, rate: int) -> np.ndarray:
    return np.sin(2 * np.pi * hertz * np.arange(round(length_s * rate)) / rate)


def _tone(hertz: int, length_s: float, rate: int) -> np.ndarray:
    # A third harmonic makes a small loudspeaker audible over an engine; the sum stays below 1.
    return _edged(0.8 * _sine(hertz, length_s, rate) + 0.2 * _sine(3 * hertz, length_s, rate), rate)


def _edged(wave: np.ndarray, rate: int) -> np.ndarray:
    edge = min(round(EDGE_S * rate), len(wave) // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    wave[:edge] *= rise
    wave[len(wave) - edge:] *= rise[::-1]
    return wave
