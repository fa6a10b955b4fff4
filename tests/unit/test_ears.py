"""From the microphone's blocks to what the machine is told; the recogniser is a stand-in, the sound and the cutting are real."""
from __future__ import annotations

import time
from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pytest

from assistant.check.talk import Talk
from assistant.core.events import DeviceBack, Event, Heard, HearingChanged, Unclear
from assistant.core.expect import Expect
from assistant.station import ears
from hardware.clock import boot_now
from models.ear import Understood
from models.listener import END_S, LONGEST_S, SHORT_END_S
from models.wav import RATE, to_pcm
from tests.speech.yard import at_level, diesel, hiss, mallet

BLOCK = 960


class FakeLive:
    """Writes down what is posted; ``expect`` is what is asked for now."""

    def __init__(self) -> None:
        self.expect, self.events, self.told, self.opened = Expect("reading"), [], [], 0.0

    def post_event(self, make: Callable[[float], Event]) -> None:
        self.events.append(make(1.0))

    def asked(self) -> tuple[Expect, str]:
        return self.expect, "equilibrium.1.1"

    def counts_from(self) -> float:
        return self.opened

    def lost(self, device: str, words: str) -> None:
        self.told.append(words)

    def back(self, device: str) -> None:
        self.events.append(DeviceBack(1.0, device))

    trouble = lost_words = lambda self, words: self.told.append(words)


class FakeEar:
    sentence = "Hearing with a stand-in."
    worker = SimpleNamespace(runs=lambda: True, cut=lambda: None, rest_s=0.0, failures=0)

    def __init__(self) -> None:
        self.lengths: list[float] = []

    def start(self) -> None:
        pass

    def understand(self, pcm: bytes, rate: int, expect: Expect) -> Understood:
        self.lengths.append(len(pcm) / 2 / rate)
        return Understood("seven point two five", "7.25", True, None)


class FakeMicrophone:
    def __init__(self, on_block, is_deaf, on_trouble, on_deaf, on_back, over=None) -> None:
        self.on_block, self.on_trouble, self.on_back = on_block, on_trouble, on_back

    def close(self) -> None:
        pass


class Station:
    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.live, self.ear = FakeLive(), FakeEar()
        monkeypatch.setattr(ears, "Microphone", FakeMicrophone)
        self.ears = ears.Ears(self.live, lambda: False, ear=self.ear)  # type: ignore[arg-type]
        until(lambda: self.ears._microphone is not None)

    def hears(self, sound: np.ndarray) -> "Station":
        pcm = to_pcm(sound)
        for at in range(0, len(pcm), BLOCK):
            self.ears._microphone.on_block(pcm[at:at + BLOCK])
        return self

    def told(self, kind: type[Event], count: int = 1) -> list[Event]:
        until(lambda: len([one for one in self.live.events if isinstance(one, kind)]) >= count, 1.0)
        return [one for one in self.live.events if isinstance(one, kind)]


def until(condition: Callable[[], bool], limit: float = 60.0) -> None:
    end = time.monotonic() + limit
    while not condition() and time.monotonic() < end:
        time.sleep(0.005)


@pytest.fixture
def station(monkeypatch: pytest.MonkeyPatch):
    one = Station(monkeypatch)
    yield one
    one.ears.close()


def room(seconds: float, db: float = -60) -> np.ndarray:
    return at_level(hiss(seconds, np.random.default_rng(1)), db)


def word(seconds: float) -> np.ndarray:
    return room(seconds) + 0.1 * np.sin(np.arange(int(seconds * RATE)) * 0.2).astype(np.float32)


def test_what_it_hears_with_is_told_once_and_only_where_a_microphone_opens(station):
    """Beside "no microphone opens" it stood on the screen for a whole test."""
    station.ears._microphone.on_trouble("No microphone opens.")
    assert station.live.told == ["No microphone opens."]
    for _ in range(2):
        station.ears._microphone.on_back()
    assert station.live.told == ["No microphone opens.", "Hearing with a stand-in."]


@pytest.mark.parametrize("kind, wait", [("reading", END_S), ("yesno", SHORT_END_S), ("command", SHORT_END_S)])
def test_what_is_expected_decides_how_long_silence_is_waited_for(station, kind, wait):
    station.live.expect = Expect(kind)
    station.hears(room(2)).hears(word(0.5)).hears(room(2))
    assert station.told(Heard)[0].prompt == "equilibrium.1.1"
    assert station.ear.lengths == [pytest.approx(0.3 + 0.5 + wait / 2, abs=0.1)]     # on trial, and that was all


def test_an_utterance_is_understood_while_its_silence_is_still_waited_for_and_told_when_it_is_over(station):
    station.hears(room(2)).hears(word(0.5)).hears(room(END_S / 2 + 0.1))
    until(lambda: len(station.ear.lengths) == 1)
    assert len(station.ear.lengths) == 1 and station.live.events == []
    station.hears(room(1))
    assert len(station.told(Heard)) == 1 and len(station.ear.lengths) == 1


def test_an_utterance_that_goes_on_after_its_trial_is_understood_as_a_whole(station):
    pause = END_S / 2 + 0.1
    station.hears(room(2)).hears(word(0.5)).hears(room(pause)).hears(word(0.5)).hears(room(2))
    assert len(station.told(Heard)) == 1
    until(lambda: len(station.ear.lengths) == 2)
    assert station.ear.lengths[-1] == pytest.approx(0.3 + 0.5 + pause + 0.5 + END_S / 2, abs=0.1)


