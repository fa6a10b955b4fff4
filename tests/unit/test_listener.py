"""The utterance cutter: in audio time, whatever the block size, above a floor that adapts."""

import numpy as np
import pytest

from models.listener import END_S, SHORT_END_S, Listener, end_wait
from models.wav import RATE, to_pcm

rng = np.random.default_rng(5)


def hiss(seconds, size=0.002):
    return rng.standard_normal(int(seconds * RATE)).astype(np.float32) * size


def tone(seconds, size=0.2):
    """With the hiss under it: a microphone's background does not stop while somebody speaks."""
    return np.sin(np.arange(int(seconds * RATE)) * 0.2).astype(np.float32) * size + hiss(seconds)


def blow(seconds, size=0.5):
    return hiss(seconds, size) * np.exp(-np.linspace(0, 5, int(seconds * RATE))) + hiss(seconds)


def utterances(sound, block=320, end_s=END_S):
    listener = Listener()
    pcm = to_pcm(sound)
    cut = [one for at in range(0, len(pcm), block) for one in listener.feed(pcm[at:at + block], end_s)]
    last = listener.flush()
    return cut + ([last] if last else [])


def seconds(pcm):
    return len(pcm) / 2 / RATE


def test_one_word_is_one_utterance_with_a_little_around_it():
    cut = utterances(np.concatenate([hiss(2), tone(0.6), hiss(2)]))
    assert [seconds(one) for one in cut] == [pytest.approx(0.3 + 0.6 + 0.7, abs=0.1)]


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


def test_where_an_utterance_begins_and_ends_is_told_by_what_is_judged_and_what_was_heard_is_given():
    """Over the station's own talk: what is left of that goes on before, under and after the word, and is none."""
    word, other = np.concatenate([hiss(2), tone(0.6), hiss(2)]), np.concatenate([hiss(1), tone(3.3, 0.05)[:round(3.3 * RATE)], hiss(0.3)])
    judged, sound = to_pcm(word), to_pcm(word + np.resize(other, len(word)))
    listener = Listener()
    cut = [piece for at in range(0, len(judged), 960) for piece in listener.feed(sound[at:at + 960], END_S, judged[at:at + 960])]
    assert [len(piece) for piece in cut] == [len(piece) for piece in utterances(word)]
    assert cut[0] in sound


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


def test_a_command_is_over_sooner_than_a_reading():
    sound = np.concatenate([hiss(1), tone(0.5), hiss(2)])
    reading, command = (seconds(utterances(sound, end_s=end_wait(kind))[0]) for kind in ("reading", "yesno"))
    assert reading - command == pytest.approx(END_S - SHORT_END_S, abs=0.021)


def test_the_wait_may_change_while_somebody_speaks():
    listener = Listener()
    pcm = to_pcm(np.concatenate([hiss(1), tone(0.5), hiss(0.55)]))
    assert listener.feed(pcm, END_S) == []
    assert len(listener.feed(to_pcm(hiss(0.04)), SHORT_END_S)) == 1


@pytest.mark.parametrize("length", [0.02, 0.04, 0.06, 0.08])
def test_blows_of_a_mallet_are_no_utterance(length):
    sound = np.concatenate([hiss(2)] + [part for _ in range(20) for part in (blow(length), hiss(0.5))])
    assert utterances(sound) == []


def test_blows_do_not_keep_an_utterance_open():
    sound = np.concatenate([hiss(2), tone(0.6)] + [part for _ in range(20) for part in (hiss(0.3), blow(0.05))])
    cut = utterances(sound)
    assert len(cut) == 1
    assert seconds(cut[0]) < 2.0


def test_an_utterance_that_goes_on_as_its_time_runs_out_is_not_cut():
    cut = utterances(np.concatenate([hiss(2), tone(0.5), hiss(END_S - 0.02), tone(0.5), hiss(2)]))
    assert [seconds(one) for one in cut] == [pytest.approx(0.3 + 0.5 + 0.7 + 0.5 + 0.7, abs=0.12)]


def test_a_soft_start_is_kept():
    """A third of a second before the first loud moment, so that an f, s or th is not lost."""
    mark = np.where(np.arange(int(0.2 * RATE)) % 160 == 0, 0.004, 0).astype(np.float32)
    cut = utterances(np.concatenate([hiss(2, 0.0005), mark, tone(0.5), hiss(2, 0.0005)]))
    assert np.abs(np.frombuffer(cut[0], "<i2")[:int(0.35 * RATE)]).max() > 100
