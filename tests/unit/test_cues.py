"""Cues differ by rhythm, digits as a telephone's do (ITU-T Q.23), none clicks, and they land on exact samples."""

from itertools import combinations

import numpy as np
import pytest

from hardware import cues
from hardware.mixer import Mixer
from hardware.stream import OfflineStream, Tape

RATE = cues.RATE
DESIGN_NAMES = {"settled", "in_band", "tap_first", "tap", "tap_end", "mark", "count", "refused"}  # design §6


def samples(name: str) -> np.ndarray:
    return np.frombuffer(cues.render(name), "<i2").astype(float)


def rhythm(name: str) -> list[float]:
    """Lengths in ms of sound, silence, sound ... measured on the samples: what is left when pitch is
    ignored."""
    wave = np.abs(samples(name))
    step = RATE // 500                                                   # 2 ms
    loud = [wave[i:i + 2 * step].max() > 300 for i in range(0, len(wave), step)]
    edges = [0] + [i for i in range(1, len(loud)) if loud[i] != loud[i - 1]] + [len(loud)]
    return [2.0 * (b - a) for a, b in zip(edges, edges[1:], strict=False)]


def test_every_cue_of_the_design_exists():
    assert DESIGN_NAMES | {"key_click", "before_words", "erase"} == set(cues.PATTERNS)


@pytest.mark.parametrize("one, other", list(combinations(cues.PATTERNS, 2)))
def test_two_cues_differ_in_rhythm(one, other):
    a, b = rhythm(one), rhythm(other)
    assert len(a) != len(b) or max(abs(x - y) for x, y in zip(a, b, strict=True)) >= 25


@pytest.mark.parametrize("name", cues.NAMES)
def test_a_cue_is_short_begins_and_ends_at_silence_and_leaves_headroom(name):
    wave = samples(name)
    assert len(wave) / RATE < 0.7
    assert np.abs(wave).max() <= 32768 * 10 ** (-6 / 20) + 1
    assert np.abs(wave).max() > 8000
    # An abrupt start of these tones would make a jump of several thousand; the raised cosine keeps it under
    # 60.
    assert np.abs(wave[:3]).max() < 60
    assert np.abs(wave[-3:]).max() < 60


LOW, HIGH = (697, 770, 852, 941), (1209, 1336, 1477)        # ITU-T Q.23, and what a telephone's keys look like
TELEPHONE = ("123", "456", "789", "*0#")


def dialled(wave: np.ndarray) -> str:
    """The key that an exchange would take it for: the strongest of the four low tones and of the three high ones."""
    strength = {hertz: abs(np.sum(wave * np.exp(-2j * np.pi * hertz * np.arange(len(wave)) / RATE))) for hertz in LOW + HIGH}
    return TELEPHONE[max(range(4), key=lambda n: strength[LOW[n]])][max(range(3), key=lambda n: strength[HIGH[n]])]


@pytest.mark.parametrize("key", "0123456789*")
def test_each_digit_sounds_as_that_key_of_a_telephone_and_still_does_in_noise(key):
    wave = samples("point" if key == "*" else f"digit_{key}")
    assert dialled(wave) == key
    noise = np.random.default_rng(int(key, 36) if key != "*" else 99).normal(0, wave.std(), len(wave))
    assert dialled(wave + noise) == key
    assert 40 <= 1000 * len(wave) / RATE <= 100


@pytest.mark.parametrize("one, other", list(combinations(cues.KEY_TONES, 2)))
def test_two_digits_are_told_apart_by_their_samples(one, other):
    a, b = samples(one), samples(other)
    assert abs(np.dot(a, b)) / (np.linalg.norm(a) * np.linalg.norm(b)) < 0.6  # one shared tone of two gives a half


def test_an_unknown_cue_is_an_error():
    with pytest.raises(KeyError):
        cues.render("gong")


@pytest.mark.parametrize("block", [1, 7, 480, 1023, 4801])
def test_a_tapping_cadence_is_exact_to_the_sample_whatever_the_block_size(block):
    mixer = Mixer(48000)
    stream = OfflineStream(mixer, block)
    beat = cues.render("tap", 48000)
    stream.advance_to(0.1003)
    mixer.place_row([(beat, round(k * 0.5 * 48000)) for k in range(6)])
    stream.advance_to(3.5)
    heard, wanted = stream.samples, np.frombuffer(beat, "<i2")
    begin = round(0.1003 * 48000)
    for k in range(6):
        at = begin + k * 24000
        assert np.array_equal(heard[at:at + len(wanted)], wanted)
        assert not heard[at + len(wanted):at + 24000].any()


def test_speech_and_cues_add_up_and_are_limited_not_wrapped():
    mixer = Mixer(48000)
    loud = np.full(100, 30000, "<i2").tobytes()
    mixer.place(loud, 48000, "speech")
    mixer.place(loud, 48000, "cue", at=50)
    heard = mixer.fill(200)
    assert heard[:50].tolist() == [30000] * 50
    assert heard[50:100].tolist() == [32767] * 50
    assert heard[100:150].tolist() == [30000] * 50
    assert not heard[150:].any()


def test_a_tape_holds_what_was_placed_where_it_was_placed(tmp_path):
    import wave
    tape = Tape()
    tape.place_cue("tap", 2.0)
    tape.place_cue("settled", 0.5)
    tape.save(tmp_path / "t.wav")
    with wave.open(str(tmp_path / "t.wav")) as f:
        assert (f.getframerate(), f.getnchannels(), f.getsampwidth()) == (22050, 1, 2)
        heard = np.frombuffer(f.readframes(f.getnframes()), "<i2")
    first, second = samples("settled"), samples("tap")
    assert np.array_equal(heard[11025:11025 + len(first)], first)
    assert np.array_equal(heard[44100:], second)
