"""The bench for hearing is itself right: same seed, same clips; who only scores never tunes; ratios and counts as stated."""
from __future__ import annotations

import random
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from assistant.core.spoken import parse
from models.wav import RATE
from tests.bench.hearing import corpus, noises, scorer, voices
from tests.bench.hearing.places import Scene, in_scene, mixed
from tests.speech.yard import a_level, spoken_part

ROOT = Path(__file__).resolve().parents[2]


def speech() -> np.ndarray:
    try:
        return voices.clean(voices.Saying("flite rms", "seven point two five"))
    except voices.Missing as missing:
        pytest.skip(str(missing))


def test_the_same_seed_gives_the_same_clips_and_another_gives_others():
    one, same, other = (corpus.build(seed, 1, "all") for seed in (4, 4, 5))
    assert one == same
    assert [clip.text for clip in one] != [clip.text for clip in other]
    assert len({clip.ident for clip in one}) == len(one)


def test_the_same_scene_gives_the_same_samples():
    sound, scene = speech(), Scene("diesel", 10.0, "room", 3)
    assert np.array_equal(in_scene(sound, scene), in_scene(sound, scene))
    assert not np.array_equal(in_scene(sound, scene), in_scene(sound, Scene("diesel", 10.0, "room", 4)))


def test_people_and_festival_only_score():
    for voice in voices.voices().values():
        if voice.accent == "human" or voice.engine == "festival":
            assert voice.role == "score", voice.name
    assert len([kind for kind in noises.kinds("score") if not kind.startswith("babble")]) >= 2


def test_a_tuning_run_uses_nothing_that_only_scores():
    for clip in corpus.build(1, 2, "tune"):
        assert clip.role == "tune", clip.ident
    assert not {saying.voice for saying in corpus.all_talk("tune")} & {one.name for one in voices.speaking("score")}


def test_nothing_that_is_adapted_names_a_voice_or_noise_that_only_scores():
    words = {"festival", "festvox", "allison", "spokennumbers", "librivox", "testdata", "text2wave",
             *(kind for kind in noises.kinds("score") if not kind.startswith("babble"))}
    for path in (ROOT / "models" / "adapting").glob("*.py"):
        text = path.read_text(encoding="utf-8").lower()
        if path.name == "evaluate.py":      # it scores, and nothing that trains may see it
            continue
        assert "import evaluate" not in text, path.name
        for line in text.splitlines():
            assert "evaluate import" not in line or not {"_festival", "woman", "_joined",
                                                         "people"} & set(line.replace(",", " ").split())
        assert not [word for word in words if word in text], path.name


def test_readings_mean_what_is_said_and_lie_where_they_are_expected():
    for clip in corpus.build(2, 2, "all"):
        if clip.group.startswith("readings"):
            assert parse(clip.text).value == Decimal(clip.truth)
            assert clip.expect.low <= Decimal(clip.truth) <= clip.expect.high, clip.ident


def test_every_form_is_said():
    assert {clip.form for clip in corpus.build(1, 4, "all") if clip.form} == {
        "whole", "digits", "oh", "decimal", "double", "tens", "short"}


@pytest.mark.parametrize("kind", [kind for kind in noises.kinds("tune") if kind != "babble"] + ["compressor", "mallet"])
@pytest.mark.parametrize("snr_db", [20.0, 5.0])
def test_the_ratio_is_as_stated(kind, snr_db):
    """A tone of 1 kHz that is on half of the time: its level while on is known without any weighing (A is 0 dB there). The
    noise is weighed by tests/speech/yard.py, other code for the same curve."""
    t = np.arange(2 * RATE) / RATE
    sound = 0.3 * np.sin(2 * np.pi * 1000 * t) * (t % 0.4 < 0.2)
    both = mixed(sound, noises.noise(kind, len(sound), np.random.default_rng(1)), snr_db)
    assert 20 * np.log10(0.3 / np.sqrt(2)) - a_level(both - sound) == pytest.approx(snr_db, abs=0.5)


def test_the_ratio_of_speech_is_near_another_measure_of_its_spoken_part():
    """yard.py looks for the spoken part in unweighted, shorter pieces: a definition of its own, so within 1 dB."""
    sound = speech()
    both = mixed(sound, noises.noise("diesel", len(sound), np.random.default_rng(1)), 10.0)
    assert a_level(spoken_part(sound)) - a_level(both - sound) == pytest.approx(10.0, abs=1.0)


def test_counts_on_known_cases():
    def row(truth, value):
        return {"group": "g", "truth": truth, "ways": {"w": {"value": value}}}
    rows = [row("7.25", "7.25"), row("7.25", "7.20"), row("7.25", None), row(None, None), row(None, "yes")]
    count = scorer.tally(rows, "w", lambda one: one["group"])["g"]
    assert (count.exact, count.wrong, count.again, count.clips) == (1, 2, 2, 5)
    assert str(count) == "20 / 40 / 40"
    assert scorer.matrix(rows[:2] + rows[4:], "w")["7.25"] == {"a reading": 2}


def test_what_few_clips_cannot_rule_out():
    """Wilson's interval; none in 100 still allows 3.7 % (value from a table of the interval, from memory)."""
    assert scorer.at_most(0, 100) == pytest.approx(3.7, abs=0.05)
    assert scorer.at_most(0, 0) == 100


def test_a_test_that_is_invented_is_plausible():
    from assistant.core import plausible
    from tests.bench.hearing.a_test import SETTINGS, readings

    for seed in range(20):
        taken: dict[str, Decimal] = {}
        for name, value in readings(random.Random(seed)):
            doubt = plausible.reading(name, value, taken, SETTINGS)
            assert doubt is None or doubt.kind != plausible.IMPOSSIBLE, (seed, name, value, doubt)
            taken[name] = value


def test_noise_has_the_stated_level_and_length():
    for kind in noises.kinds("tune")[:4]:
        sound = noises.noise(kind, RATE, np.random.default_rng(2))
        assert sound.shape == (RATE,) and float(np.sqrt((sound**2).mean())) == pytest.approx(0.1, rel=1e-3)
