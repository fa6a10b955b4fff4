"""`bowlside voice record`: who gives a voice is asked first, every take is checked, nothing is lost, and the next training takes
it as it is. The microphone is fed by hand, the speaker is a text."""
from __future__ import annotations

import json
import random
import re
import threading
import time
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from assistant.cli import main
from assistant.core.spoken import parse
from assistant.speech import voice_record
from hardware.fakes import FakeInput
from models import grammar, recordings, sheet
from models.training import corpus
from models.wav import RATE, to_pcm

QUIET_S, SPOKEN_S = 0.3, 0.6


def take(peak: float = 0.3, seconds: float = SPOKEN_S, noise: float = 1e-4, clip: bool = False) -> np.ndarray:
    """As the listener cuts one: 0.3 s before it, 0.7 s behind it; the words are a tone that swells ten times a second."""
    t = np.arange(int(seconds * RATE)) / RATE
    said = peak * np.sin(2 * np.pi * 700 * t) * (0.6 + 0.4 * np.sin(2 * np.pi * 10 * t))
    whole = np.concatenate([np.zeros(int(0.3 * RATE)), said, np.zeros(int(0.7 * RATE))])
    whole += noise * np.random.default_rng(1).standard_normal(len(whole))
    return np.clip(whole * (4 if clip else 1), -1, 1).astype(np.float32)


class Somebody:
    """Answers what is asked from a list, and says what is shown; `plays` is whether there is a loudspeaker."""

    def __init__(self, *answers: str, takes: Callable[[int], np.ndarray | None] = lambda n: take(), plays: bool = True) -> None:
        self.answers, self.takes, self.plays = list(answers), takes, plays
        self.shown: list[str] = []
        self.played, self.heard = 0, 0

    def show(self, text: str) -> None:
        self.shown.append(text)

    def ask(self, text: str) -> str:
        self.shown.append(text)
        if not self.answers:
            raise EOFError
        return self.answers.pop(0)

    def listen(self) -> bytes | None:
        self.heard += 1
        sound = self.takes(self.heard - 1)
        return None if sound is None else to_pcm(sound)

    def play(self, pcm: bytes) -> bool:
        self.played += 1
        return self.plays


AGREES = ("yes", "1", "Scots")


def given(folder: Path, *keys: str, **more) -> tuple[Somebody, recordings.Given, int]:
    """Somebody new who agrees and then presses these keys."""
    somebody = Somebody(*AGREES, *keys, **more)
    one = voice_record.chosen(somebody, folder, None)
    return somebody, one, voice_record.session(somebody, one)


# --- what is asked for -------------------------------------------------------------------------------------------------------


def test_the_sheet_asks_for_what_nobody_has_recorded():
    asked = sheet.sheet(0, sheet.said_by(Path("none")))
    texts = [text for _, text in asked]
    assert len(set(texts)) == len(texts) and 80 < len(texts) < 150
    assert {"decimal", "double", "correct", "affirmative", "negative", "skip", "scrap", "silence", "thirteen",
            "point"} <= set(texts)                          # the issue's own list
    assert set(grammar.command_phrases()) <= set(texts)     # every whole command
    assert not {"zero", "one", "five", "eight", "left", "the"} & set(texts)
    assert texts.index("thirteen") < texts.index("point") < texts.index("nine")          # the scarcest first
    readings = [text for kind, text in asked if kind == "reading"]
    assert len(readings) == sheet.READINGS and all(parse(text) for text in readings)
    assert {"point", "decimal"} <= {word for text in readings for word in text.split()}
    assert readings != [text for kind, text in sheet.sheet(1, {}) if kind == "reading"]


def test_a_word_that_is_added_to_the_station_is_asked_for(monkeypatch):
    monkeypatch.setattr(grammar, "words_for", lambda expect: ["zero", "hundredweight"])
    assert ("word", "hundredweight") in sheet.sheet(0, sheet.SAID_BY)


