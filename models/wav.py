"""WAV files in, the recogniser's 16 kHz sound out."""

import wave
from pathlib import Path

import numpy as np
import soxr

RATE = 16000
"""Samples a second that every recogniser here works at."""

RATES = (8000, 16000, 22050, 44100, 48000)
LONGEST_S = 60
"""A reading takes three seconds; a minute of sound is a mistake, and would block the station."""


class BadSound(ValueError):
    """A sound that can't be used. The message is a sentence: what, where, what to do."""


def read(path: str | Path) -> tuple[bytes, int]:
    """16-bit mono samples (little-endian) of a WAV file and its rate in Hz. Raises BadSound."""
    path = Path(path)
    if not path.is_file():
        raise BadSound(f"{path}: there is no such file; check the name.")
    try:
        with wave.open(str(path), "rb") as sound:
            channels, width, rate = sound.getnchannels(), sound.getsampwidth(), sound.getframerate()
            pcm = sound.readframes(sound.getnframes())
    except (wave.Error, EOFError):
        raise BadSound(f"{path}: not a PCM WAV file; record it again as 16-bit mono WAV.") from None
    except OSError as error:
        raise BadSound(f"{path}: can't be read ({error.strerror}); check its permissions.") from None
    if channels != 1:
        raise BadSound(f"{path}: has {channels} channels; give a mono recording.")
    if width != 2:
        raise BadSound(f"{path}: has {8 * width}-bit samples; give 16-bit ones.")
    if rate not in RATES:
        raise BadSound(f"{path}: is at {rate} Hz; give one of {', '.join(map(str, RATES))} Hz.")
    if len(pcm) < 2:
        raise BadSound(f"{path}: holds no sound; record it again.")
    if len(pcm) > LONGEST_S * rate * 2:
        raise BadSound(f"{path}: is longer than {LONGEST_S} seconds; give one utterance.")
    return pcm[:len(pcm) // 2 * 2], rate


def to_sound(pcm: bytes, rate: int) -> np.ndarray:
    """Float samples (n,) in -1..1 at RATE from 16-bit mono little-endian `pcm` at `rate` Hz."""
    sound = np.frombuffer(pcm, "<i2").astype(np.float32) / 32768
    return sound if rate == RATE else soxr.resample(sound, rate, RATE, "HQ").astype(np.float32)


def to_pcm(sound: np.ndarray) -> bytes:
    """The way back: 16-bit samples, clipped."""
    return (np.clip(sound, -1, 1) * 32767).round().astype("<i2").tobytes()
