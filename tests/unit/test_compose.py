"""A training batch: what is placed is what is said, nobody kept apart is in it, and the seed decides."""

import copy
import json
import random

import numpy as np
import pytest
import soundfile

from models.training import texts
from models.training.compose import KINDS, SHARES, SLOTS, Composer, Corpus
from models.wav import RATE

SAMPLES = int(4.8 * RATE)
HELD_LEVEL = 30000
"""Of every sample of a speaker who is held, so that one of them in a batch is seen."""


def _speaker(folder, engine: str, number: int, held: bool) -> None:
    """Every clip has a level of its own: 10 for the first, 20 for the next."""
    rng = random.Random(f"{engine} {number}")
    rows, clips, at = [], [], 0
    for kind, text in texts.session(rng, 16, 6, 4, 4):
        length = rng.randint(3000, 9000) * (1 if kind == "word" else 4)
        rows.append({"kind": kind, "text": text, "start": at, "length": length})
        clips.append(np.full(length, HELD_LEVEL if held else 10 * len(rows), np.int16))
        at += length
    place = folder / engine / f"{number:04d}.json"
    place.parent.mkdir(exist_ok=True)
    place.write_text(json.dumps({"engine": engine, "number": number, "speaker": "slt", "held": held, "clips": rows}))
    soundfile.write(place.with_suffix(".flac"), np.concatenate(clips), RATE)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("corpus")
    for engine in ("espeak", "flite"):
        for number in (0, 1, 9):
            _speaker(made, engine, number, held=number == 9)
    return made


@pytest.fixture(scope="module")
def corpus(folder):
    return Corpus(folder)


@pytest.fixture(scope="module")
def said(folder, corpus):
    """(start, length) of a clip in the corpus -> its text."""
    found, at = {}, 0
    for path in sorted(folder.glob("*/*.json")):
        about = json.loads(path.read_text())
        if not about["held"]:
            found |= {(at + row["start"], row["length"]): row["text"] for row in about["clips"]}
            at += sum(row["length"] for row in about["clips"])
    return found


def _placed(batch, item: int) -> list[int]:
    return [slot for slot in range(SLOTS) if batch.length[item, slot]]


def test_what_is_placed_is_what_is_said(corpus, said):
    """Units and words of an item are those of its clips in their order, by the dictionary."""
    starts = {start: (length, text) for (start, length), text in said.items()}
    known, several = texts.dictionary(), 0
    numbers = {word: number for number, word in enumerate(texts.vocabulary(), 1)}
    batch = Composer(corpus, SAMPLES, 1).batch(300)
    for item in range(300):
        heard = []
        for slot in _placed(batch, item):
            length, text = starts[batch.source[item, slot]]
            heard += text.split()
            assert abs(batch.length[item, slot] * batch.rate[item, slot] - length) <= batch.rate[item, slot]
        several += len(_placed(batch, item)) > 1
        wanted = [texts.SOUNDS.index(sound) + 1 for word in heard for sound in known[word]]
        assert batch.units[item] == wanted
        assert len(batch.words[item]) == len(heard)
        for word, number in zip(heard, batch.words[item], strict=True):
            assert number == numbers.get(word, corpus.words - 1) or word in ("to", "too", "for", "won", "ate")
    assert several > 60


def test_words_that_sound_alike_are_one_word(tmp_path):
    _speaker(tmp_path, "flite", 0, held=False)
    about = json.loads((tmp_path / "flite/0000.json").read_text())
    about["clips"] = [row | {"kind": "reading", "text": text}
                      for row, text in zip(about["clips"], ("too ate", "two eight", "mixer", "won", "not.a.word"), strict=False)]
    (tmp_path / "flite/0000.json").write_text(json.dumps(about))
    corpus = Corpus(tmp_path)
    a, b, mixer, won = corpus.by_kind["flite"]["reading"]                # what the dictionary does not have is left out
    assert a.words == b.words and a.units == b.units
    assert mixer.words == (corpus.words - 1,) and won.words == (texts.vocabulary().index("one") + 1,)


