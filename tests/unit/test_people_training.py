"""People as one more source of training: who is taken, what is placed, where words are cut, and the network that learns."""

import json
import random

import numpy as np
import pytest
import soundfile

from models.training import cut, talk, texts
from models.training.compose import JOINED, PEOPLE, SHARES, Composer, Corpus, check
from models.wav import RATE
from tests.unit.test_voice_record import put

SAMPLES = int(4.8 * RATE)
UNIT = {sound: number for number, sound in enumerate(texts.SOUNDS, 1)}


def _tone(length: int, silent: int) -> np.ndarray:
    """A sound in the middle of silence."""
    sound = np.zeros(length, np.int16)
    sound[silent:length - silent] = 8000 * np.sin(np.arange(length - 2 * silent) * 0.3)
    return sound


@pytest.fixture(scope="module")
def people(tmp_path_factory):
    folder = tmp_path_factory.mktemp("people")
    dice = random.Random(1)
    for engine, said in (("gsc", [("word", "two"), ("word", "five"), ("word", "one"), ("command", "yes"), ("talk", "marvin")]),
                         ("an4", [("reading", "two six eight"), ("spelled", "a two"), ("talk", "enter six")])):
        for number in (0, 1, 9):
            rows, clips, at = [], [], 0
            for kind, text in said:
                clips.append(_tone(dice.randint(9000, 12000), 2000))
                rows.append({"kind": kind, "text": text, "start": at, "length": len(clips[-1])})
                at += len(clips[-1])
            place = folder / engine / f"{number:04d}.json"
            place.parent.mkdir(exist_ok=True)
            place.write_text(json.dumps({"engine": engine, "number": number, "speaker": f"{engine}{number}", "held": number == 9,
                                         "clips": rows}))
            soundfile.write(place.with_suffix(".flac"), np.concatenate(clips), RATE)
    return folder


CUTS = {"an4/0000": [{"kind": "cut", "text": "six", "start": 3000, "length": 3000},
                     {"kind": "row", "text": "six eight", "start": 2990, "length": 6000}],
        "an4/0009": [{"kind": "cut", "text": "eight", "start": 3000, "length": 3000}]}


def test_a_persons_words_are_closely_cut_and_the_held_are_left_out(people):
    corpus = Corpus(people, cuts=CUTS)
    assert corpus.taken["gsc"] == corpus.taken["an4"] == 2 and set(corpus.people) == {"gsc", "an4"} <= set(PEOPLE)
    first = corpus.people["gsc"][0]
    assert set(first.words) == {"two", "five", "one", "yes", "marvin"} and len(first.clips) == 5
    whole = {clip.units: clip for clip in first.clips}
    for clips in first.words.values():
        assert clips[0].length < whole[clips[0].units].length - 2000        # most of 2000 of silence on either side
    assert set(corpus.people["an4"][0].words) == {"six"} and "eight" not in corpus.said[True]
    assert UNIT["EY"] in corpus.by_kind["an4"]["spelled"][0].units          # "a" is a letter there


def test_a_voice_that_was_given_is_taken_as_it_was_recorded(tmp_path):
    for number in (0, 9):
        put(tmp_path, f"given/{number:04d}", held=number == 9)
    check(tmp_path)
    corpus = Corpus(tmp_path)
    assert corpus.taken["given"] == 1 and set(corpus.people["given"][0].words) == {"five"}
    batch = Composer(corpus, SAMPLES, 1).batch(50)
    assert sum(map(bool, batch.units)) > 40 and set(JOINED) == set(PEOPLE) < set(SHARES)


def test_what_is_wrong_in_a_folder_of_people_is_named_before_it_is_trained_on(tmp_path):
    """All of it at once, a file a line; what programs of ours said is not asked for a licence."""
    put(tmp_path / "people", "given/0000")
    put(tmp_path / "people", "given/0001", rate=8000)
    put(tmp_path / "people", "given/0002", consent=False)
    put(tmp_path / "people", "mine/0000")
    put(tmp_path / "corpus", "espeak/0000", consent=False)
    (tmp_path / "people/mine/LICENCE").write_text("CC0 1.0")
    check(tmp_path / "corpus")
    with pytest.raises(LookupError) as refused:
        check(tmp_path / "corpus", tmp_path / "people")
    first, *wrong = str(refused.value).splitlines()
    assert first == f"{tmp_path / 'people'} can't be trained on as it is, so nothing was begun:"
    assert len(wrong) == 3 and wrong[0].startswith("given/0001.wav: has 8000 Hz")
    assert wrong[1].startswith("given/0002.json: 0002.txt, what its speaker agreed to, is not there")
    assert wrong[2].startswith("mine: is no source that training knows") and "gsc, an4, so762, given." in wrong[2]
    with pytest.raises(LookupError, match="no such folder"):
        check(tmp_path / "none")


