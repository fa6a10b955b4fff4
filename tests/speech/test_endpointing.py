"""The cutting of utterances of spoken digits in made noise; part of tests/bench/endpointing.py, which prints the figures."""
import numpy as np
import pytest

from tests.bench.endpointing import FLOOR_DB, Words, cuts, score, stream, with_blows
from tests.speech.yard import at_level, diesel, hiss


@pytest.fixture(scope="module")
def words() -> Words:
    return Words()


@pytest.mark.parametrize("noise, voice", [
    ("diesel", "flite slt"), pytest.param("hiss", "espeak-ng en-gb", marks=pytest.mark.long)])
def test_readings_said_with_pauses_are_rarely_cut_and_never_missed_at_10_db(words, noise, voice):
    """Nine utterances, three of them with pauses. Before the bands, 4 of 10 such readings were cut."""
    sound, truth = stream(words, voice, noise, 10, np.random.default_rng(11), 9)
    found = score(truth, cuts(sound, truth))
    assert found["missed"] == [] and found["early"] == [] and found["false"] == 0 and found["joined"] == 0
    assert len(found["split"]) <= 1 and len(found["late"]) <= 1
    assert np.median(found["wait"]) < 0.9


@pytest.mark.parametrize("make", [diesel, pytest.param(hiss, marks=pytest.mark.long)])
def test_a_mallet_beside_an_engine_starts_nothing(make):
    rng = np.random.default_rng(21)
    sound = with_blows(at_level(make(30, rng), FLOOR_DB), 20, rng)
    assert len(cuts(sound, [])) <= 1
