"""``bowlside hear`` with real sound through the real recogniser: independent voices, a recorded woman, talk, noise.

Thresholds are what was measured here with room for a changed library (tests/bench has the table), on a small set of synthetic
voices and joined recorded words. They say that the path works, not how well a site is heard.
"""
from __future__ import annotations

import json
import subprocess
import sys
import wave
from decimal import Decimal
from pathlib import Path

import pytest
import soxr

from assistant.core import spoken
from assistant.core.expect import Expect
from models.ear import Ear, open_ear
from models.wav import RATE, to_pcm
from tests.speech.voices import HUMAN, noise, pcm, prose, speak

VALUES = [Decimal(text) for text in ("7.25", "14.52", "18.63", "29.98", "31.81", "45.21", "5.64", "16.07")]
READING = Expect("reading", None, None, 2)


@pytest.fixture(scope="module")
def ear() -> Ear:
    return open_ear()


def write(path: Path, sound, rate: int) -> Path:
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes(to_pcm(soxr.resample(sound, RATE, rate) if rate != RATE else sound))
    return path


def hear(*args: str) -> tuple[list[dict], subprocess.CompletedProcess]:
    done = subprocess.run([sys.executable, "-m", "assistant", "hear", *args, "--json"], capture_output=True, text=True,
                          timeout=120)
    return [json.loads(line) for line in done.stdout.splitlines()], done


def test_one_line_a_file_in_order_whatever_the_rate(tmp_path: Path) -> None:
    sound = speak("flite rms", "thirty one point eight one")
    files = [str(write(tmp_path / f"{rate}.wav", sound, rate)) for rate in (8000, 16000, 22050, 44100, 48000)]
    found, done = hear("--expect", "reading", "--places", "2", *files)
    assert [one["file"] for one in found] == files
    assert all(one["accepted"] and one["value"] == "31.81" for one in found[1:]) and done.returncode in (0, 1)
    assert set(found[0]) == {"file", "heard", "value", "accepted", "why", "apart", "audio_s", "decode_s"}
    # Telephone band (8 kHz) is harder: it may be asked again, but never be another number.
    assert found[0]["value"] in (None, "31.81") or not found[0]["accepted"]


def test_bounds_and_places(tmp_path: Path) -> None:
    whole = str(write(tmp_path / "a.wav", speak("flite rms", "thirty one point eight one"), RATE))
    half = str(write(tmp_path / "b.wav", speak("flite rms", "fourteen and a half"), RATE))
    found, done = hear("--expect", "reading", "--low", "5", "--high", "20", "--places", "2", whole, half)
    assert done.returncode == 1
    assert found[0]["value"] == "31.81" and not found[0]["accepted"] and "20" in found[0]["why"]
    assert found[1]["value"] == "14.50" and found[1]["accepted"]


def test_yes_no_and_commands(tmp_path: Path) -> None:
    for kind, words in (("yesno", {"yes": "yes", "no": "no"}), ("command", {"next": "next", "take it back": "take_it_back"})):
        files = [str(write(tmp_path / f"{number}.wav", speak("flite slt", text), RATE)) for number, text in enumerate(words)]
        found, _ = hear("--expect", kind, *files)
        assert [one["value"] for one in found] == list(words.values())


@pytest.mark.parametrize(("voice", "at_least"), [("flite rms", 6), ("flite slt", 5), ("festival kal", 5), (HUMAN, 2)])
def test_readings_are_understood(ear: Ear, voice: str, at_least: int) -> None:
    """Wrong: her recordings are of telephone band, where the s of "six" is lost: all six decodings agree on "eight"."""
    exact = wrong = 0
    for number, value in enumerate(VALUES):
        text = spoken.say(value) if number % 2 else spoken.digits(value).replace(",", "")
        found = ear.understand(pcm(speak(voice, text)), RATE, READING)
        exact += found.accepted and Decimal(found.value) == value
        wrong += found.accepted and Decimal(found.value) != value
    print(f"{voice}: {exact} of {len(VALUES)} readings understood at the first hearing, {wrong} wrong, the rest asked again")
    assert exact >= at_least and wrong <= (2 if voice == HUMAN else 1)


def test_numbers_and_talk_are_no_commands(ear: Ear) -> None:
    sounds = [speak("flite slt", spoken.say(value)) for value in VALUES[:4]] + [part[:3 * RATE] for part in prose()[:4]]
    for expect in (Expect("command"), Expect("yesno")):
        taken = [one.value for one in (ear.understand(pcm(sound), RATE, expect) for sound in sounds) if one.accepted]
        assert "yes" not in taken and "scrap" not in taken and len(taken) <= 1, taken


def test_noise_is_nothing(ear: Ear) -> None:
    for expect in (READING, Expect("command"), Expect("yesno")):
        taken = [ear.understand(pcm(noise(kind, 1.5, seed)), RATE, expect).accepted for kind in ("white", "pink", "brown")
                 for seed in range(2)]
        assert sum(taken) <= 1, (expect.kind, taken)