def test_every_item_says_what_lies_in_it(people):
    corpus = Corpus(people, cuts=CUTS)
    by_place = {}
    for person in corpus.people["gsc"] + corpus.people["an4"]:
        for clip in [*person.clips, *(clip for clips in person.words.values() for clip in clips)]:
            by_place[clip.start] = clip
    batch = Composer(corpus, SAMPLES, 1).batch(400)
    silent = 0
    for item in range(400):
        placed = [by_place[start] for start, length in zip(batch.source[item], batch.length[item], strict=True) if length]
        assert batch.units[item] == [unit for clip in placed for unit in clip.units]
        silent += not placed
    assert 4 < silent < 40
    assert sum(len(one) > 6 for one in batch.units) > 60


def test_items_of_half_a_second_are_filled_too(people):
    batch = Composer(Corpus(people), int(1.6 * RATE), 1).batch(200)
    assert sum(not units for units in batch.units) < 40 and (batch.total <= 1.6 * RATE).all()


def test_the_best_moments_are_where_the_sounds_are_loud():
    logs = np.full((9, 4), np.log(0.05))
    for step, unit in enumerate((0, 1, 1, 0, 2, 0, 2, 3, 0)):
        logs[step, unit] = np.log(0.85)
    assert cut.best_moments(logs, [1, 2, 2, 3]) == [(1, 2), (4, 4), (6, 6), (7, 7)]
    assert cut.best_moments(logs[:3], [2, 2]) is not None and cut.best_moments(logs[:2], [2, 2]) is None


def test_a_cut_lies_where_it_is_quietest():
    sound = np.concatenate([_tone(8000, 500), _tone(8000, 500)]).astype(np.float32) / 32768
    units = [UNIT[one] for word in ("two", "six") for one in texts.dictionary()[word]]
    logs = np.full((50, 40), np.log(0.001))
    logs[:, 0] = np.log(0.96)
    for step, unit in zip((5, 12, 30, 36, 40, 45), units, strict=True):
        logs[step, unit] = np.log(0.97)
    made = cut.pieces(sound, "two six", logs)
    assert [(piece["kind"], piece["text"]) for piece in made] == [("cut", "two"), ("cut", "six")]
    assert abs(made[0]["length"] - 8000) < 700 and made[1]["start"] == made[0]["length"]
    assert cut.pieces(sound, "nine nine", logs) == []                # that is not what was said


def test_talk_follows_the_sentences_it_was_taken_from():
    table = talk.follows(["see see see", "no such wordzzz"])
    assert np.exp(table[:, 1:]).sum(1) == pytest.approx(1, abs=1e-5)
    assert table[UNIT["S"]].argmax() == UNIT["IY"] and table[0].argmax() == UNIT["S"]


def test_torch_and_numpy_hear_the_same(tmp_path):
    torch = pytest.importorskip("torch")
    from models import encoder
    from models.training import encoder as taught

    torch.manual_seed(1)
    network = taught.Encoder(1).eval()
    weights = {name: value.numpy() for name, value in network.state_dict().items()}
    encoder.write(tmp_path / "one.npz", weights, taught.UNITS)
    rounded = encoder.weights(encoder.read(tmp_path / "one.npz")[0])
    assert network.take(rounded)
    sound = torch.randn(1, RATE) * 0.1
    sound = sound / sound.abs().max() * encoder.PEAK
    with torch.no_grad():
        theirs = network(taught.LogMel()(sound))[0].log_softmax(-1).numpy()
    ours = encoder.Encoder(tmp_path / "one.npz").log_probs(sound[0].numpy())
    assert np.abs(np.exp(theirs) - np.exp(ours)).max() < 2e-3
