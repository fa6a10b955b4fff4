"""The speech process may hang, die, flood or talk nonsense: it is cut off in time, restarted, and speech
goes on."""

import ctypes.util
import json
import os
import sys
import textwrap
import time

import numpy as np
import pytest

from hardware import synth as synth_module
from hardware.fakes import CrankedStream
from hardware.mixer import Mixer
from hardware.phrase_store import PhraseStore
from hardware.speaker import Speaker
from hardware.synth import Synth, SynthError, seconds
from tests.fault import stub_worker

needs_espeak = pytest.mark.skipif(ctypes.util.find_library("espeak-ng") is None,
                                  reason="espeak-ng is not installed: apt install espeak-ng")
LIMIT_S = 0.6
MUCH_S = 8.0  # for a Python to start on a busy machine; whatever hangs here hangs for ten minutes

@pytest.fixture
def make_synth(tmp_path):
    """What it is to say, the process does where it means a mischief (tests/fault/stub_worker.py)."""
    made = []

    def make(start="good", start_s=MUCH_S):
        (tmp_path / "plan").write_text(json.dumps({"starts": 9 * [start], "answers": []}))
        made.append(Synth(command=(sys.executable, "-S", stub_worker.__file__, str(tmp_path / "plan")), limit_s=LIMIT_S,
                          start_s=start_s))
        return made[-1]
    yield make
    for synth in made:
        synth.close()


@pytest.mark.parametrize("text, words", [("hang", "longer than"), ("die", "ended by itself"), ("garbage", "nonsense"),
                                         ("odd", "nonsense"), ("no", "has a cold")])
def test_a_bad_answer_is_one_sentence_and_the_next_text_is_said(make_synth, text, words):
    synth = make_synth()
    assert synth.render("good") == b"xy" * 4
    bad = synth.worker.pid
    with pytest.raises(SynthError) as problem:
        synth.render(text)                                   # "die" is tried once more in a new process
    sentence = str(problem.value)
    assert words in sentence
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert synth.render("better") == b"xy" * 6               # not kept from before
    assert synth.worker.pid != bad


@pytest.mark.alone
@pytest.mark.parametrize("mode, words", [("mute", "longer than"), ("stillborn", "ended by itself"),
                                         ("babble", "nonsense")])
def test_a_child_that_never_starts_properly_costs_its_limit_then_no_time_at_all(make_synth, mode, words):
    synth = make_synth(mode, start_s=2 * LIMIT_S)
    for _ in range(2):
        with pytest.raises(SynthError, match=words):
            synth.render("text")
    begun = time.monotonic()
    with pytest.raises(SynthError, match=words):
        synth.render("text")
    assert time.monotonic() - begun < LIMIT_S                # left in peace for a while: a start would cost twice that


def test_a_child_killed_between_two_texts_is_replaced_unnoticed(make_synth):
    synth = make_synth()
    synth.render("one")
    os.kill(synth.worker.pid, 9)
    assert synth.render("three") == b"xy" * 5


def test_a_missing_program_is_a_sentence():
    synth = Synth(command=("/nonexistent/voice",))
    with pytest.raises(SynthError, match="does not start"):
        synth.render("text")


def test_a_text_that_is_too_long_is_refused_and_a_blank_one_is_silence(make_synth):
    synth = make_synth()
    with pytest.raises(SynthError, match="too long"):
        synth.render("x" * 5000)
    assert synth.render(" \n ") == b""


def test_what_is_prepared_and_on_disk_takes_no_memory_and_is_said_without_the_child(make_synth, tmp_path):
    synth = make_synth()
    synth._store = PhraseStore(tmp_path / "kept")
    texts = [f"phrase {k}" for k in range(5)]
    synth.prepare(texts).join()
    assert len(synth._kept) == 5 and len(list((tmp_path / "kept").iterdir())) == 5
    synth._kept.clear()
    synth.prepare(texts).join()
    assert not synth._kept, "read into memory though nobody says it yet"
    next(iter((tmp_path / "kept").iterdir())).write_bytes(b"torn")
    synth.prepare(texts).join()
    assert len(synth._kept) == 1, "a torn file must be made again"
    synth.worker.cut()                                       # a new request would now fail
    assert [synth.render(text) for text in texts] == [b"xy" * 8] * 5