def test_nothing_lies_outside_the_item(corpus):
    batch = Composer(corpus, SAMPLES, 2).batch(400)
    for item in range(400):
        placed = _placed(batch, item)
        assert placed == list(range(len(placed)))                       # no gap between the slots in use
        for slot in placed:
            at, length, rate = batch.at[item, slot], batch.length[item, slot], batch.rate[item, slot]
            assert 0 <= at and at + length <= batch.total[item] <= SAMPLES
            assert batch.source[item, slot] + length * rate <= len(corpus.sound) - 4
            assert 0.5 < rate <= 1.5
        assert RATE // 2 < batch.total[item]
        assert (batch.at[item, placed[-1] + 1 if placed else 0:] >= 10**9).all()


def test_a_clip_that_is_too_long_is_said_faster_or_left_out(folder, corpus):
    samples = 20000                                                     # readings here are 12000 to 36000 long
    batch = Composer(corpus, samples, 3).batch(300)
    assert (batch.at + batch.length)[batch.length > 0].max() <= samples
    assert (batch.rate[batch.length > 0] > 1.3).any() and batch.rate[batch.length > 0].max() <= 1.5
    assert all(bool(units) == bool(batch.length[item].any()) for item, units in enumerate(batch.units))


def test_the_same_seed_gives_the_same_items_and_another_gives_others(corpus):
    batches = [Composer(corpus, SAMPLES, seed).batch(30) for seed in (4, 4, 5)]
    for name in ("at", "length", "source", "rate", "gain", "total"):
        np.testing.assert_array_equal(getattr(batches[0], name), getattr(batches[1], name))
        assert not np.array_equal(getattr(batches[0], name), getattr(batches[2], name))
    assert batches[0].units == batches[1].units != batches[2].units


def test_who_is_held_is_never_trained_on_and_chooses_alone(folder, corpus):
    assert np.abs(corpus.sound).max() < HELD_LEVEL and corpus.taken == {**dict.fromkeys(SHARES, 0), "espeak": 2, "flite": 2}
    held = Corpus(folder, held=True)
    assert set(np.unique(held.sound)) == {0, HELD_LEVEL} and held.taken["espeak"] == 1
    batch = Composer(corpus, SAMPLES, 6).batch(200)
    for item in range(200):
        for slot in _placed(batch, item):
            start = batch.source[item, slot]
            assert np.abs(corpus.sound[start:start + batch.length[item, slot]]).max() < HELD_LEVEL


def test_engines_and_speakers_can_be_left_out(folder):
    few = Corpus(folder, engines=("flite",), speakers=1)
    assert set(few.by_kind) == {"flite"} and few.taken == {"flite": 1}
    with pytest.raises(LookupError, match="no speech"):
        Corpus(folder, engines=("joe",))


def test_the_shares_are_shares(corpus):
    assert sum(SHARES.values()) == pytest.approx(1) and sum(KINDS.values()) == pytest.approx(1)
    batch = Composer(corpus, SAMPLES, 7).batch(2000)
    silent = sum(not units for units in batch.units) / 2000
    assert 0.02 < silent < 0.07                                         # KINDS asks for 0.04


def test_the_clips_sound_where_they_are_placed(corpus):
    """The samples of the corpus, read at the clip's rate; outside the clips nothing. A sine tells every place from the next."""
    torch = pytest.importorskip("torch", reason="torch is not installed (it is only needed to train); pip install torch")
    from models.training.train import FADE, Renderer

    sine = copy.copy(corpus)
    sine.sound = (20000 * np.sin(np.arange(len(corpus.sound)) * 0.5)).astype(np.int16)
    batch = Composer(corpus, SAMPLES, 8).batch(40)
    sounds = Renderer(sine, SAMPLES, "cpu")(batch)
    assert sounds.shape == (40, SAMPLES) and torch.isfinite(sounds).all()
    for item in range(40):
        spoken = np.zeros(SAMPLES, bool)
        for slot in _placed(batch, item):
            at, length, start = (getattr(batch, name)[item, slot] for name in ("at", "length", "source"))
            before, after = slot and batch.at[item, slot - 1] + batch.length[item, slot - 1], (
                batch.at[item, slot + 1] if slot + 1 < SLOTS else SAMPLES)          # clips sound together where they overlap
            spoken[at:at + length] = True
            into = np.arange(max(FADE, before - at), min(length - FADE, after - at))            # without the fades
            place = start + into * batch.rate[item, slot]
            wanted = 20000 / 32768 * np.sin(0.5 * place) * batch.gain[item, slot]
            np.testing.assert_allclose(sounds[item, at + into].numpy(), wanted, atol=0.02)
        assert not sounds[item, ~torch.tensor(spoken)].any()
