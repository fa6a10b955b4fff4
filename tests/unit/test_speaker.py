"""The speaker keeps its one promise: every `say` is followed by exactly one `on_spoken`, whatever happens."""

import threading
import time
from collections import Counter

import numpy as np
import pytest

from hardware import cues
from hardware.fakes import CrankedStream, FakeInput, FakeVoice
from hardware.microphone import Microphone
from hardware.mixer import Mixer
from hardware.sound_devices import SoundError
from hardware.speaker import Speaker
from hardware.stream import OutputStream

RATE = 48000


def until(condition, meanwhile=lambda: None, limit_s=60.0):
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        meanwhile()
        time.sleep(0.0005)


class Bench:
    """A speaker on a stream turned by hand, with what it told."""

    def __init__(self, voice=None, click=False):
        self.spoken, self.trouble = [], []
        self.clock = 1000.0
        self.mixer = Mixer(RATE, clock=time.monotonic)
        self.stream = CrankedStream(self.mixer)
        self.voice = voice or FakeVoice(length_s=0.5)
        self.speaker = Speaker(self.voice, self.stream, self.spoken.append, on_trouble=self.trouble.append,
                               click=click)

    def crank(self, seconds, block=997):
        """Odd blocks, faster than real time, with a breath between for the speaker's thread."""
        for _ in range(int(seconds * RATE / block) + 1):
            self.stream.crank(block)
            time.sleep(0.0005)

    def until(self, condition, limit_s=60.0):
        until(condition, lambda: self.stream.crank(331), limit_s)


@pytest.fixture
def bench():
    b = Bench()
    yield b
    b.speaker.close()


def test_utterances_come_one_after_another_and_each_is_told_once(bench):
    for ident in "abc":
        bench.speaker.say(ident, f"text {ident}")
    assert bench.speaker.busy
    bench.until(lambda: len(bench.spoken) == 3)
    bench.crank(0.2)
    assert bench.spoken == ["a", "b", "c"]
    assert not bench.speaker.busy
    loud = np.abs(bench.stream.samples) > 500
    assert 1.4 < loud.sum() / RATE / 0.96 < 1.6           # three half-second hums, none on top of another


def test_hush_silences_speech_at_once_but_not_cues(bench):
    bench.voice.length_s = 3.0
    bench.speaker.say("long", "a long story")
    bench.speaker.say("next", "never begun")
    bench.until(lambda: np.abs(bench.stream.samples).max(initial=0) > 5000)
    before = len(bench.stream.samples)
    bench.speaker.cues([("tap", 0.5)])
    bench.speaker.hush()
    bench.crank(1.0)
    heard = bench.stream.samples[before:]
    assert not heard[round(0.011 * RATE):round(0.49 * RATE)].any()           # 10 ms of fading, then nothing
    assert np.abs(heard[round(0.5 * RATE):round(0.57 * RATE)]).max() > 8000   # the cue
    bench.until(lambda: len(bench.spoken) == 2)
    assert Counter(bench.spoken) == Counter(["long", "next"])
    assert bench.voice.rendered == ["a long story"]
    steps = np.abs(np.diff(heard[:round(0.012 * RATE)].astype(int)))
    assert steps.max() < 400                            # no click: the hum itself moves 210 a frame


def test_a_hush_keeps_what_it_is_told_to_keep_and_reports_in_order(bench):
    for ident in ("1", "2", "3", "4"):
        bench.speaker.say(ident, f"utterance {ident}")
    bench.until(lambda: np.abs(bench.stream.samples).max(initial=0) > 5000)
    bench.speaker.hush({"1", "3"})
    bench.until(lambda: len(bench.spoken) == 4)
    assert bench.spoken == ["1", "2", "3", "4"]
    assert [text[-1] for text in bench.voice.rendered] == ["1", "3"]


def test_after_a_hush_the_next_words_are_said(bench):
    bench.speaker.say("a", "one")
    bench.speaker.hush()
    bench.speaker.say("b", "two")
    bench.until(lambda: "b" in bench.spoken)
    assert Counter(bench.spoken) == Counter("ab")
    assert "two" in bench.voice.rendered


