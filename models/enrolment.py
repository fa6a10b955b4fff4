"""Fits the last layer of the station's own network to one technician's voice, on the station itself, with numpy alone.

Everything below the last layer stays, so what it gives for each moment is computed once. Then in turn: which moment belongs to
which sound (models/ctc.py), and some steps of the layer towards that, held back towards the shipped one; what other voices say,
in all words of the station, it must go on hearing as before. Every fourth sentence takes no part: the new layer is kept only if
it hears those no worse.
"""
from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import soxr

from models import ctc
from models.network import Network, fbank, log_softmax
from models.quieten import OWN_COMFORT_DB, even_out
from models.wav import RATE

HELD_EVERY = 4
"""Each fourth sentence of the script only judges."""

FEWEST, FEWEST_HELD = 16, 5
"""Sentences without which nothing is adapted, or judged: about half of the script. Ours."""

STEPS, AIMED_EVERY = 60, 6
"""Of the layer, and after how many of them its moments are assigned anew."""

PACE = 0.004
"""Of a step of Adam (Kingma and Ba 2015, from memory), in the units of a weight."""

SHIPPED_SHARE = 0.1
"""Of what each moment should say, that is as the shipped layer says it (Yu, Yao, Su, Li and Seide 2013, from memory)."""

OTHERS_SHARE = 1.0
"""How much it counts, against the technician's own sentences, that other voices are heard as before. Without that, words that
he did not say were heard worse than by the shipped layer: DEVELOPERS.md."""

PULL = 3e-3
"""Towards the shipped layer: added to the mean loss of a moment, times the squared distance of all weights."""

NOISES_DB = (18.0, 9.0)
"""Of the copies in noise, below the voice: who only heard himself in a quiet yard would not be heard beside a mixer."""

JUDGED_DB = 10.0
"""Below the voice: the noise in which the sentences held back are heard a second time."""

MOST = 0.75
"""Of the sentences held back, right with the shipped layer: from there on one more is too much to ask. Ours."""

WAYS = 48
"""Of saying one sentence, at most, that are tried for how its words were said."""

Lexicon = Mapping[str, Sequence[Sequence[str]]]
"""Word -> its pronunciations, each a row of the network's sounds."""


class TooLittle(ValueError):
    """Too few sentences can be used. The message is one plain sentence."""


@dataclass(frozen=True)
class Said:
    """One sentence of the script as it was spoken: sound (samples,) in -1..1 at 16 kHz; held: it only judges."""

    text: str
    sound: np.ndarray
    held: bool


@dataclass(frozen=True)
class Figures:
    """Of the sentences held back, each in quiet and in noise: mean loss a sound (nats), how many of how many were right."""

    loss: float
    right: int
    of: int


@dataclass(frozen=True)
class Outcome:
    network: Network
    """With the new layer, also where it is not kept."""

    before: Figures
    after: Figures

    @property
    def kept(self) -> bool:
        """A smaller loss, and one more sentence right; no fewer where most were right before.

        A smaller loss alone is no proof where most are wrong: a layer that is merely less sure has that too, even one that
        learned from wrong words (tests/unit/test_enrolment.py).
        """
        fewest = self.before.right + (self.before.right < MOST * self.before.of)
        return self.after.loss < self.before.loss and self.after.right >= fewest


Hears = Callable[[Network], Callable[[np.ndarray], str]]
"""Makes a recogniser of a network: sound in, words out."""


def adapt(network: Network, said: Sequence[Said], lexicon: Lexicon, hears: Hears, others: Sequence[np.ndarray] = ()) -> Outcome:
    """The network with its last layer fitted to the sentences, and what those held back say of it. Raises TooLittle.

    others: sounds of other voices (samples,) in the words that the station knows: they are heard as before. The same sentences
    give the same layer: the noise is drawn from a fixed seed.
    """
    taught = [one for one in said if not one.held]
    held = [one for one in said if one.held]
    if len(taught) < FEWEST or len(held) < FEWEST_HELD:
        raise TooLittle(f"Only {len(taught)} sentences to learn from and {len(held)} to judge by can be used; {FEWEST} and "
                        f"{FEWEST_HELD} are needed. Say more of them.")
    dice = np.random.default_rng(1)
    lessons, unit_of = [], {unit: number for number, unit in enumerate(network.units)}
    for one in taught:
        units = _as_said(network, one, lexicon, unit_of)
        lessons += [(_hidden(network, sound), units) for sound in _copies(one.sound, dice)]
    kept = [_hidden(network, in_noise(sound, NOISES_DB[0], dice)) for sound in others]
    weight, bias = _fitted(network.output_weight, network.output_bias, lessons, kept)
    adapted = replace(network, output_weight=weight, output_bias=bias)
    trials = [(one.text, sound, _as_said(network, one, lexicon, unit_of)) for one in held
              for sound in (one.sound, in_noise(one.sound, JUDGED_DB, dice))]
    return Outcome(adapted, _judged(network, trials, hears), _judged(adapted, trials, hears))


def fits_best(network: Network, sound: np.ndarray, texts: Sequence[str], lexicon: Lexicon) -> str:
    """Which of the texts the sound is most likely to be: that is how a sentence skipped or mixed up is noticed, also of a
    voice that is heard badly. Not for rejecting talk that is none of them."""
    unit_of = {unit: number for number, unit in enumerate(network.units)}
    rows = [next(ways(text, lexicon, unit_of)) for text in texts]
    log_probs = network.log_probs(_features(sound))
    losses = ctc.loss(np.repeat(log_probs[None], len(rows), 0), np.full(len(rows), len(log_probs)), rows)
    return texts[int(losses.argmin())]