def test_what_is_asked_meanwhile_is_no_answer_to_a_trial(station):
    station.hears(room(2)).hears(word(0.5)).hears(room(END_S / 2 + 0.1))
    until(lambda: len(station.ear.lengths) == 1)
    station.live.expect = Expect("yesno")
    station.hears(room(2))
    assert len(station.told(Heard)) == 1 and len(station.ear.lengths) == 2


def test_the_mallet_is_neither_heard_nor_taken_for_noise(station):
    station.live.expect = Expect("off")
    rng, sound = np.random.default_rng(3), at_level(diesel(20, np.random.default_rng(2)), -20)
    for at in range(0, 19 * RATE, RATE):
        blow = mallet(rng)
        sound[at:at + len(blow)] += at_level(blow, -6)
    station.hears(np.clip(sound, -1, 1))
    station.live.expect = Expect("reading")
    station.hears(room(3))
    assert station.live.events == [] and station.ear.lengths == []


def test_half_a_word_before_the_tapping_is_not_joined_with_one_after_it(station):
    station.hears(room(2)).hears(word(0.5))
    station.live.expect = Expect("off")
    station.hears(room(0.1))
    station.live.expect = Expect("reading")
    station.hears(room(2))
    assert station.ear.lengths == []


def test_half_a_word_before_the_microphone_was_gone_is_not_joined_with_one_after_it(station):
    station.hears(room(2)).hears(word(0.5))
    station.ears._microphone.on_trouble("The microphone is gone: use the keypad; connect the microphone again.")
    station.ears._microphone.on_back()
    station.hears(room(2))
    until(lambda: bool(station.ear.lengths), 0.2)
    assert station.told(DeviceBack) and station.ear.lengths == []


def test_an_utterance_cut_for_its_length_is_not_taken_for_its_trial():
    """Somebody was still speaking when it was cut, so that what was understood on trial lacks the end."""
    def said(seconds: float, over: bool) -> ears.Utterance:
        return ears.Utterance(bytes(round(seconds * RATE) * 2), Expect("reading"), "equilibrium.1.1", over=over)
    rest = END_S / 2
    assert said(3.0, False).is_trial_of(said(3.0 + rest, True))
    assert not said(LONGEST_S - rest, False).is_trial_of(said(LONGEST_S, True))


def test_too_loud_and_dead_are_told_to_the_machine(station):
    station.hears(at_level(diesel(10, np.random.default_rng(2)), -22))
    assert [one.hearing for one in station.told(HearingChanged)] == ["noisy"]


def test_nobody_is_spoken_over(station):
    """While somebody speaks the change waits: the microphone would be deaf to his second half."""
    loud = at_level(diesel(7.5, np.random.default_rng(2)), -22)
    voice = np.sin(np.arange(int(1.5 * RATE)) * 0.2).astype(np.float32) * 0.9
    station.hears(loud).hears(np.clip(voice + at_level(diesel(1.5, np.random.default_rng(4)), -22)[:len(voice)], -1, 1))
    assert not [one for one in station.live.events if isinstance(one, HearingChanged)]
    station.hears(at_level(diesel(3, np.random.default_rng(5)), -22))
    assert len(station.told(HearingChanged)) == 1


def test_a_microphone_that_came_back_is_told_once_and_the_first_one_not_at_all(station):
    microphone = station.ears._microphone
    microphone.on_back()
    assert station.live.events == []
    microphone.on_trouble("The microphone is gone: use the keypad; connect the microphone again.")
    microphone.on_back()
    microphone.on_back()
    assert station.live.events == [DeviceBack(1.0, "microphone")]


def test_a_microphone_that_comes_back_while_the_devices_are_checked(monkeypatch):
    """The check stands in for the live test: it must have all that the ears ask of one."""
    monkeypatch.setattr(ears, "Microphone", FakeMicrophone)
    listening = ears.Ears(Talk(lambda words: None), lambda: False, ear=FakeEar())
    until(lambda: listening._microphone is not None)
    listening._microphone.on_trouble("The microphone is gone.")
    listening._microphone.on_back()
    listening.close()


# --- over the station's own talk ------------------------------------------------------------------------------------------------


class Over:
    """Says of every piece what ``apart`` is."""
    apart_is: bool | None = True
    others: bytes | None = None

    def apart(self, ago: int, length: int) -> bool | None:
        assert 0 < length < ago
        return self.apart_is


@pytest.mark.parametrize("apart, opened, understood, taken", [
    (True, -1e9, True, True),
    (False, -1e9, True, False),         # it may be the station
    (True, 1e9, True, False),           # the question could not be heard yet, or a caution is being said
    (True, -1e9, False, False),         # nobody is asked to say it again: the station talks
    (None, 1e9, True, True),            # the station was silent
    (None, 1e9, False, False)])
def test_over_the_talk_only_an_answer_that_counts_and_stands_apart_is_heard(station, monkeypatch, apart, opened, understood, taken):
    station.ears._over, station.live.opened = Over(), opened
    station.ears._over.apart_is = apart
    monkeypatch.setattr(station.ear, "understand", lambda *_: Understood("seven point two five", None if not understood else "7.25",
                                                                         understood, "" if understood else "Not sure."))
    station.hears(room(2)).hears(word(0.5)).hears(room(2))
    until(lambda: bool(station.live.events), 10.0 if taken or apart is None else 0.3)
    assert [type(one) for one in station.live.events] == ([Heard] if taken else [Unclear] if apart is None else [])


def test_half_an_answer_that_began_before_its_question_counts_is_dropped(station):
    station.ears._over, station.live.opened = Over(), boot_now() - 1.0    # all of the sound comes at once: it began 2.6 s ago
    station.hears(room(2)).hears(word(1.5)).hears(room(2))
    assert station.told(Heard) == []
