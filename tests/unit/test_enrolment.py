"""Fitting the last layer, on a made network whose sounds are tones: what is learned, what is thrown away, what is refused."""
from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pytest

from models import ctc, enrolment
from models.enrolment import Said, TooLittle, adapt, fits_best, in_noise, ways
from models.wav import RATE

UNITS = ("", "A", "B", "C", "D")
HERTZ = {"A": 400.0, "B": 700.0, "C": 1225.0, "D": 2140.0}
WORDS = {"ab": ["A", "B"], "cd": ["C", "D"], "ada": ["A", "D", "A"], "bcb": ["B", "C", "B"], "dd": ["D", "D"]}
LEXICON = {word: [tuple(sounds)] for word, sounds in WORDS.items()}
FRAME = 480
SCRIPT = [" ".join(pair) for pair in itertools.islice(itertools.product(WORDS, repeat=2), 25)] + list(WORDS)


def spoken(text: str, higher: float = 1.0, seed: int = 0) -> np.ndarray:
    """Tones of 90 ms with as much hiss between; a voice is how much higher its tones are."""
    dice = np.random.default_rng([seed, *text.encode()])
    time = np.arange(3 * FRAME) / RATE
    parts = [np.zeros(3 * FRAME)]
    for sound in (sound for word in text.split() for sound in WORDS[word]):
        parts += [0.3 * np.sin(2 * np.pi * HERTZ[sound] * higher * time + dice.uniform(0, 6)), np.zeros(3 * FRAME)]
    sound = np.concatenate(parts)
    return (sound + 0.003 * dice.standard_normal(len(sound))).astype(np.float32)