def test_the_memory_of_phrases_is_bounded(make_synth, monkeypatch):
    """Fifty sayings of 20 bytes: the last ones, as far as they fit."""
    monkeypatch.setattr(synth_module, "CACHED_BYTES", 1000)
    synth = make_synth()
    for k in range(100, 150):
        synth.render(f"phrase {k}")
    assert sum(map(len, synth._kept.values())) <= 1000 and ("phrase 149", synth_module.RATE_WPM) in synth._kept


def test_phrases_are_kept_but_not_without_end(make_synth):
    synth = make_synth()
    for k in range(450):
        synth.render(f"phrase {k}")
    assert len(synth._kept) == 200
    synth.worker.cut()                                       # a new request would now fail
    assert synth.render("phrase 449") == b"xy" * 10
    with pytest.raises(SynthError):
        synth.render("phrase 1")


def test_the_speaker_goes_on_through_a_hang_and_cues_sound_meanwhile(make_synth):
    spoken, trouble = [], []
    mixer = Mixer()
    stream = CrankedStream(mixer)
    speaker = Speaker(make_synth(), stream, spoken.append, on_trouble=trouble.append)
    speaker.say("a", "hang")
    speaker.say("b", "a good text")
    speaker.cue("tap")
    stream.crank(4800)
    assert np.abs(stream.samples).max() > 8000               # the beat, while the voice hangs
    end = time.monotonic() + LIMIT_S + MUCH_S
    while spoken != ["a", "b"]:
        assert time.monotonic() < end
        stream.crank(480)
        time.sleep(0.002)
    assert len(trouble) == 1
    assert "longer than" in trouble[0]
    speaker.close()


@needs_espeak
def test_the_real_voice_through_pyttsx3():
    synth = Synth()
    try:
        pcm = synth.render("seven, point, two, five")
        wave = np.frombuffer(pcm, "<i2")
        assert 1.2 < seconds(pcm) < 3.5
        assert np.abs(wave).max() > 8000
        assert (np.abs(wave) > 300).mean() > 0.3
        assert seconds(synth.render("seven, point, two, five", 110)) > 1.25 * seconds(pcm)
        assert synth.render("one") != synth.render("nine")
        with open(f"/proc/{synth.worker.pid}/maps") as maps:
            assert "espeak" in maps.read()                    # the library is in the child ...
        with open("/proc/self/maps") as maps:
            assert "espeak" not in maps.read()                # ... and not in the station's own process
    finally:
        synth.close()


@needs_espeak
def test_fifty_utterances_without_growth():
    synth = Synth()
    try:
        def memory_kb() -> int:
            with open(f"/proc/{synth.worker.pid}/statm") as f:
                return int(f.read().split()[1]) * 4

        for k in range(10):
            synth.render(f"warm up number {k}")
        before, pid = memory_kb(), synth.worker.pid
        for k in range(50):
            assert seconds(synth.render(f"reading {k}, is {k} point two five")) > 1.0
        assert synth.worker.pid == pid
        assert memory_kb() - before < 1024
    finally:
        synth.close()


@needs_espeak
def test_the_estimate_is_near_the_real_length():
    synth = Synth()
    texts = ["seven, point, two, five", "Yes or no?", "Charge the chamber to thirty psi.",
             "Hold the lever and tap all round the bowl for ten seconds. Keep holding until it settles.",
             "In the band.", "three, one, point, eight, one", "Over by zero point one two: bleed a little."]
    try:
        for text in texts:
            real = seconds(synth.render(text))
            assert abs(synth.estimate(text) - real) < 0.35 + 0.15 * real, text
    finally:
        synth.close()


def test_without_espeak_the_sentence_says_what_to_install(tmp_path):
    # The library loader finds nothing: pyttsx3's own loading code meets a CDLL that fails, in the real child.
    (tmp_path / "sitecustomize.py").write_text(textwrap.dedent("""
        import ctypes
        real = ctypes.LibraryLoader.LoadLibrary
        def load(self, name):
            if "espeak" in str(name): raise OSError("cannot open shared object file")
            return real(self, name)
        ctypes.LibraryLoader.LoadLibrary = load
    """))
    synth = Synth(command=("env", f"PYTHONPATH={tmp_path}", sys.executable, "-m", "hardware.synth_process"))
    try:
        with pytest.raises(SynthError, match="install espeak-ng"):
            synth.render("text")
    finally:
        synth.close()
