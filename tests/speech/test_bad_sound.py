"""Files that can't be used: one sentence each, through the command, and the other files are still heard."""

import argparse
import json
import wave

import numpy as np
import pytest

from assistant.speech import hear
from models.wav import BadSound, read


def arguments(*words):
    parser = argparse.ArgumentParser()
    hear.add_arguments(parser)
    return parser.parse_args(words)


def write(path, rate=16000, channels=1, width=2, frames=16000):
    with wave.open(str(path), "wb") as sound:
        sound.setnchannels(channels)
        sound.setsampwidth(width)
        sound.setframerate(rate)
        sound.writeframes(b"\0" * (frames * channels * width))
    return str(path)


@pytest.fixture
def bad(tmp_path):
    (tmp_path / "text.wav").write_text("not sound at all")
    (tmp_path / "nothing.wav").write_bytes(b"")
    (tmp_path / "cut.wav").write_bytes(open(write(tmp_path / "whole.wav"), "rb").read()[:30])
    return {
        "no such file": str(tmp_path / "missing.wav"),
        "no such": str(tmp_path),
        "2 channels": write(tmp_path / "stereo.wav", channels=2),
        "8-bit": write(tmp_path / "narrow.wav", width=1),
        "24-bit": write(tmp_path / "wide.wav", width=3),
        "11025 Hz": write(tmp_path / "slow.wav", rate=11025),
        "no sound": write(tmp_path / "empty.wav", frames=0),
        "longer than 60": write(tmp_path / "long.wav", rate=8000, frames=8000 * 61),
        "not a PCM": str(tmp_path / "text.wav"),
        "not a PCM WAV": str(tmp_path / "nothing.wav"),
        "not a PCM WAV file": str(tmp_path / "cut.wav"),
    }


def test_each_is_refused_in_one_sentence_that_names_the_file(bad):
    for why, path in bad.items():
        with pytest.raises(BadSound) as refusal:
            read(path)
        assert why in str(refusal.value)
        assert str(refusal.value).startswith(path)
        assert "\n" not in str(refusal.value)


def test_the_command_goes_on_to_the_next_file_and_ends_with_2(bad, tmp_path, capsys):
    silence = write(tmp_path / "silence.wav")
    status = hear.run(arguments("--expect", "reading", "--json", *bad.values(), silence))
    out, err = capsys.readouterr()
    assert status == 2
    assert [json.loads(line)["file"] for line in out.splitlines()] == [silence]
    assert len(err.splitlines()) == len(bad) + 1        # and the sentence that names the engine
    assert "Traceback" not in err


def test_silence_is_not_understood_and_ends_with_1(tmp_path, capsys):
    assert hear.run(arguments("--expect", "yesno", "--json", write(tmp_path / "silence.wav"))) == 1
    line = json.loads(capsys.readouterr().out)
    assert list(line) == ["file", "heard", "value", "accepted", "why", "apart", "audio_s", "decode_s"]
    assert (line["heard"], line["value"], line["accepted"], line["audio_s"]) == (None, None, False, 1.0)
    assert line["why"].endswith(".")


@pytest.mark.parametrize("rate", [8000, 16000, 22050, 44100, 48000])
def test_every_rate_it_promises_is_read(tmp_path, rate):
    pcm, found = read(write(tmp_path / "good.wav", rate=rate, frames=rate))
    assert (len(pcm), found) == (2 * rate, rate)
    assert not np.frombuffer(pcm, "<i2").any()


@pytest.mark.parametrize(("words", "sentence"), [
    (["--expect", "reading", "--low", "high"], "--low high"),
    (["--expect", "reading", "--low", "nan"], "--low nan"),
    (["--expect", "reading", "--low", "9", "--high", "8"], "swap"),
    (["--expect", "reading", "--places", "7"], "--places 7"),
    (["--expect", "yesno", "--high", "8"], "--expect reading only"),
    (["--expect", "reading", "--model", "/nowhere"], "not a vosk model"),
])
def test_wrong_use_is_said_in_one_sentence(words, sentence, tmp_path, capsys):
    assert hear.run(arguments(*words, write(tmp_path / "silence.wav"))) == 2
    out, err = capsys.readouterr()
    assert sentence in err
    assert len(err.splitlines()) == 1
    assert out == ""
