"""The utterance cutter: in audio time, whatever the block size, above a floor that adapts."""

import numpy as np
import pytest

from models.listener import Listener
from models.wav import RATE, to_pcm

rng = np.random.default_rng(5)


def hiss(seconds, size=0.002):
    return rng.standard_normal(int(seconds * RATE)).astype(np.float32) * size


def tone(seconds, size=0.2):
    return np.sin(np.arange(int(seconds * RATE)) * 0.2).astype(np.float32) * size


def utterances(sound, block=320):
    listener = Listener()
    pcm = to_pcm(sound)
    cut = [one for at in range(0, len(pcm), block) for one in listener.feed(pcm[at:at + block])]
    last = listener.flush()
    return cut + ([last] if last else [])


def seconds(pcm):
    return len(pcm) / 2 / RATE


def test_one_word_is_one_utterance_with_a_little_around_it():
    cut = utterances(np.concatenate([hiss(2), tone(0.6), hiss(2)]))
    assert [round(seconds(one), 1) for one in cut] == [1.5]


def test_a_short_pause_inside_a_reading_does_not_cut_it():
    cut = utterances(np.concatenate([hiss(1), tone(0.5), hiss(0.5), tone(0.5), hiss(2)]))
    assert len(cut) == 1
    assert seconds(cut[0]) > 1.9


def test_two_sayings_are_two():
    assert len(utterances(np.concatenate([hiss(1), tone(0.4), hiss(1), tone(0.4), hiss(1)]))) == 2


@pytest.mark.parametrize("block", [1, 2, 7, 640, 961, 100000])
def test_the_block_size_changes_nothing(block):
    sound = np.concatenate([tone(0.3, 0.001), tone(0.5), tone(1.2, 0.001), tone(0.4), tone(1, 0.001)])
    assert utterances(sound, block) == utterances(sound)


def test_a_click_is_no_utterance():
    assert utterances(np.concatenate([hiss(1), tone(0.04), hiss(2)])) == []


def test_noise_alone_is_silence_however_loud():
    assert utterances(hiss(1, 0.0005)) == []
    assert len(utterances(np.concatenate([hiss(2), hiss(30, 0.05)]))) <= 1


def test_speech_is_heard_again_above_a_mixer_that_started():
    listener = Listener()
    listener.feed(to_pcm(np.concatenate([hiss(2), hiss(20, 0.02)])))
    assert not listener.hearing
    cut = listener.feed(to_pcm(np.concatenate([tone(0.6), hiss(2, 0.02)])))
    assert len(cut) == 1


def test_what_never_ends_is_cut_at_ten_seconds():
    pulses = np.concatenate([np.concatenate([tone(0.3), hiss(0.3)]) for _ in range(30)])
    cut = utterances(np.concatenate([hiss(1), pulses]))
    assert max(map(seconds, cut)) <= 10.0


def test_reset_drops_what_the_station_said_itself():
    listener = Listener()
    listener.feed(to_pcm(np.concatenate([hiss(1), tone(0.5)])))
    assert listener.hearing
    listener.reset()
    assert listener.feed(to_pcm(hiss(2))) == []
    assert listener.flush() is None