def ways(text: str, lexicon: Lexicon, unit_of: Mapping[str, int]) -> Iterator[list[int]]:
    """The unit numbers of each way to say the text, the first of each word first. KeyError: a word is not in the lexicon."""
    for pronounced in itertools.islice(itertools.product(*(lexicon[word] for word in text.split())), WAYS):
        yield [unit_of[sound] for word in pronounced for sound in word]


def in_noise(sound: np.ndarray, below_db: float, dice: np.random.Generator) -> np.ndarray:
    """The sound with hissing or rumbling noise so far below the louder half of it."""
    hertz = np.maximum(np.fft.rfftfreq(len(sound), 1 / RATE), 50.0)
    hiss = np.fft.irfft(np.fft.rfft(dice.standard_normal(len(sound))) * hertz ** -dice.uniform(0, 0.8), len(sound))
    power = sound**2
    voice = power[power >= np.median(power)].mean()
    return (sound + hiss * np.sqrt(voice / (hiss**2).mean()) * 10 ** (-below_db / 20)).astype(np.float32)


def _copies(sound: np.ndarray, dice: np.random.Generator) -> Iterator[np.ndarray]:
    """As said; in noise; a little faster and a little slower, so that one day's pace is not learned with the voice."""
    yield sound
    for below_db in NOISES_DB:
        yield in_noise(sound, below_db, dice)
    for pace in (0.94, 1.06):
        yield in_noise(soxr.resample(sound, RATE * pace, RATE, "HQ").astype(np.float32), NOISES_DB[0], dice)


def audible(sound: np.ndarray) -> np.ndarray:
    """The sound as the network may be given it: at one level, and never wholly silent, which it was not trained on. Without
    that, 35 of 36 recordings with digital silence around them sounded most like one and the same sentence."""
    return even_out(sound, OWN_COMFORT_DB)


def _features(sound: np.ndarray) -> np.ndarray:
    return fbank(audible(sound))


def _hidden(network: Network, sound: np.ndarray) -> np.ndarray:
    return network.hidden(_features(sound))


def _as_said(network: Network, one: Said, lexicon: Lexicon, unit_of: Mapping[str, int]) -> list[int]:
    """The units of the way to say it that the shipped network finds most likely."""
    rows = list(ways(one.text, lexicon, unit_of))
    if len(rows) == 1:
        return rows[0]
    log_probs = network.log_probs(_features(one.sound))
    return rows[int(ctc.loss(np.repeat(log_probs[None], len(rows), 0), np.full(len(rows), len(log_probs)), rows).argmin())]


def _padded(parts: Sequence[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """(items, most steps, width), and each item's steps."""
    steps = np.array([len(part) for part in parts])
    whole = np.zeros((len(parts), steps.max(), parts[0].shape[1]), np.float32)
    for row, part in zip(whole, parts, strict=True):
        row[:len(part)] = part
    return whole, steps


def _fitted(weight: np.ndarray, bias: np.ndarray, lessons: Sequence[tuple[np.ndarray, list[int]]],
            others: Sequence[np.ndarray] = ()) -> tuple[np.ndarray, np.ndarray]:
    """The last layer after STEPS of Adam on all lessons at once. others: what it sees of other voices, (steps, channels) each."""
    hidden, steps = _padded([one for one, _ in lessons])
    hidden = _with_one(hidden)                                                      # the bias is one weight more
    there = np.arange(hidden.shape[1]) < steps[:, None]
    shipped = np.concatenate([weight, bias[:, None]], 1).astype(np.float32)
    own = hidden[there]                                                             # (moments, channels + 1)
    own_before = _spoken(own, shipped)
    other = _with_one(np.concatenate(others)) if others else own[:0]
    other_before = _spoken(other, shipped)
    layer, mean, spread = shipped.copy(), np.zeros_like(shipped), np.zeros_like(shipped)
    for step in range(STEPS):
        if step % AIMED_EVERY == 0:
            losses, held = ctc.occupancy(log_softmax(hidden @ layer.T), steps, [units for _, units in lessons])
            counts = (np.isfinite(losses)[:, None] & there)[there]                  # too short for its words: no lesson
            aim = SHIPPED_SHARE * own_before + (1 - SHIPPED_SHARE) * held[there].astype(np.float32)
        slope = ((_spoken(own, layer) - aim) * counts[:, None]).T @ own / max(1, counts.sum())
        slope += OTHERS_SHARE * (_spoken(other, layer) - other_before).T @ other / max(1, len(other))
        slope += 2 * PULL * (layer - shipped)
        mean += 0.1 * (slope - mean)
        spread += 0.001 * (slope**2 - spread)
        layer -= PACE * (mean / (1 - 0.9 ** (step + 1))) / (np.sqrt(spread / (1 - 0.999 ** (step + 1))) + 1e-6)
    return layer[:, :-1].copy(), layer[:, -1].copy()


def _with_one(hidden: np.ndarray) -> np.ndarray:
    return np.concatenate([hidden, np.ones_like(hidden[..., :1])], -1)


def _spoken(hidden: np.ndarray, layer: np.ndarray) -> np.ndarray:
    """How likely each unit is at each moment."""
    return np.exp(log_softmax(hidden @ layer.T))


def _judged(network: Network, trials: Sequence[tuple[str, np.ndarray, list[int]]], hears: Hears) -> Figures:
    whole, steps = _padded([network.log_probs(_features(sound)) for _, sound, _ in trials])
    losses = ctc.loss(whole, steps, [units for *_, units in trials])
    hear = hears(network)
    right = sum(hear(sound) == text for text, sound, _ in trials)
    return Figures(float(losses.sum() / sum(len(units) for *_, units in trials)), right, len(trials))
