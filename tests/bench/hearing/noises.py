"""Noise of a site, made from numbers: no recording, no sample of anybody's machine.

What each is like is from memory, no source. Every kind is drawn anew for every clip: its pitch, its pace, its balance.
"""
from __future__ import annotations

import functools
import tomllib

import numpy as np

from models.wav import RATE
from tests.bench.hearing.voices import HERE, Saying, clean, speaking

TALK = ("can you move the truck back a bit", "we need another two buckets over here", "what time is the next load coming",
        "hold the hose for a second please", "that was a good pour yesterday", "they asked for six inches of slump",
        "seven of us are coming for lunch", "no idea where he went", "did you see the game last night",
        "put it down next to the wheelbarrow", "the pump is going to be late again", "watch your back",
        "one more and then we are done", "he said it was ten past four", "yeah that will do", "stop stop stop",
        "who has the key for the container", "is it twenty five or thirty yards", "no way I am not doing that again",
        "get the vibrator in there before it sets", "tell him to wash out over by the fence", "take it easy up there")
"""Invented talk of a site, numbers and near commands in it on purpose."""


@functools.cache
def kinds(role: str) -> tuple[str, ...]:
    """Noises of a run of this role: ``tune``, ``score`` (those that only score) or ``all``."""
    table = tomllib.loads((HERE / "speakers.toml").read_text(encoding="utf-8"))["noise"]
    return tuple(row["name"] for row in table if role in (row["role"], "all"))


def noise(kind: str, samples: int, dice: np.random.Generator) -> np.ndarray:
    """`samples` of it at 16 kHz, (samples,), at a root mean square of 0.1."""
    sound = _MAKERS[kind](samples, dice)
    return (sound * (0.1 / max(float(np.sqrt((sound**2).mean())), 1e-9))).astype(np.float32)


def sloped(samples: int, slope: float, dice: np.random.Generator, low_hz: float = 20.0) -> np.ndarray:
    """Noise whose amplitude falls as frequency to the power of -slope, above `low_hz`: 0 white, 0.5 pink, 1 brown."""
    spectrum = np.fft.rfft(dice.standard_normal(samples))
    hertz = np.fft.rfftfreq(samples, 1 / RATE)
    return _unit(np.fft.irfft(spectrum / np.maximum(hertz, low_hz) ** slope, samples))


def _unit(sound: np.ndarray) -> np.ndarray:
    return sound / max(float(sound.std()), 1e-9)


def _wander(samples: int, middle: float, by: float, dice: np.random.Generator) -> np.ndarray:
    """A slow random walk about `middle`, at most about `by` away; a knot every quarter second."""
    knots = np.arange(0, samples + RATE // 4 + 1, RATE // 4)
    walk = np.cumsum(dice.normal(0, by / 3, len(knots))).clip(-by, by)
    return middle + np.interp(np.arange(samples), knots, walk)


def _hiss(samples: int, dice: np.random.Generator) -> np.ndarray:
    return sloped(samples, dice.uniform(0.0, 0.5), dice)


def _diesel(samples: int, dice: np.random.Generator) -> np.ndarray:
    """An idling truck: harmonics of 20 to 35 firings a second, one cylinder weaker, and broad noise that breathes with them."""
    phase = 2 * np.pi * np.cumsum(_wander(samples, dice.uniform(20, 35), 1.0, dice)) / RATE
    steepness = dice.uniform(0.4, 0.9)
    hum = sum(np.sin(k * phase / 4 + dice.uniform(0, 6)) / k**steepness * (1 if k % 4 == 0 else dice.uniform(0.05, 0.3))
              for k in range(2, 120))
    breath = (0.4 + np.maximum(0, np.sin(phase)) ** 4) * sloped(samples, dice.uniform(0.3, 0.7), dice, 200)
    return _unit(hum) + dice.uniform(0.5, 1.2) * _unit(breath)


def _drum(samples: int, dice: np.random.Generator) -> np.ndarray:
    """A mixer turning: a low rumble, and wet stone falling on the fins some times a second."""
    sound = 1.2 * sloped(samples, dice.uniform(0.8, 1.1), dice, 40)
    pace = dice.uniform(3, 9)
    for at in np.cumsum(dice.exponential(1 / pace, int(samples / RATE * pace * 2) + 2)):
        length = int(dice.uniform(0.08, 0.25) * RATE)
        _add(sound, int(at * RATE),
             dice.uniform(1, 5) * sloped(length, 0.35, dice, 300) * np.exp(-np.arange(length) * 5 / length))
    return sound


def _wind(samples: int, dice: np.random.Generator) -> np.ndarray:
    """Wind at the microphone: low, in gusts."""
    gust = np.exp(_wander(samples, 0, 1.6, dice))
    return gust * (sloped(samples, dice.uniform(1.2, 1.6), dice, 30) + 0.25 * sloped(samples, 0.5, dice, 100))


def _compressor(samples: int, dice: np.random.Generator) -> np.ndarray:
    """A piston compressor: a beat of 8 to 14 a second with a whine of its motor, and a hiss of leaking air."""
    beat = 2 * np.pi * np.cumsum(_wander(samples, dice.uniform(8, 14), 0.3, dice)) / RATE
    knock = np.maximum(0, np.sin(beat)) ** 12 * sloped(samples, 0.5, dice, 80)
    tone = dice.uniform(95, 130)
    whine = sum(np.sin(2 * np.pi * tone * k * np.arange(samples) / RATE + dice.uniform(0, 6)) / k**0.5
                for k in (1, 2, 3, 4, 6, 8))
    return 2 * _unit(knock) + dice.uniform(0.5, 1) * _unit(whine) + dice.uniform(0.2, 0.7) * sloped(samples, -0.2, dice)


def _mallet(samples: int, dice: np.random.Generator) -> np.ndarray:
    """Another crew's blows on steel and boards, with a faint road behind."""
    sound = 0.05 * sloped(samples, 0.5, dice)
    at = dice.uniform(0, 0.5)
    while at < samples / RATE:
        length = int(dice.uniform(0.03, 0.12) * RATE)
        t = np.arange(length) / RATE
        ring = sum(np.sin(2 * np.pi * f * t + dice.uniform(0, 6)) for f in dice.uniform(200, 3000, 5))
        _add(sound, int(at * RATE), dice.uniform(0.4, 1) * (ring + dice.standard_normal(length)) * np.exp(-6 * t / t[-1]))
        at += dice.uniform(0.25, 1.1)
    return sound


def _add(sound: np.ndarray, at: int, what: np.ndarray) -> None:
    there = sound[at:at + len(what)]
    there += what[:len(there)]


def _babble(role: str, samples: int, dice: np.random.Generator) -> np.ndarray:
    """Four to seven people of this role talking at once."""
    people = [voice for voice in speaking(role) if voice.can_say("talk")]
    sound = np.zeros(samples)
    for _ in range(dice.integers(4, 8)):
        said = np.concatenate([clean(Saying(people[dice.integers(len(people))].name, TALK[dice.integers(len(TALK))]))
                               for _ in "ab"])
        sound += np.roll(np.resize(said, samples), dice.integers(samples)) * dice.uniform(0.3, 1)
    return sound


_MAKERS = {"hiss": _hiss, "diesel": _diesel, "drum": _drum, "wind": _wind, "compressor": _compressor, "mallet": _mallet,
           "babble": functools.partial(_babble, "tune"), "babble of others": functools.partial(_babble, "score")}
