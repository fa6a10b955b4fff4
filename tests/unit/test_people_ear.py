"""The network that has heard very many people: its file, what it hears, and when it is believed."""

import shutil
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from assistant.core.expect import Expect
from models import encoder, locate, people_engine
from models.ear import FAINT, TRUST, Ear, open_ear
from models.encoder import BadModel, Encoder
from models.people_engine import Heard, PeopleEngine, meaning_of, sentences_of
from models.vote import OWN, Decoding
from models.wav import RATE
from tests.unit.test_ear import HUM, bare, spoken  # noqa: F401  a fixture

READING = Expect("reading", Decimal("1"), Decimal("40"), 2, (Decimal("6.00"), Decimal("9.00")))
SAID = "seven point two five"


class Says:
    """Stands for the network: says one thing, so surely."""

    name = "people"

    def __init__(self, text: str, share: float) -> None:
        self._heard = Heard(text, meaning_of(text) if text else None, share)

    def hear(self, sound, expect):
        return self._heard


class Seconds:
    name = OWN
    sentences: list[str] = []

    def __init__(self, *texts: str) -> None:
        self._texts, self.asked = texts, 0

    def decodings(self, sound, expect):
        for text in self._texts:
            self.asked += 1
            yield Decoding(text, OWN)


def believed(text: str, share: float, *second: str, expect: Expect = READING):
    own = Seconds(*second)
    return Ear([own], "", Says(text, share)).understand(HUM, RATE, expect), own.asked


def test_what_is_sure_enough_needs_no_other():
    understood, asked = believed(SAID, TRUST["likely"].alone)
    assert understood.accepted and understood.value == "7.25" and asked == 0


def test_in_doubt_the_other_must_hear_the_same_twice():
    share = TRUST["likely"].seconded
    assert believed(SAID, share, SAID, SAID)[0].value == "7.25"
    assert believed(SAID, share, "seven decimal two five", "", SAID)[0].accepted
    assert not believed(SAID, share, SAID, "", "")[0].accepted
    assert not believed(SAID, share)[0].accepted
    assert not believed(SAID, share - 0.01, SAID, SAID, SAID)[0].accepted


def test_a_reading_where_none_is_likely_must_be_surer():
    share = TRUST["likely"].alone
    assert not believed("eleven point two five", share)[0].accepted
    assert not believed(SAID, share, expect=replace(READING, near=None))[0].accepted
    assert not believed("eleven point two five", TRUST["reading"].alone)[0].accepted
    assert believed(SAID, TRUST["reading"].alone, expect=replace(READING, near=None))[0].accepted
    assert believed("eleven point two five", TRUST["unlikely"].alone)[0].accepted
    assert believed("eleven point two five", TRUST["unlikely"].seconded, *["eleven point two five"] * 2)[0].accepted


def test_two_readings_that_differ_are_apart():
    understood, _ = believed(SAID, 0.6, "seven point two nine", "seven point two nine")
    assert understood.apart and not understood.accepted and "digit by digit" in understood.why


def test_what_is_faint_is_nobodys_word_for_us():
    understood, asked = believed(SAID, FAINT - 0.01, SAID, SAID)
    assert understood.heard is None and not understood.accepted and asked == 0
    assert believed("", 0.0)[0].heard is None


@pytest.mark.parametrize("text, expect", [("yes", Expect("yesno")), ("take it back", READING),
                                          ("scrap the test", Expect("command"))])
def test_what_takes_or_throws_away_a_reading_must_be_the_surest(text, expect):
    assert not believed(text, 0.97, expect=expect)[0].accepted
    assert believed(text, 0.985, expect=expect)[0].accepted


def test_a_reading_that_this_step_refuses_is_told_with_its_reason():
    understood, _ = believed("fifty five point two five", 0.99)
    assert not understood.accepted and understood.value == "55.25" and "40" in understood.why


