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
    "settled": ((1175, 60, 60), (1175, 60, 0)),
    "in_band": ((880, 60, 60), (1320, 240, 0)),
    "tap_first": ((1760, 200, 0),),
    "tap": ((1320, 70, 0),),
    "tap_end": ((1320, 70, 60), (880, 450, 0)),
    "mark": ((988, 120, 100), (988, 120, 100), (988, 120, 0)),
    "count": ((1568, 30, 30), (1568, 30, 0)),
    "refused": ((620, 220, 90), (620, 220, 0)),
    "key_click": ((1976, 15, 0),),
    "erase": ((1480, 40, 30), (740, 90, 0)),
    "before_words": ((1480, 25, 60),),
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

OF_A_TEST = ("in_band", "settled", "tap_first", "tap", "tap_end", "mark", "count", "refused")
"""What a test is worked by without a look at the screen, in about its order."""
TOLD: dict[str, tuple[str, str]] = {
    "in_band": ("the charge is in its band", "dit daah, rising"),
    "settled": ("settled: read it now", "dit dit"),
    "tap_first": ("the first blow", "one firm tone"),
    "tap": ("a blow", "one short beat"),
    "tap_end": ("the blows are over, hold on", "dit daaaah, falling"),
    "mark": ("so much of a hold is over, or all of it", "three even tones"),
    "count": ("a hold's last seconds, one each", "a quick double tick"),
    "refused": ("wrong, or not taken: listen", "two long low tones"),
    "key_click": ("a key was pressed", "a tick"),
    "digit_5": ("a digit was keyed, each with tones of its own", "a telephone's key"),
    "erase": ("the last digit is erased", "a short step down"),
    "before_words": ("words follow", "a tick, and a breath"),
}
"""What each means, as it is said before it, and what it sounds like. One digit stands for all."""


def table() -> str:
    """The same as a Markdown table, for people."""
    return "\n".join(["| It means | It sounds like | Hear it |", "|---|---|---|",
                      *(f"| {means} | {sounds} | `bowlside sounds {name}` |" for name, (means, sounds) in TOLD.items())])


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


if __name__ == "__main__":
    print(table())