def test_what_others_in_the_folder_have_said_counts(tmp_path):
    for number in range(sheet.ENOUGH):
        place = tmp_path / "given" / f"{number:04d}.json"
        place.parent.mkdir(exist_ok=True)
        place.write_text(json.dumps({"clips": [{"text": "thirteen point two"}, {"text": "thirteen"}]}))
    (tmp_path / "given" / "0999.json").write_text("{")
    known = sheet.said_by(tmp_path)
    assert known["thirteen"] == sheet.ENOUGH                # once a speaker
    assert "thirteen" not in [text for _, text in sheet.sheet(0, known)]


def test_the_table_of_what_was_said_is_true():
    """Where the recordings are that it was counted on."""
    from tests.bench.hearing.people import DEFAULT

    if not DEFAULT.is_dir():
        pytest.skip("the recordings of people are not here")
    of: dict[str, set[str]] = {}
    for path in DEFAULT.glob("*/*.json"):
        about = json.loads(path.read_text("utf-8"))
        for clip in about["clips"]:
            for word in clip["text"].split():
                of.setdefault(word, set()).add(str(path))
    assert {word: len(of.get(word, ())) for word in sheet.SAID_BY} == sheet.SAID_BY


# --- the session -------------------------------------------------------------------------------------------------------------


def test_whoever_does_not_agree_leaves_nothing_behind(tmp_path):
    somebody = Somebody("no")
    assert voice_record.chosen(somebody, tmp_path, None) is None
    assert "Adults only" in somebody.shown[0] and "CC BY 4.0" in somebody.shown[0] and "Delete " in somebody.shown[0]
    assert list(tmp_path.rglob("*")) == [] and somebody.heard == 0


def test_what_is_kept_is_what_training_takes(tmp_path):
    somebody, one, code = given(tmp_path, "", "", "q")
    assert code == 0 and len(one.clips) == 2
    (about,) = corpus.speakers_in(tmp_path)
    assert about["engine"] == "given" and about["number"] == 0 and about["speaker"] == one.code and about["accent"] == "Scots"
    assert about["held"] == corpus.is_held(0)
    sound, rate = soundfile.read(about["sound"])
    assert rate == RATE and len(sound) == sum(clip["length"] for clip in about["clips"])
    assert [clip["text"] for clip in about["clips"]] == [text for _, text in one.sheet[:2]]
    for clip in about["clips"]:
        part = sound[clip["start"]:clip["start"] + clip["length"]]
        assert np.abs(part).max() == pytest.approx(0.7, abs=0.01)
        assert len(part) / RATE == pytest.approx(0.15 + SPOKEN_S + 0.2, abs=0.05)
    consent = (tmp_path / "given" / "0000.txt").read_text("utf-8")
    assert one.code in consent and "an adult" in consent and recordings.LICENCES["CC BY 4.0"] in consent
    assert list(recordings.faults(tmp_path)) == []
    assert corpus.manifest(tmp_path)[0]["speaker"] == one.code


def test_the_other_licence_and_a_wrong_answer(tmp_path):
    somebody = Somebody("yes", "3", "2", "")
    assert voice_record.chosen(somebody, tmp_path, None).licence == "CC0 1.0"


def test_play_again_skip_and_stop(tmp_path):
    somebody, one, _ = given(tmp_path, "p", "p", "a", "", "s", "q")
    assert somebody.played == 2 and somebody.heard == 4
    assert [clip["text"] for clip in one.clips] == [one.sheet[0][1]] and one.skipped == [one.sheet[1][1]]
    assert re.search(r"1 of \d+ are kept .*--speaker " + one.code, somebody.shown[-1])


@pytest.mark.parametrize(("bad", "told"), [
    (lambda: take(clip=True, peak=0.9), "clipped"), (lambda: take(peak=0.002, noise=1e-5), "too quiet"),
    (lambda: None, "Nothing was heard"), (lambda: take(seconds=9.5), "too long")])