@pytest.mark.alone
def test_words_after_silence_have_a_click_before_them_and_others_do_not():
    bench = Bench(FakeVoice(length_s=0.5), click=True)
    tick = len(cues.render("before_words")) / 2 / FakeVoice.RATE

    def longer_by():
        before = len(bench.stream.samples)
        bench.speaker.say("x", "text")
        bench.until(lambda: not bench.speaker.busy)
        heard = np.flatnonzero(np.abs(bench.stream.samples[before:]) > 500)
        return (heard[-1] - heard[0]) / RATE - 0.5

    assert longer_by() == pytest.approx(tick, abs=0.01)                      # the first words ever
    assert longer_by() == pytest.approx(0, abs=0.01)
    bench.speaker.cue("settled")
    bench.crank(0.3)
    assert longer_by() == pytest.approx(0, abs=0.01)                         # a cue has woken the ear
    end = time.monotonic() + 1.7
    while time.monotonic() < end:
        bench.stream.crank(480)
        time.sleep(0.01)
    assert longer_by() == pytest.approx(tick, abs=0.01)
    bench.speaker.close()


def test_a_failing_voice_still_takes_its_time_in_silence():
    bench = Bench(FakeVoice(fails=True, length_s=0.4))
    bench.speaker.say("a", "text")
    bench.speaker.say("b", "text")
    bench.until(lambda: bench.spoken == ["a", "b"])
    assert len(bench.stream.samples) >= 0.8 * RATE
    assert not bench.stream.samples.any()
    assert bench.trouble == ["The fake voice was told to fail."]             # once, not for every text
    bench.speaker.close()


def test_a_listener_that_raises_does_not_stop_the_speaker(bench):
    bench.speaker._on_spoken = lambda ident: 1 / 0 if ident == "a" else bench.spoken.append(ident)
    bench.speaker.say("a", "one")
    bench.speaker.say("b", "two")
    bench.until(lambda: bench.spoken == ["b"])
    assert any("failed" in t for t in bench.trouble)


def test_closing_tells_everything_that_was_waiting():
    bench = Bench()
    for ident in "abcde":
        bench.speaker.say(ident, "text")
    bench.speaker.close()
    bench.speaker.say("late", "text")
    assert Counter(bench.spoken) == Counter([*"abcde", "late"])


def test_says_from_many_threads_are_each_told_once(bench):
    bench.voice.length_s = 0.002
    def talk(k):
        for i in range(25):
            bench.speaker.say(f"{k}.{i}", "x")
            if i % 7 == 0:
                bench.speaker.hush()
    threads = [threading.Thread(target=talk, args=(k,)) for k in range(4)]
    for t in threads:
        t.start()
    bench.until(lambda: len(bench.spoken) >= 100, 30)
    bench.crank(0.1)
    assert set(Counter(bench.spoken).values()) == {1}
    assert len(bench.spoken) == 100


@pytest.mark.alone
def test_deaf_while_sounding_and_for_the_tail(bench):
    assert not bench.speaker.is_deaf()
    bench.speaker.cue("tap")
    assert bench.speaker.is_deaf()                    # due, though not pulled yet
    bench.crank(0.1)
    begun = time.monotonic()
    assert bench.speaker.deaf
    while bench.speaker.is_deaf():
        bench.stream.crank(48)
        time.sleep(0.005)
    assert 0.2 < time.monotonic() - begun < 0.45


def test_cues_under_way_can_be_dropped(bench):
    bench.speaker.cues([("tap", 0.0), ("tap", 0.5), ("tap", 1.0)])
    bench.crank(0.2)
    bench.speaker.drop_cues()
    mark = len(bench.stream.samples)
    bench.crank(1.2)
    assert not bench.stream.samples[mark:].any()


def test_an_unknown_cue_is_told_and_the_others_sound(bench):
    bench.speaker.cues([("gong", 0.0), ("tap", 0.0)])
    assert bench.trouble == ["There is no cue named 'gong'; the cues are " + ", ".join(cues.NAMES) + "."]
    bench.crank(0.1)
    assert bench.stream.samples.any()


