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
    "before_words": ((1480, 25, 60),),                                       # a tick, and a breath before the words
    "attention": ((988, 80, 60), (988, 80, 60), (1480, 300, 0)),             # dit dit daah
}


def render(name: str, rate: int = RATE) -> bytes:
    """16-bit signed mono PCM of a cue at `rate` samples a second; its first sample is the moment of the beat.
    KeyError for an unknown name."""
    parts = []
    for hertz, on_ms, off_ms in PATTERNS[name]:
        parts += [_tone(hertz, on_ms / 1000, rate), np.zeros(round(rate * off_ms / 1000))]
    return np.round(np.concatenate(parts) * PEAK * 32767).astype("<i2").tobytes()


def _tone(hertz: int, length_s: float, rate: int) -> np.ndarray:
    t = np.arange(round(length_s * rate)) / rate
    # A third harmonic makes a small loudspeaker audible over an engine; the sum stays below 1.
    wave = 0.8 * np.sin(2 * np.pi * hertz * t) + 0.2 * np.sin(6 * np.pi * hertz * t)
    edge = min(round(EDGE_S * rate), len(t) // 2)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    wave[:edge] *= rise
    wave[len(t) - edge:] *= rise[::-1]
    return wave
