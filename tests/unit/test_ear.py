"""What the ear makes of decodings that a stand-in gives; sound and rules are real."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from assistant.core.expect import Expect
from assistant.station import station_settings
from assistant.station.hearing import open_ear
from models import ear, locate
from models.ear import RULES, Ear, Understood
from models.vote import OWN, Decoding
from models.wav import RATE, to_pcm
from tests.speech.voices import speak


class Says:
    """Two recognisers that always agree."""

    name, sentences = "stand-in", []

    def __init__(self, text: str) -> None:
        self.text, self.asked = text, 0

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Decoding]:
        for number in range(7):
            self.asked += 1
            yield Decoding(self.text, f"recogniser {number % 2}")


def spoken(text: str) -> bytes:
    return to_pcm(speak("flite slt", text))


@pytest.mark.parametrize("text", ["yes", "scrap the test"])
def test_speech_far_longer_than_the_command_that_was_heard_is_not_that_command(text):
    short = Ear([Says(text)], "").understand(spoken(text), RATE, Expect("yesno"))
    long = Ear([Says(text)], "").understand(spoken("they asked for six inches of slump on this one here"), RATE, Expect("yesno"))
    assert short.accepted and not long.accepted and "too long" in long.why and text in long.why


def test_no_more_is_decoded_than_it_takes_to_believe():
    engine = Says("yes")
    assert Ear([engine], "").understand(spoken("yes"), RATE, Expect("yesno")).value == "yes"
    assert engine.asked == RULES["yes"].plain


def test_nothing_is_decoded_of_silence_or_while_nobody_listens():
    engine = Says("yes")
    silence = to_pcm(np.zeros(RATE, np.float32))
    assert not Ear([engine], "").understand(silence, RATE, Expect("yesno")).accepted
    assert not Ear([engine], "").understand(spoken("yes"), RATE, Expect("off")).accepted
    assert engine.asked == 0


# --- the station's own model before pocketsphinx ---------------------------------------------------------------------------

READING = Expect("reading", places=2)
HUM = to_pcm(0.1 * np.sin(np.arange(RATE) * 0.2).astype(np.float32))


class Gives:
    """Gives these texts one by one, and counts how many it was asked for."""

    sentences: list[str] = []

    def __init__(self, name: str, *texts: str) -> None:
        self.name, self.texts, self.asked = name, texts, 0

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Decoding]:
        for number, text in enumerate(self.texts):
            self.asked += 1
            yield Decoding(text, self.name if self.name == OWN else f"stock {number % 2}")


def heard(own: tuple[str, ...], other: tuple[str, ...], expect: Expect = READING) -> tuple[Understood, int]:
    """What was understood, and how much the second recogniser was asked for."""
    second = Gives("second", *other)
    return Ear([Gives(OWN, *own), second], "").understand(HUM, RATE, expect), second.asked


def test_both_must_say_it_and_no_more_is_asked_than_that_takes():
    understood, asked = heard(("seven point two five",) * 3, ("seven point two five",) * 6)
    assert understood.accepted and understood.value == "7.25" and asked == ear.WITH_OWN["reading"].plain


@pytest.mark.parametrize("own", [("", "", ""), ("seven point two five", "seven point two nine", ""),
                                 ("seven point two five", "nine", "eight"), ("point point",) * 3])
def test_where_the_own_model_is_not_sure_the_other_is_not_even_asked(own):
    understood, asked = heard(own, ("seven point two five",) * 6)
    assert not understood.accepted and not understood.apart and "Not heard clearly" in understood.why and asked == 0


def test_without_the_own_model_all_are_asked():
    first, second = Gives("first", "", ""), Gives("second", *["seven point two five"] * 6)
    assert Ear([first, second], "").understand(HUM, RATE, READING).value == "7.25"
    assert second.asked == RULES["reading"].plain


def test_two_readings_that_differ_are_told_as_that():
    understood, asked = heard(("seven point two five",) * 3, ("seven point two nine",) * 6)
    assert understood.apart and not understood.accepted and understood.value is None and asked == 6
    assert understood.heard == "seven point two five" and "two readings" in understood.why and "digit by digit" in understood.why


def test_of_two_commands_or_where_one_heard_nothing_nothing_is_apart():
    for own, other, expect in (("yes", "no", Expect("yesno")), ("seven point two five", "", READING)):
        understood, _ = heard((own,) * 3, (other,) * 6, expect)
        assert not understood.apart and not understood.accepted and "Not heard clearly" in understood.why


# --- which ear a station opens ---------------------------------------------------------------------------------------------


@pytest.fixture
def bare(tmp_path, monkeypatch) -> Path:
    """A station as it was set up: nothing was installed or chosen."""
    for name, place in (("XDG_CONFIG_HOME", "config"), ("XDG_DATA_HOME", "data"), ("XDG_CACHE_HOME", "cache")):
        monkeypatch.setenv(name, str(tmp_path / place))
    monkeypatch.delenv(locate.VARIABLE, raising=False)
    monkeypatch.setattr(locate, "INSTALLED", tmp_path / "installed")
    monkeypatch.setattr(locate, "CACHE", tmp_path / "vosk")
    return tmp_path


@pytest.fixture
def strange(bare, monkeypatch) -> Path:
    """And the network that has heard very many people is gone."""
    monkeypatch.setattr(locate, "PEOPLE", bare / "none")
    return bare


def test_straight_after_the_set_up_the_model_of_people_hears_and_the_own_one_seconds_it(bare):
    station = open_ear()
    assert station.name == "people + own"
    assert station.sentence.startswith("Hearing with the model that has heard very many people. In doubt")
    assert "again more often" not in station.sentence


def test_without_it_the_own_model_hears_beside_pocketsphinx_and_the_station_says_so(strange):
    station = open_ear()
    assert station.name == "own + pocketsphinx" and "again more often" in station.sentence
    assert "Hearing with the station's own speech model, checked by pocketsphinx." in station.sentence


def test_without_both_pocketsphinx_hears_and_the_station_says_so(strange, monkeypatch):
    monkeypatch.setattr(locate, "SHIPPED", strange / "none")
    station = open_ear()
    assert station.name == "pocketsphinx" and "pocketsphinx" in station.sentence and "alone" in station.sentence


@pytest.mark.parametrize("way", ["argument", "relative", "link", "copy", "variable", "chosen"])
def test_the_own_model_is_heard_as_that_however_it_is_named(bare, monkeypatch, way):
    monkeypatch.chdir(locate.SHIPPED.parents[1])
    (bare / "link").symlink_to(locate.SHIPPED)
    named = {"relative": "models/own", "link": str(bare / "link"), "copy": str(bare / "copy")}.get(way, str(locate.SHIPPED))
    if way == "copy":
        shutil.copytree(locate.SHIPPED, named)
    if way == "variable":
        monkeypatch.setenv(locate.VARIABLE, named)
    if way == "chosen":
        station_settings.write("hearing", "model", named)
    station = open_ear(None if way in ("variable", "chosen") else named)
    assert station.name == "people + own" and station._rules is ear.WITH_OWN


def test_a_larger_model_that_was_set_aside_is_not_even_opened(bare, monkeypatch):
    monkeypatch.setattr(locate, "installed", lambda: [bare / "gone"])
    with pytest.raises(RuntimeError):
        open_ear()
    assert open_ear("own").name == "people + own"
    station_settings.write("hearing", "model", "own")
    assert open_ear().name == "people + own"


def test_a_setting_of_an_earlier_version_is_told_and_changes_nothing(bare):
    path = station_settings.default_path()
    path.parent.mkdir(parents=True)
    path.write_text('[hearing]\ntechnician = "anna"\n', encoding="utf-8")
    station = open_ear()
    assert station.name == "people + own" and f"{path}: [hearing] technician is no longer used" in station.sentence
