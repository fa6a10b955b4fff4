"""The station's own speech model as it ships: it loads, decodes three times, hears readings, and says why another does not do."""
from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from assistant.core.expect import Expect
from models import locate
from models.grammar import UNKNOWN
from models.own_engine import PACES, OwnEngine
from models.vote import OWN, Decoding
from models.wav import RATE
from tests.speech.voices import noise, speak

READING = Expect("reading", places=2)


@pytest.fixture(scope="module")
def engine(tmp_path_factory) -> OwnEngine:
    return OwnEngine(locate.SHIPPED, cache=tmp_path_factory.mktemp("strict"))


@pytest.fixture
def copy(tmp_path) -> Path:
    return Path(shutil.copytree(locate.SHIPPED, tmp_path / "own"))


def without(folder: Path, word: str) -> Path:
    path = folder / "graph/words.txt"
    lines = path.read_text("utf-8").splitlines()
    kept = [line for line in lines if line.split()[0] != word]
    assert len(kept) == len(lines) - 1
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    return folder


def test_it_has_nothing_to_tell(engine):
    assert engine.name == OWN and engine.sentences == []


def test_three_decodings_by_the_own_model_each_made_only_as_asked_for(engine, monkeypatch):
    lengths = []
    monkeypatch.setattr(engine._engine, "hear_strictly", lambda sound: lengths.append(len(sound)) or "next")
    decodings = engine.decodings(noise("pink", 2.0, 1), READING)
    assert lengths == [] and next(decodings) == Decoding("next", OWN) and lengths == [2 * RATE]
    assert list(decodings) == [Decoding("next", OWN)] * 2
    assert len(PACES) == 3 and lengths[1:] == [pytest.approx(2 * RATE / pace, rel=0.01) for pace in PACES[1:]]


@pytest.mark.parametrize("voice, text", [("flite rms", "seven point two five"), ("flite slt", "thirty one point eight one"),
                                         ("espeak-ng en-us", "fourteen point five"), ("flite slt", "say again"),
                                         ("espeak-ng en-gb", "take it back")])
def test_it_hears_what_programs_say(engine, voice, text):
    heard = [decoding.text for decoding in engine.decodings(speak(voice, text), READING)]
    assert heard.count(text) >= 2


def test_near_and_far_are_made_equally_loud(engine, monkeypatch):
    sounds = []
    monkeypatch.setattr(engine._engine, "hear_strictly", lambda sound: sounds.append(sound) or "")
    said = speak("flite rms", "seven point two five")
    for gain in (0.05, 1.0):
        list(engine.decodings(gain * said, READING))
    near, far = np.concatenate(sounds[:3]), np.concatenate(sounds[3:])
    assert np.allclose(near, far, atol=1e-3 * np.abs(far).max())


def test_nothing_is_heard_in_silence(engine):
    assert [one.text for one in engine.decodings(np.zeros(RATE, np.float32), READING)] == [""] * 3


@pytest.mark.parametrize("word", ["seven", "scrap"])
def test_a_folder_that_lacks_a_word_is_refused_with_a_sentence(copy, word):
    with pytest.raises(RuntimeError, match=r"lacks words of the station; run the set-up again\.$"):
        OwnEngine(without(copy, word), cache=copy.parent / "cache")


def test_a_torn_network_is_a_sentence(copy):
    network = copy / locate.NETWORK
    network.write_bytes(network.read_bytes()[:1000])
    with pytest.raises(RuntimeError, match=r"can't be loaded.*install it again\.$"):
        OwnEngine(copy, cache=copy.parent / "cache")


def test_it_has_a_word_for_what_is_none(engine):
    assert engine._engine.has_unknown and UNKNOWN in (locate.SHIPPED / "graph/words.txt").read_text("utf-8").split()
