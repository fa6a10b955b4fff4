"""When the station says that it can't hear: on made noise with real synthetic speech in it, fed as the microphone feeds it."""
import functools

import numpy as np
import pytest

from models import level
from models.listener import Listener
from models.watch import MINUTE_S, Watch
from models.wav import RATE, to_pcm
from tests.speech.voices import speak
from tests.speech.yard import at_level, diesel, hiss, mallet, spoken_part

BLOCK = 960


@pytest.fixture(scope="module")
def said() -> np.ndarray:
    return speak("flite rms", "seven point two five")[RATE // 4:-RATE // 4]


class Station:
    """Feeds a watch as assistant/station/ears.py does; writes down what it would tell, and when, in seconds of audio."""

    def __init__(self, understands: bool = True) -> None:
        self.watch, self.listener, self.understands = Watch(), Listener(), understands
        self.now, self.news = 0.0, []

    def hears(self, sound: np.ndarray, speaking: bool = False) -> "Station":
        pcm = to_pcm(sound)
        for at in range(0, len(pcm), BLOCK):
            self.now += BLOCK / 2 / RATE
            self.watch.feed(pcm[at:at + BLOCK])
            for one in self.listener.feed(pcm[at:at + BLOCK]):
                self.watch.heard(self.watch.measure(one), self.understands and speaking)
            if not self.listener.hearing and (news := self.watch.news()):
                self.news.append((round(self.now), news))
        return self

    @property
    def told(self) -> list[str]:
        return [news for _, news in self.news]


@functools.cache
def made(make, seed: int) -> np.ndarray:
    return make(13, np.random.default_rng(seed))


def noise(seconds: float, db: float, make=diesel, seed: int = 1) -> np.ndarray:
    """Thirteen seconds, which is more than a watch looks back, again and again: making noise takes longer than watching it."""
    return np.resize(at_level(made(make, seed), db), int(seconds * RATE))


def talk(said: np.ndarray, voice_db: float, noise_db: float, times: int = 3, seed: int = 2) -> np.ndarray:
    one = np.concatenate([at_level(said, voice_db, spoken_part(said)), np.zeros(2 * RATE, np.float32)])
    return (np.tile(one, times) + noise(times * len(one) / RATE + 1, noise_db, seed=seed)[:times * len(one)]).astype(np.float32)


def test_in_a_good_place_it_says_nothing(said):
    assert Station().hears(noise(10, -55)).hears(talk(said, -30, -55), speaking=True).hears(noise(70, -55)).news == []


def test_too_loud_once_and_heard_again_once(said):
    station = Station().hears(noise(5, -55)).hears(talk(said, -30, -55), speaking=True)
    station.hears(noise(40, -33))
    assert station.told == ["noisy"]
    station.hears(noise(30, -33)).hears(noise(40, -55))
    assert station.told == ["noisy", "good"]
    station.hears(noise(60, -55))
    assert station.told == ["noisy", "good"]


def test_a_passing_truck_is_no_news(said):
    station = Station().hears(noise(5, -55)).hears(talk(said, -30, -55), speaking=True)
    assert station.hears(noise(5, -30)).hears(noise(30, -55)).news == []


def test_noise_at_the_limit_does_not_say_both_by_turns(said):
    station = Station().hears(noise(5, -55)).hears(talk(said, -30, -55), speaking=True)
    for turn in range(10):
        station.hears(noise(15, -30 - level.POOR_SNR_DB + (1.5 if turn % 2 else -1.5), seed=turn % 3))
    assert station.told == ["noisy"]


def test_never_more_than_once_a_minute(said):
    station = Station().hears(noise(5, -55)).hears(talk(said, -30, -55), speaking=True)
    for _ in range(8):
        station.hears(noise(12, -30)).hears(noise(12, -60))
    times = [at for at, _ in station.news]
    assert len(times) >= 2 and min(b - a for a, b in zip(times, times[1:])) >= MINUTE_S - 1


def test_who_raises_his_voice_over_the_noise_is_heard(said):
    station = Station().hears(noise(5, -55)).hears(talk(said, -30, -55), speaking=True).hears(talk(said, -18, -34), speaking=True)
    assert "noisy" not in station.told[-1:] or station.watch.snr_db > level.POOR_SNR_DB


def test_at_the_start_beside_a_roaring_engine(said):
    assert Station().hears(noise(12, -25)).told == ["noisy"]


@pytest.mark.parametrize("value", [0.0, 0.25, -1.0])
def test_a_dead_microphone_is_told_and_its_return_too(value):
    station = Station().hears(np.full(10 * RATE, value, np.float32))
    assert station.told == ["silent"] and station.news[0][0] <= 6
    station.hears(noise(60, -55))
    assert station.told == ["silent", "good"]


def test_a_headset_that_closes_its_gate_for_a_moment_is_not_dead(said):
    gated = np.concatenate([np.zeros(3 * RATE, np.float32), talk(said, -30, -55, 1)])
    assert Station().hears(np.tile(gated, 5), speaking=True).news == []


def test_a_clipping_voice_is_told_after_the_second_time(said):
    loud = np.clip(talk(said, -3, -55, 1), -1, 1)
    station = Station().hears(noise(5, -55)).hears(loud, speaking=True)
    assert station.told == []
    station.hears(loud, speaking=True).hears(noise(5, -55))
    assert station.told == ["clipping"]
    station.hears(noise(50, -55)).hears(talk(said, -25, -55, 3), speaking=True).hears(noise(10, -55))
    assert station.told == ["clipping", "good"]


def test_a_mallet_is_no_clipping_voice_and_no_noise():
    rng = np.random.default_rng(8)
    sound = noise(60, -55)
    for at in range(RATE, 59 * RATE, RATE):
        blow = mallet(rng)
        sound[at:at + len(blow)] += at_level(blow, -6)
    assert Station(understands=False).hears(np.clip(sound, -1, 1)).news == []


def test_without_a_voice_it_is_not_misled_by_a_hissing_room():
    assert Station().hears(noise(90, -45, hiss)).news == []