def features(sound: np.ndarray) -> np.ndarray:
    """Logarithms of the power in 24 bands of each 30 ms."""
    frames = sound[:len(sound) // FRAME * FRAME].reshape(-1, FRAME)
    power = np.abs(np.fft.rfft(frames * np.hanning(FRAME))[:, 4:100]) ** 2
    return np.log(power.reshape(len(frames), 24, 4).sum(-1) + 1e-4).astype(np.float32)


@dataclass(frozen=True)
class Tones:
    """As models.network.Network, as far as enrolment looks at it; what lies below the last layer is fixed chance."""

    output_weight: np.ndarray
    output_bias: np.ndarray
    units: tuple[str, ...] = UNITS

    def hidden(self, seen: np.ndarray) -> np.ndarray:
        return np.maximum(0, seen @ np.random.default_rng(9).normal(0, 0.1, (24, 40)).astype(np.float32))

    def log_probs(self, seen: np.ndarray) -> np.ndarray:
        scores = self.hidden(seen) @ self.output_weight.T + self.output_bias
        return enrolment.log_softmax(scores)


def hears(network: Tones):
    """The most likely of all sentences of the script."""
    return lambda sound: fits_best(network, sound, SCRIPT, LEXICON)


@pytest.fixture(scope="module", autouse=True)
def _tones():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(enrolment, "_features", features)
        yield


@pytest.fixture(scope="module")
def shipped(_tones) -> Tones:
    """Trained from nothing on a voice of its own, by the very same steps without the pull."""
    blank = Tones(np.zeros((5, 40), np.float32), np.zeros(5, np.float32))
    unit_of = {unit: number for number, unit in enumerate(UNITS)}
    lessons = [(blank.hidden(features(one)), next(ways(text, LEXICON, unit_of)))
               for text in SCRIPT for one in (spoken(text), in_noise(spoken(text), 10, np.random.default_rng(3)))]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(enrolment, "PULL", 0.0)
        patch.setattr(enrolment, "SHIPPED_SHARE", 0.0)
        patch.setattr(enrolment, "STEPS", 500)
        patch.setattr(enrolment, "PACE", 0.02)
        return Tones(*enrolment._fitted(blank.output_weight, blank.output_bias, lessons))


def sayings(higher: float, texts: list[str] = SCRIPT) -> list[Said]:
    return [Said(text, spoken(text, higher, seed=1), number % 4 == 3) for number, text in enumerate(texts)]


def right(network: Tones, higher: float) -> int:
    return sum(hears(network)(spoken(text, higher, seed=2)) == text for text in SCRIPT)


def unlikely(network: Tones, higher: float, texts: list[str]) -> float:
    """The loss of all the texts in that voice."""
    unit_of = {unit: number for number, unit in enumerate(UNITS)}
    whole, steps = enrolment._padded([network.log_probs(features(spoken(text, higher, seed=2))) for text in texts])
    return float(ctc.loss(whole, steps, [next(ways(text, LEXICON, unit_of)) for text in texts]).sum())


def test_another_voice_is_learned_and_kept(shipped):
    assert right(shipped, 1.0) > 27 > right(shipped, 1.2) + 5       # the voice is one that the shipped layer hears badly
    found = adapt(shipped, sayings(1.2), LEXICON, hears)
    assert found.kept and found.after.loss < 0.7 * found.before.loss and found.after.right > found.before.right
    assert found.before.of == found.after.of == 2 * sum(one.held for one in sayings(1.2))
    assert right(found.network, 1.2) > right(shipped, 1.2) + 5      # other recordings than those it learned from


def test_the_same_sentences_give_the_same_layer(shipped):
    once, again = (adapt(shipped, sayings(1.2), LEXICON, hears) for _ in range(2))
    assert np.array_equal(once.network.output_weight, again.network.output_weight)


@pytest.mark.parametrize("higher", [1.0, 1.2])
def test_wrong_words_are_thrown_away(shipped, higher):
    """Each sentence labelled as the one seven further on; those held back are as they should be."""
    said = sayings(higher)
    wrong = [one if one.held else Said(SCRIPT[(number + 7) % len(SCRIPT)], one.sound, False) for number, one in enumerate(said)]
    found = adapt(shipped, wrong, LEXICON, hears)
    assert not found.kept
    assert found.after.right <= found.before.right and (higher > 1 or found.after.loss > found.before.loss)


def test_a_voice_that_is_heard_well_loses_nothing(shipped):
    found = adapt(shipped, sayings(1.0), LEXICON, hears)
    assert not found.kept or right(found.network, 1.0) >= right(shipped, 1.0)


def test_what_other_voices_say_is_heard_as_before(shipped):
    """A technician whose sentences leave out a sound altogether: for others it must not be lost."""
    said = [one for one in sayings(1.2) if "d" not in one.text] * 5
    said = [Said(one.text, one.sound, number % 4 == 3) for number, one in enumerate(said)]
    others = [spoken(text, 1.0, seed=5) for text in SCRIPT]
    forgot, remembers = (adapt(shipped, said, LEXICON, hears, among).network for among in ((), others))
    left_out = [text for text in SCRIPT if "d" in text]
    before, without, after = (unlikely(network, 1.05, left_out) for network in (shipped, forgot, remembers))
    assert before < after and after - before < 0.6 * (without - before)
    learned = [text for text in SCRIPT if "d" not in text]
    assert unlikely(remembers, 1.2, learned) < unlikely(shipped, 1.2, learned)


def test_kept_only_if_neither_figure_is_worse_and_it_shows(shipped):
    better, worse = enrolment.Figures(0.2, 9, 10), enrolment.Figures(0.3, 8, 10)
    assert enrolment.Outcome(shipped, worse, enrolment.Figures(0.2, 8, 10)).kept             # most were right already
    assert not enrolment.Outcome(shipped, enrolment.Figures(0.3, 4, 10), enrolment.Figures(0.2, 4, 10)).kept
    assert enrolment.Outcome(shipped, enrolment.Figures(0.3, 4, 10), enrolment.Figures(0.2, 5, 10)).kept
    assert enrolment.Outcome(shipped, worse, better).kept
    assert not enrolment.Outcome(shipped, better, worse).kept
    assert not enrolment.Outcome(shipped, better, better).kept
    assert not enrolment.Outcome(shipped, better, enrolment.Figures(0.1, 8, 10)).kept       # fewer sentences right
    assert not enrolment.Outcome(shipped, worse, enrolment.Figures(0.4, 10, 10)).kept       # less likely


def test_too_few_sentences_say_how_many(shipped):
    with pytest.raises(TooLittle, match="Only 9 sentences to learn from and 3 to judge by"):
        adapt(shipped, sayings(1.0)[:12], LEXICON, hears)


def test_a_sentence_too_short_for_its_words_is_no_lesson(shipped):
    said = sayings(1.2)
    said[0] = Said("ada ada", spoken("ab", 1.2)[:3 * FRAME], False)
    assert np.isfinite(adapt(shipped, said, LEXICON, hears).network.output_weight).all()


def test_a_sentence_mixed_up_is_noticed(shipped):
    assert fits_best(shipped, spoken("ab dd"), SCRIPT, LEXICON) == "ab dd"
    assert fits_best(shipped, spoken("cd"), ["ab dd", "cd", "ada"], LEXICON) == "cd"


def test_how_a_word_was_said_is_found_not_assumed(shipped):
    two = {**LEXICON, "cd": [("A", "B"), ("C", "D")]}
    unit_of = {unit: number for number, unit in enumerate(UNITS)}
    assert list(ways("cd", two, unit_of)) == [[1, 2], [3, 4]]
    assert enrolment._as_said(shipped, Said("cd", spoken("cd"), False), two, unit_of) == [3, 4]


def test_noise_is_as_far_below_the_voice_as_asked():
    sound = spoken("ab cd ada")
    loud = sound**2 >= np.median(sound**2)
    for below in (3.0, 12.0):
        noise = in_noise(sound, below, np.random.default_rng(0)) - sound
        assert 10 * np.log10((sound[loud]**2).mean() / (noise**2).mean()) == pytest.approx(below, abs=0.3)


def test_the_pull_keeps_the_layer_near(shipped, monkeypatch):
    moved = []
    for pull in (1e-3, 1e-1, 10.0):
        monkeypatch.setattr(enrolment, "PULL", pull)
        weight = adapt(shipped, sayings(1.2), LEXICON, hears).network.output_weight
        moved.append(float(np.abs(weight - shipped.output_weight).sum()))
    assert moved[0] > moved[1] > moved[2]


def test_the_layer_of_adam_goes_down_hill(shipped):
    unit_of = {unit: number for number, unit in enumerate(UNITS)}
    lessons = [(shipped.hidden(features(one.sound)), next(ways(one.text, LEXICON, unit_of))) for one in sayings(1.2)]

    def total(weight, bias):
        whole, steps = enrolment._padded([hidden @ weight.T + bias for hidden, _ in lessons])
        return ctc.loss(enrolment.log_softmax(whole), steps, [units for _, units in lessons]).sum()

    assert total(*enrolment._fitted(shipped.output_weight, shipped.output_bias, lessons)) < 0.7 * total(
        shipped.output_weight, shipped.output_bias)


def test_no_moment_given_to_the_network_is_wholly_silent():
    """A recording may hold digital silence; the network was never trained on that."""
    recorded = np.concatenate([np.zeros(RATE, np.float32), spoken("ab"), np.zeros(RATE, np.float32)])
    frames = enrolment.audible(recorded)[:len(recorded) // 400 * 400].reshape(-1, 400)
    assert frames.std(axis=1).min() > 1e-3 * frames.std(axis=1).max()
