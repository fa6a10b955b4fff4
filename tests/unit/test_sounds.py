"""The sounds as files, measured: how long each tone is and how high, whether two can be mixed up; and the command that plays them."""
from __future__ import annotations

import argparse
import io
import os
import wave
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from assistant.check import signs
from assistant.station import sounds, voice_out
from hardware import cues
from hardware.fakes import FakeSpeaker
from tests.command import ROOT, bowlside

LONGER = 1.5
"""Two lengths at this ratio are told apart with ease: people notice a tenth (from memory, Weber fraction of duration)."""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[tuple[float, float]]]:
    """Of each file that the command writes: (length in ms, strongest hertz) of its tones, found in the samples alone."""
    folder = tmp_path_factory.mktemp("sounds")
    assert bowlside("sounds", "--wav", folder).code == 0
    return {path.stem: tones(path) for path in folder.glob("*.wav")}


def tones(path: Path) -> list[tuple[float, float]]:
    with wave.open(str(path)) as file:
        rate, samples = file.getframerate(), np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
    window = rate // 200  # 5 ms, longer than a wave of the lowest tone
    padded = np.concatenate([np.zeros(window), np.abs(samples), np.zeros(window)])
    loud = np.array([padded[at:at + window].max() > 800 for at in range(len(padded) - window)])
    edges = np.flatnonzero(np.diff(loud.astype(int)))
    found = []
    for first, last in zip(edges[::2], edges[1::2]):
        tone = samples[max(0, first - window // 2):last - window // 2]
        spectrum = np.abs(np.fft.rfft(tone * np.hanning(len(tone)), 1 << 16))
        found.append((1000 * (last - first - window) / rate, spectrum.argmax() * rate / (1 << 16)))
    return found


def test_each_is_as_long_and_as_high_as_its_pattern(written: dict[str, list[tuple[float, float]]]) -> None:
    assert set(written) == set(cues.TOLD)
    for name, pattern in cues.PATTERNS.items():
        assert len(written[name]) == len(pattern), name
        for (ms, hertz), (wanted_hertz, wanted_ms, _) in zip(written[name], pattern):
            assert abs(ms - wanted_ms) <= 12 and abs(hertz - wanted_hertz) <= 0.03 * wanted_hertz, (name, ms, hertz)


def test_each_sounds_as_it_is_told(written: dict[str, list[tuple[float, float]]]) -> None:
    for name, (_, words) in cues.TOLD.items():
        heights, lengths = ([one[what] for one in written[name]] for what in (1, 0))
        if "rising" in words or "falling" in words or "step down" in words:
            assert bool(heights[0] < heights[-1]) is ("rising" in words), name
        said = words.replace(",", "").split()
        counts = [{"one": 1, "two": 2, "three": 3, "double": 2}[word] for word in said if word in ("one", "two", "three", "double")]
        counts += [sum(word.startswith(("dit", "daa")) for word in said)] if said[0] == "dit" else []
        assert counts in ([], [len(heights)]), name
        if "long" in words:
            assert min(lengths) >= 200 and max(heights) < 700, name
        if "aa" in words:
            assert lengths[-1] > 3 * lengths[0], name


@pytest.mark.parametrize("one, other", list(combinations(cues.OF_A_TEST, 2)))
def test_no_two_that_a_test_is_worked_by_can_be_mixed_up(one: str, other: str, written: dict[str, list[tuple[float, float]]]) -> None:
    """By their number of tones or the lengths of them: nobody needs to hear their height."""
    a, b = written[one], written[other]
    apart = [max(x, y) / min(x, y) for (x, _), (y, _) in zip(a, b)]
    assert len(a) != len(b) or max(apart) >= LONGER, (a, b)


def test_there_is_one_table_of_them() -> None:
    assert set(cues.TOLD) | set(cues.KEY_TONES) == set(cues.NAMES) and set(cues.OF_A_TEST) < set(cues.TOLD) >= set(signs.CUES)
    assert cues.table() in (ROOT / "assistant/docs/sounds.md").read_text(encoding="utf-8")


class Heard(FakeSpeaker):
    """Plays, and says at once."""

    audible = True

    def __init__(self) -> None:
        super().__init__(lambda ident: None)
        self.heard: list[str] = []

    def say(self, ident: str, text: str) -> None:
        self.heard.append(text)

    def cue(self, name: str) -> None:
        self.heard.append(name)


@pytest.fixture
def speaker(monkeypatch: pytest.MonkeyPatch) -> Heard:
    heard = Heard()
    monkeypatch.setattr(voice_out, "audible", lambda out: heard)
    monkeypatch.setattr(sounds, "CUE_S", 0.0)
    return heard


def test_each_is_played_after_what_it_means(speaker: Heard) -> None:
    done = bowlside("sounds", "settled", "refused")
    assert done.code == 0 and speaker.heard == ["settled: read it now", "settled", "wrong, or not taken: listen", "refused"]
    assert [line.split()[0] for line in done.out.splitlines()] == ["settled", "refused"]
    assert len(bowlside("sounds").out.splitlines()) == len(cues.TOLD)
    bowlside("sounds", "gong").is_one_sentence(2, "gong", "settled")


def test_without_a_sound_card_it_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(voice_out, "audible", lambda out: None)
    done = bowlside("sounds")
    assert done.code == 1 and done.err.count("\n") == 1 and "No loudspeaker opens" in done.err and "--wav" in done.err
    assert all(means in done.out for means, _ in cues.TOLD.values())


@pytest.mark.parametrize("pressed", [False, True])
def test_before_the_first_practice_they_are_played_until_enter(pressed: bool, speaker: Heard, monkeypatch: pytest.MonkeyPatch,
                                                               capsys: pytest.CaptureFixture[str]) -> None:
    ours, theirs = os.openpty()
    with io.TextIOWrapper(io.FileIO(theirs), encoding="utf-8") as terminal, os.fdopen(ours, "wb", buffering=0) as keys:
        monkeypatch.setattr("sys.stdin", terminal)
        if pressed:
            keys.write(b"\n")
        sounds.before_practice(voice_out.chosen(argparse.Namespace()))
    played = [name for name in speaker.heard if name in cues.TOLD]
    assert played == ([] if pressed else list(cues.OF_A_TEST)) or pressed and len(played) == 1
    assert "Enter leaves them out" in capsys.readouterr().out


def test_they_are_played_at_the_first_practice_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    played: list[object] = []
    monkeypatch.setattr(sounds, "before_practice", played.append)
    for _ in range(2):
        assert bowlside("practise", "--journal", tmp_path).code != 0  # no terminal here
        (tmp_path / "journal.db").touch()
    assert len(played) == 1