def test_a_bad_take_is_told_and_not_kept(tmp_path, bad, told):
    somebody, one, _ = given(tmp_path, "", "", "q", takes=lambda n: bad() if n == 0 else take())
    assert any(told in text for text in somebody.shown)
    assert len(one.clips) == 1 and somebody.heard == 3      # said again, kept, and stopped at the next


def test_noise_is_told_but_the_speaker_decides(tmp_path):
    somebody, one, _ = given(tmp_path, "", "q", takes=lambda n: take(noise=0.05))
    assert any("noisy" in text for text in somebody.shown) and len(one.clips) == 1


def test_it_goes_on_where_it_stopped(tmp_path):
    _, first, _ = given(tmp_path, "", "s", "", "q")
    somebody = Somebody("", "q")
    again = voice_record.chosen(somebody, tmp_path, first.code)
    assert again.left == first.left and again.sheet == first.sheet
    voice_record.session(somebody, again)
    assert "4 of " in somebody.shown[1]
    sound, _ = soundfile.read(tmp_path / "given" / "0000.wav")
    assert len(sound) == sum(clip["length"] for clip in again.clips) and len(again.clips) == 3
    asked = Somebody(first.code, "q")                       # by the code that is typed
    assert voice_record.chosen(asked, tmp_path, None).code == first.code
    with pytest.raises(ValueError, match=f"There is no nobody in .*: {first.code}"):
        voice_record.chosen(Somebody(), tmp_path, "nobody")


def test_a_cut_between_sound_and_table_costs_one_take(tmp_path, monkeypatch):
    _, one, _ = given(tmp_path, "", "q")
    with monkeypatch.context() as patched:
        patched.setattr(recordings, "_replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space left on device", "x")))
        with pytest.raises(OSError, match="No space"):
            one.keep(one.left[0], take())
    begun = recordings.given(tmp_path)[one.code]
    assert len(begun.clips) == 1
    begun.keep(begun.left[0], take(seconds=0.3))
    sound, _ = soundfile.read(tmp_path / "given" / "0000.wav")
    assert len(sound) == sum(clip["length"] for clip in begun.clips) and list(recordings.faults(tmp_path)) == []


def test_stopping_before_anything_is_said_keeps_nothing(tmp_path):
    somebody, _, code = given(tmp_path, "s", "q")
    assert code == 1 and list(tmp_path.rglob("*")) == [] and "Nothing was recorded" in somebody.shown[-1]


def test_two_voices_get_numbers_and_codes_of_their_own(tmp_path):
    _, first, _ = given(tmp_path, "", "q")
    somebody = Somebody("", *AGREES, "", "q")               # asked for a code: a new voice
    second = voice_record.chosen(somebody, tmp_path, None)
    voice_record.session(somebody, second)
    assert (first.number, second.number) == (0, 1) and first.code != second.code
    assert len(corpus.speakers_in(tmp_path)) == 2


def test_without_a_loudspeaker_it_says_so(tmp_path):
    somebody, _, _ = given(tmp_path, "p", "q", plays=False)
    assert "It can't be played: there is no loudspeaker." in somebody.shown