@pytest.mark.parametrize("text, meaning", [("seven point two oh", "7.2"), ("seven point two", "7.2"),
                                           ("fourteen and a half", "14.5"),
                                           ("no wrong", "no"), ("point point", None)])
def test_one_meaning_for_all_ways_to_say_it(text, meaning):
    assert meaning_of(text) == meaning


@pytest.mark.parametrize("wide", [False, True])
def test_the_sentences_of_a_meaning_are_all_its_ways(wide):
    of = sentences_of("7.2", wide)
    assert of.accepts("seven point two zero".split()) and of.accepts("seven decimal two".split())
    assert not of.accepts("seven point two five".split())
    assert sentences_of("no", wide).accepts(["negative"]) and not sentences_of("no", wide).accepts(["yes"])
    assert sentences_of("7", True).accepts(["seven"])


# --- the shipped file ------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shipped() -> PeopleEngine:
    return PeopleEngine(locate.PEOPLE)


def test_it_hears_a_synthetic_reading(shipped):
    heard = shipped.hear(np.frombuffer(spoken(SAID), "<i2").astype(np.float32) / 32768, READING)
    assert heard.meaning == "7.25" and heard.share > 0.5


def test_a_hum_and_a_hiss_are_no_words(shipped):
    hiss = np.random.default_rng(3).standard_normal(2 * RATE).astype(np.float32) * 0.05
    for sound in (hiss, np.frombuffer(HUM, "<i2").astype(np.float32) / 32768):
        assert shipped.hear(sound, READING).share < FAINT


def _copy(tmp_path):
    return shutil.copytree(locate.PEOPLE, tmp_path / "people")


def test_a_torn_file_is_told_and_the_next_best_hears(bare, monkeypatch):  # noqa: F811
    folder = _copy(bare)
    data = (folder / "encoder.npz").read_bytes()
    (folder / "encoder.npz").write_bytes(data[:len(data) // 2])
    monkeypatch.setattr(locate, "PEOPLE", folder)
    station = open_ear()
    assert station.name == "own + pocketsphinx" and "is torn" in station.sentence
    with pytest.raises(BadModel, match="can't be read"):
        Encoder(folder / "encoder.npz")


def test_a_missing_file_is_told(bare, monkeypatch):  # noqa: F811
    monkeypatch.setattr(locate, "PEOPLE", bare / "none")
    station = open_ear()
    assert station.name == "own + pocketsphinx" and "is not there" in station.sentence


def test_another_version_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(encoder, "FORM", 2)
    with pytest.raises(BadModel, match=r"another version \(form 1, here 2\)"):
        Encoder(locate.PEOPLE / "encoder.npz")


def test_a_board_that_is_too_slow_is_told():
    with pytest.raises(BadModel, match="too slow for this board"):
        PeopleEngine(locate.PEOPLE, slowest_s=0.0)


def test_a_lexicon_that_lacks_a_word_is_told(tmp_path):
    folder = _copy(tmp_path)
    (folder / "lexicon.txt").write_text("one W AH N\n")
    with pytest.raises(BadModel, match="lacks"):
        PeopleEngine(folder)


def test_its_checksum_is_the_manifests():
    assert encoder.checksum(locate.PEOPLE / people_engine.WEIGHTS) == people_engine._checksum()


def test_weights_written_and_read_are_the_same_but_for_rounding(tmp_path):
    given = {"a.weight": np.random.default_rng(1).standard_normal((4, 3, 2)).astype(np.float32), "a.bias": np.ones(4, np.float32)}
    encoder.write(tmp_path / "w.npz", given, ("blank", "A"))
    kept, units = encoder.read(tmp_path / "w.npz")
    back = encoder.weights(kept)
    assert units == ("blank", "A") and set(back) == set(given)
    assert np.abs(back["a.weight"] - given["a.weight"]).max() <= np.abs(given["a.weight"]).max() / 127
    with pytest.raises(BadModel, match="lacks a part"):
        Encoder(tmp_path / "w.npz")