class Loudspeaker:
    """A sound device with its own thread, that can be pulled out."""

    latency_s = 0.01

    def __init__(self, pull, rate):
        self.alive, self.heard = True, []
        self._pull, self._rate = pull, rate
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self):
        while self.alive:
            self.heard.append(self._pull(self._rate // 100))
            time.sleep(0.01)

    def close(self):
        self.alive = False


@pytest.mark.alone
def test_a_lost_loudspeaker_keeps_the_pace_is_told_once_and_comes_back():
    opened, missing = [], threading.Event()

    def open_sound(pull, rate):
        if missing.is_set():
            raise SoundError("No loudspeaker can be opened (pulled out): connect one.")
        opened.append(Loudspeaker(pull, rate))
        return opened[-1]

    trouble, spoken = [], []
    stream = OutputStream(Mixer(RATE), trouble.append, open_sound=open_sound)
    speaker = Speaker(FakeVoice(length_s=0.8), stream, spoken.append)
    begun = time.monotonic()
    speaker.say("a", "text")
    until(lambda: stream.audible and speaker.is_deaf() and any(np.abs(block).max() > 5000 for block in opened[0].heard))
    missing.set()
    opened[0].alive = False                            # in the middle of "a"
    speaker.say("b", "text")
    until(lambda: spoken == ["a", "b"])
    assert 1.5 < time.monotonic() - begun              # "b" took its time in silence
    assert not stream.audible
    assert not speaker.is_deaf()
    assert trouble == ["The loudspeaker is gone: the test goes on with text; connect it again."]
    missing.clear()
    until(lambda: stream.audible)
    speaker.say("c", "text")
    until(lambda: spoken[-1] == "c")
    assert np.abs(np.concatenate(opened[1].heard)).max() > 5000
    speaker.close()
    assert spoken == ["a", "b", "c"]


@pytest.mark.alone
def test_the_microphone_is_deaf_on_demand_cuts_blocks_of_30_ms_and_comes_back_after_a_loss():
    blocks, trouble, deaf_marks, devices = [], [], [], []
    deaf = threading.Event()

    def open_input(take):
        devices.append(FakeInput(take))
        return devices[-1]

    mic = Microphone(blocks.append, deaf.is_set, trouble.append, lambda: deaf_marks.append(len(blocks)),
                     open_input=open_input)
    sound = np.arange(4800, dtype="<i2").tobytes()
    for at in range(0, len(sound), 700):
        devices[0].feed(sound[at:at + 700])
    deaf.set()
    devices[0].feed(b"\1\1" * 1000)
    devices[0].feed(b"\1\1" * 1000)
    deaf.clear()
    devices[0].feed(b"\2\2" * 480)
    until(lambda: len(blocks) >= 11)
    assert b"".join(blocks[:10]) == sound
    assert {len(b) for b in blocks} == {960}
    assert blocks[10:] == [b"\2\2" * 480]
    assert deaf_marks == [10]
    devices[0].lose()
    until(lambda: len(devices) == 2)
    devices[1].feed(b"\3\3" * 480)
    until(lambda: blocks[-1] == b"\3\3" * 480)
    assert trouble == []                      # a stall that one more opening cures is nobody's business
    devices[1].lose()
    until(lambda: len(devices) == 3)
    assert trouble == ["The microphone is gone: use the keypad; connect the microphone again."]
    mic.close()


def test_a_listener_that_raises_does_not_stop_the_microphone():
    trouble, devices = [], []
    mic = Microphone(lambda block: 1 / 0, lambda: False, trouble.append,
                     open_input=lambda take: devices.append(FakeInput(take)) or devices[-1])
    devices[0].feed(bytes(1920))
    end = time.monotonic() + 60
    while not trouble and time.monotonic() < end:
        time.sleep(0.01)
    time.sleep(0.1)
    assert len(trouble) == 1               # two blocks, one sentence
    assert mic.up
    mic.close()
