"""`bowlside enrol` around the fitting itself: the script, names, recordings, choosing, deleting, stopping midway."""
from __future__ import annotations

import collections
import json
import threading
from pathlib import Path

import numpy as np
import pytest

from assistant import enrol, enrol_listen, station_settings
from assistant.cli import main
from assistant.mic_listen import NoMicrophone
from hardware.stream import write_wav
from models import enrolled, grammar, own_model
from models.enrolment import FEWEST, FEWEST_HELD, HELD_EVERY, Said
from models.grammar import EVERYTHING
from models.wav import RATE, BadSound
from tests.unit.test_enrolled import outcome, write


@pytest.fixture(autouse=True)
def station(tmp_path, monkeypatch) -> Path:
    """A station with a model of its own that is none, and nobody enrolled."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    own = tmp_path / "own"
    (own / "am").mkdir(parents=True)
    (own / "am/final.mdl").write_bytes(b"network")
    monkeypatch.setattr(enrolled, "SHIPPED", own)
    monkeypatch.setattr(enrolled, "_write_network", write)
    return own


def technician() -> object:
    return station_settings.read()["hearing"]["technician"]


# --- the script ------------------------------------------------------------------------------------------------------------


def taught_and_held() -> tuple[list[str], list[str]]:
    texts = enrol.script()
    held = texts[HELD_EVERY - 1::HELD_EVERY]
    return [text for text in texts if text not in held], held


def test_every_sentence_is_one_that_the_station_hears():
    sentences = grammar.automaton(EVERYTHING)
    assert all(sentences.accepts(text.split()) for text in enrol.script())
    assert len(set(enrol.script())) == len(enrol.script())


def test_there_is_enough_to_learn_from_and_to_judge_by():
    taught, held = taught_and_held()
    assert len(taught) >= 1.5 * FEWEST and len(held) >= 1.5 * FEWEST_HELD


def test_each_digit_is_learned_several_times_and_judged():
    taught, held = (collections.Counter(word for text in part for word in text.split()) for part in taught_and_held())
    digits = "zero oh one two three four five six seven eight nine".split()
    assert min(taught[word] for word in digits) >= 3 and taught["point"] >= 10
    assert {"yes", "no", "next"} <= set(taught)
    assert all(held[word] for word in digits if word not in ("zero", "oh")) and held["zero"] + held["oh"]


def test_some_words_only_judge():
    """Else a layer that learned the words and not the voice would be kept."""
    taught, held = ({word for text in part for word in text.split()} for part in taught_and_held())
    assert 2 <= len(held - taught) <= 5


def test_its_texts_can_be_printed(capsys):
    assert main(["enrol", "--texts"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"01.wav {enrol.script()[0]}" and len(lines) == len(enrol.script())


# --- whose voice -----------------------------------------------------------------------------------------------------------


def test_list_use_none_delete(station, capsys):
    assert main(["enrol", "--list"]) == 0 and "No voice is kept" in capsys.readouterr().out
    enrolled.keep("anna", outcome(), station, "2026-11-25")
    enrolled.keep("ben", outcome(1), station, "2026-11-26")
    assert main(["enrol", "anna", "--use"]) == 0 and technician() == "anna"
    capsys.readouterr()
    assert main(["enrol", "--list"]) == 0
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith("* anna, 2026-11-25: of 18 sentences") and "15 are right, 10 before" in first
    assert second.startswith("  ben")
    assert main(["enrol", "--list", "--json"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [(row["name"], row["in_use"]) for row in rows] == [("anna", True), ("ben", False)]
    assert main(["enrol", "--none"]) == 0 and technician() == ""
    assert main(["enrol", "ben", "--use"]) == 0 and main(["enrol", "ben", "--delete"]) == 0
    assert technician() == "" and enrolled.names() == ["anna"]             # who is deleted is not listened for


def test_deleting_another_leaves_the_one_in_use(station):
    enrolled.keep("anna", outcome(), station, "2026-11-25")
    enrolled.keep("ben", outcome(1), station, "2026-11-26")
    assert main(["enrol", "anna", "--use"]) == 0 and main(["enrol", "ben", "--delete"]) == 0
    assert technician() == "anna"


def test_the_model_in_use_is_the_technicians_or_the_shipped_one_with_a_reason(station):
    assert enrolled.in_use("", station) == (station, "")
    enrolled.keep("anna", outcome(), station, "2026-11-25")
    folder, told = enrolled.in_use("anna", station)
    assert folder != station and "anna" in told
    (station / "am/final.mdl").write_bytes(b"another network")
    folder, told = enrolled.in_use("anna", station)
    assert folder == station and "another version" in told
    for name in ("ben", "../anna"):
        folder, told = enrolled.in_use(name, station)
        assert folder == station and told.endswith(".")


@pytest.mark.parametrize(("arguments", "words"), [
    (["enrol"], "Give the name of the technician"), (["enrol", "anna", "--list"], "Give no name"),
    (["enrol", "--delete"], "Give the name"), (["enrol", "../x"], "is no name for a voice"),
    (["enrol", "../x", "--delete"], "is no name for a voice"), (["enrol", "ben", "--use"], "No voice of ben is kept"),
    (["enrol", "ben", "--delete"], "No voice of ben is kept")])
def test_wrong_use_is_one_sentence(arguments, words, capsys):
    assert main(arguments) == 2
    told = capsys.readouterr().err
    assert words in told and told.count("\n") == 1 and technician() == ""


def test_without_a_model_of_its_own_there_is_nothing_to_fit(station, capsys):
    (station / "am/final.mdl").unlink()
    assert main(["enrol", "anna"]) == 2
    assert "there is nothing to fit to a voice" in capsys.readouterr().err


# --- recordings ------------------------------------------------------------------------------------------------------------


def recorded(folder: Path, rows: list[str]) -> Path:
    folder.mkdir(exist_ok=True)
    write_wav(folder / "a.wav", np.zeros(RATE // 2, np.int16), RATE)
    (folder / "texts.txt").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return folder


def test_every_fourth_recording_only_judges(tmp_path):
    said = enrol.from_folder(recorded(tmp_path / "wavs", ["a.wav one point two", "a.wav next", "", "a.wav yes", "a.wav no"]))
    assert [(one.text, one.held) for one in said] == [("one point two", False), ("next", False), ("yes", False), ("no", True)]
    assert said[0].sound.shape == (RATE // 2,)


@pytest.mark.parametrize(("row", "words"), [
    ("a.wav one point shoe", "says 'shoe', which is no word of the station"), ("a.wav", "a.wav says nothing"),
    ("b.wav one", "b.wav: there is no such file")])
def test_recordings_that_cant_be_used_are_a_sentence(tmp_path, row, words):
    with pytest.raises(BadSound, match=words):
        enrol.from_folder(recorded(tmp_path / "wavs", ["a.wav one", row]))


def test_a_folder_without_texts_is_a_sentence(tmp_path):
    with pytest.raises(BadSound, match="it tells what each WAV file says"):
        enrol.from_folder(tmp_path)


def test_what_was_saved_is_what_is_read(tmp_path):
    dice = np.random.default_rng(0)
    said = [Said(text, dice.uniform(-0.5, 0.5, 3200).astype(np.float32), number % 4 == 3)
            for number, text in enumerate(["one", "two", "three", "four", "five point one"])]
    enrol.save(tmp_path / "kept", said)
    back = enrol.from_folder(tmp_path / "kept")
    assert [(one.text, one.held) for one in back] == [(one.text, one.held) for one in said]
    assert all(np.abs(one.sound - two.sound).max() < 1e-4 for one, two in zip(said, back, strict=True))


# --- at the microphone -----------------------------------------------------------------------------------------------------


class Fits:
    """Stands for the shipped model: every sentence sounds like itself."""

    def __init__(self, _shipped: Path) -> None:
        pass

    def fits_best(self, said: Said, texts: list[str]) -> str:
        return said.text


def test_stopped_midway_says_what_is_missing_and_keeps_nothing(monkeypatch, capsys):
    def stopped(texts, _fits):
        for text in texts[:12]:
            yield Said(text, np.zeros(800, np.float32), False)
        raise KeyboardInterrupt

    monkeypatch.setattr(own_model, "OwnModel", Fits)
    monkeypatch.setattr(enrol_listen, "sentences", stopped)
    assert main(["enrol", "anna"]) == 1
    told = capsys.readouterr().err
    assert f"Stopped after 12 of {len(enrol.script())} sentences; {len(enrol.script()) - 12} are missing" in told
    assert enrolled.names() == [] and not enrolled.voices_folder().exists()


def test_no_microphone_is_a_sentence(monkeypatch, capsys):
    def none(texts, _fits):
        raise NoMicrophone("No microphone opens: connect one.")
        yield

    monkeypatch.setattr(own_model, "OwnModel", Fits)
    monkeypatch.setattr(enrol_listen, "sentences", none)
    assert main(["enrol", "anna"]) == 2
    assert capsys.readouterr().err == "No microphone opens: connect one.\n"


class Technician:
    """Stands for the sound devices: a Speaker that is always done, and a Microphone that gives what its script says to that."""

    def __init__(self, answers: list[str]) -> None:
        self.answers, self.asked, self.give = answers, [], None
        self.dice = np.random.default_rng(0)

    def hiss(self, seconds: float) -> np.ndarray:
        return self.dice.standard_normal(int(seconds * RATE)) * 30

    def say(self, _ident: str, words: str) -> None:
        self.asked.append(words)
        if words.startswith(("Two minutes", "Thank you")):
            self.feed(self.hiss(0.6), 0)
        elif self.answers.pop(0) == "speaks":
            tone = 8000 * np.sin(2 * np.pi * 600 * np.arange(RATE) / RATE)
            self.feed(self.hiss(2.6) + np.concatenate([np.zeros(int(0.4 * RATE)), tone, np.zeros(int(1.2 * RATE))]))
        else:
            self.feed(self.hiss(0.5))

    def feed(self, sound: np.ndarray, after_s: float = 0.05) -> None:
        """After a moment, as a person would: the station first forgets what came before."""
        pcm = sound.astype("<i2").tobytes()

        def give() -> None:
            for at in range(0, len(pcm), 960):
                self.give(pcm[at:at + 960])
        if after_s:
            threading.Timer(after_s, give).start()
        else:
            give()


@pytest.fixture
def technician_answers(monkeypatch):
    def present(*answers: str) -> Technician:
        one = Technician(list(answers))

        class Speaker:
            busy = False

            def __init__(self, _synth) -> None:
                self.say = one.say

            def is_deaf(self) -> bool:
                return False

            def close(self) -> None:
                pass

        class Microphone:
            def __init__(self, on_block, *_) -> None:
                one.give = on_block

            def close(self) -> None:
                pass

        monkeypatch.setattr("hardware.speaker.Speaker", Speaker)
        monkeypatch.setattr("hardware.synth.Synth", lambda: None)
        monkeypatch.setattr("hardware.microphone.Microphone", Microphone)
        monkeypatch.setattr(enrol_listen, "ANSWER_S", 0.8)
        monkeypatch.setattr(enrol_listen, "PATIENCE_S", 0.5)
        return one
    return present


def test_each_sentence_is_asked_for_and_cut(technician_answers, capsys):
    one = technician_answers("speaks", "speaks", "speaks", "speaks")
    said = list(enrol_listen.sentences(["one", "two", "three", "four"], lambda said: said.text))
    assert [(each.text, each.held) for each in said] == [("one", False), ("two", False), ("three", False), ("four", True)]
    assert all(1.5 < len(each.sound) / RATE < 2.6 for each in said)        # one second, with its margins
    assert one.asked[1:3] == ["Say: one.", "Say: two."] and " 1 / 4  Say: one." in capsys.readouterr().err


def test_silence_and_another_sentence_are_asked_once_more(technician_answers):
    one = technician_answers("silent", "speaks", "silent", "silent", "speaks", "speaks")
    likes = iter(["one", "one", "three"])
    said = list(enrol_listen.sentences(["one", "two", "three"], lambda said: next(likes)))
    assert [each.text for each in said] == ["one", "three"]                # two was never said, and is only missing
    assert one.asked[1:-1] == ["Say: one.", "Nothing was heard. Once more: one.", "Say: two.",
                               "Nothing was heard. Once more: two.", "Say: three.", "That sounded like: one. Once more: three."]


def test_a_microphone_that_gives_nothing_is_told(technician_answers):
    one = technician_answers("speaks")
    one.feed = lambda *_: None
    with pytest.raises(NoMicrophone, match="gives nothing"):
        list(enrol_listen.sentences(["one"], lambda said: said.text))