def test_through_the_microphones_port(tmp_path):
    """A real Microphone and Listener, fed by hand: a quiet room, then somebody speaks."""
    feeding = threading.Event()

    class Room(FakeInput):
        def __init__(self, take_block):
            super().__init__(take_block)
            threading.Thread(target=self._sound, daemon=True).start()

        def _sound(self):
            dice = np.random.default_rng(1)
            while self.alive:
                said = take()[:int((0.3 + SPOKEN_S) * RATE)] if feeding.is_set() else np.zeros(RATE // 2, np.float32)
                pcm = to_pcm(said + dice.normal(0, 1e-4, len(said)).astype(np.float32))
                quiet = to_pcm(dice.normal(0, 1e-4, RATE).astype(np.float32))
                for sound in (pcm, quiet):
                    for at in range(0, len(sound), 960):
                        self.feed(sound[at:at + 960])
                        time.sleep(0.0005)
                feeding.clear()

    answers = [*AGREES, "", "q"]

    def ask(text):
        feeding.set()
        return answers.pop(0)

    desk = voice_record.Desk(Room, ask)
    try:
        one = voice_record.chosen(desk, tmp_path, None)
        feeding.set()
        assert voice_record.session(desk, one) == 0
    finally:
        desk.close()
    assert len(one.clips) == 1 and 0.3 < one.clips[0]["length"] / RATE < 1.6
    assert list(recordings.faults(tmp_path)) == []


def test_no_microphone_is_one_sentence(tmp_path, monkeypatch, capsys):
    class None_:
        def __init__(self, *_, **__):
            pass

        def show(self, text):
            pass

        def ask(self, text, answers=[*AGREES]):
            return answers.pop(0)

        def listen(self):
            from assistant.speech.mic_listen import NoMicrophone
            raise NoMicrophone("No microphone opens: connect one.")

        def close(self):
            pass

    monkeypatch.setattr(voice_record, "Desk", None_)
    assert main(["voice", "record", str(tmp_path)]) == 2
    assert capsys.readouterr().err == "No microphone opens: connect one.\n" and list(tmp_path.rglob("*")) == []


def test_the_sheet_can_be_printed(tmp_path, capsys):
    assert main(["voice", "record", str(tmp_path / "new"), "--sheet", "--json"]) == 0
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {"kind": "word", "text": "thirteen"} in rows and not (tmp_path / "new").exists()


# --- what is wrong with a folder ---------------------------------------------------------------------------------------------


def put(folder: Path, name: str = "given/0000", sound: np.ndarray | None = None, rate: int = RATE, consent: bool = True,
        clips: list[dict] | None = None, channels: int = 1, **about) -> Path:
    """One speaker of a folder: half a second of a tone, said to be "five"; `sound` in its place."""
    place = folder / f"{name}.wav"
    place.parent.mkdir(parents=True, exist_ok=True)
    if sound is None:
        sound = 0.5 * np.sin(np.arange(8000) / 4) * np.hanning(8000)
    with wave.open(str(place), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(to_pcm(sound))
    engine, number = name.split("/")
    clips = [{"kind": "word", "text": "five", "start": 0, "length": len(sound)}] if clips is None else clips
    place.with_suffix(".json").write_text(json.dumps({"engine": engine, "number": int(number), "speaker": "x7", "held": False,
                                                      "licence": "CC0 1.0", "clips": clips} | about))
    if consent:
        place.with_suffix(".txt").write_text("Agreed by x7, an adult. Licence: CC0 1.0")
    return place


def faults(folder: Path) -> list[str]:
    return list(recordings.faults(folder))


def test_a_good_folder_has_no_fault_and_the_command_says_so(tmp_path, capsys):
    put(tmp_path)
    assert main(["voice", "record", str(tmp_path), "--check"]) == 0
    assert "nothing is wrong" in capsys.readouterr().out


@pytest.mark.parametrize(("wrong", "told"), [
    ({"rate": 44100}, r"given/0000\.wav: has 44100 Hz, 1 channel and 16 bits; the corpus has 16000 Hz"),
    ({"channels": 2}, r"given/0000\.wav: has 16000 Hz, 2 channels"),
    ({"sound": np.zeros(0)}, r"given/0000\.wav: is empty"),
    ({"sound": np.zeros(8000)}, r'given/0000\.wav: 1 of 1 clips are too quiet to be heard: "five"; record them again'),
    ({"sound": np.clip(3 * np.sin(np.arange(8000) / 4), -1, 1)}, r'given/0000\.wav: 1 of 1 clips are clipped: "five"'),
    ({"clips": []}, r"given/0000\.wav: is empty"),
    ({"clips": [{"kind": "word", "text": "five", "start": 4000, "length": 8000}]}, "lie beyond the end of the sound"),
    ({"clips": [{"kind": "word", "text": "five", "start": 0, "length": 100}]}, "are shorter than 0.1 s"),
    ({"clips": [{"kind": "word", "text": "", "start": 0, "length": 8000}]}, "say no words"),
    ({"consent": False}, r"given/0000\.json: 0000\.txt, what its speaker agreed to, is not there"),
    ({"licence": "all rights reserved"}, r"given/0000\.json: 0000\.txt does not hold its licence"),
    ({"number": 3}, r"given/0000\.json: says it is given/3"),
    ({"held": True}, r"given/0000\.json: says held is true; of every 10 numbers the last, 9, 19 and so on, is held"),
    ({"clips": "none"}, r"given/0000\.json: can't be read")], ids=lambda one: next(iter(one)) if isinstance(one, dict) else "")
def test_what_is_wrong_is_named_file_by_file(tmp_path, wrong, told, capsys):
    put(tmp_path, "given/0001")                              # a good one beside it is not named
    put(tmp_path, **wrong)
    found = faults(tmp_path)
    assert len(found) == 1 and re.search(told, found[0]), found
    assert main(["voice", "record", str(tmp_path), "--check", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["fault"] == found[0]


def test_files_that_do_not_belong_are_named(tmp_path):
    put(tmp_path)
    (tmp_path / "loose.wav").write_bytes(b"")
    (tmp_path / "given/0001.wav").write_bytes(b"")
    (tmp_path / "given/0002.json").write_text("{")
    found = "\n".join(faults(tmp_path))
    assert "loose.wav: is not where a recording is looked for" in found
    assert "given/0001.wav: nothing tells what is said in it" in found and "given/0002.json: can't be read" in found
    assert len(found.splitlines()) == 3


def test_a_torn_wav_and_a_table_without_sound(tmp_path):
    put(tmp_path).write_bytes(b"RIFF")
    put(tmp_path, "given/0001").unlink()
    found = faults(tmp_path)
    assert len(found) == 2 and "0000.wav: can't be read" in found[0] and "0001.json: has no sound beside it" in found[1]


def test_other_sources_need_a_readme_or_a_licence(tmp_path):
    put(tmp_path, "gsc/0000", consent=False)
    assert ["gsc/0000.json" in one and "no README or LICENCE" in one for one in faults(tmp_path)] == [True]
    (tmp_path / "README.md").write_text("CC BY 4.0")
    assert faults(tmp_path) == []


def test_flac_and_ogg_are_looked_into_too(tmp_path, monkeypatch):
    place = put(tmp_path)
    soundfile.write(place.with_suffix(".flac"), np.clip(3 * np.sin(np.arange(8000) / 4), -1, 1), RATE)
    place.unlink()
    assert "0000.flac: 1 of 1 clips are clipped" in faults(tmp_path)[0]
    monkeypatch.setitem(__import__("sys").modules, "soundfile", None)
    assert "0000.flac: can't be looked into, since soundfile is not installed" in faults(tmp_path)[0]


def test_an_empty_or_missing_folder(tmp_path, capsys):
    assert "holds no recordings" in faults(tmp_path)[0]
    assert main(["voice", "record", str(tmp_path / "none"), "--check"]) == 1
    assert "there is no such folder" in capsys.readouterr().out


def test_any_takes_of_any_length_end_up_whole(tmp_path):
    """Twenty takes of chance lengths: what the table names is what lies in the sound."""
    chance = random.Random(1)
    one = recordings.Given(tmp_path, 9, "x7", "CC0 1.0", "Agreed by x7. Licence: CC0 1.0", sheet=[("word", str(n)) for n in range(20)])
    sounds = [take(seconds=chance.uniform(0.2, 2), peak=0.2) for _ in range(20)]
    for prompt, sound in zip(list(one.left), sounds, strict=True):
        one.keep(prompt, sound)
    whole, _ = soundfile.read(tmp_path / "given/0009.wav")
    assert json.loads((tmp_path / "given/0009.json").read_text("utf-8"))["held"] is corpus.is_held(9) is True
    for clip, sound in zip(one.clips, sounds, strict=True):
        assert np.allclose(whole[clip["start"]:clip["start"] + clip["length"]], sound, atol=1e-4)
    assert one.left == []
