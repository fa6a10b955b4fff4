"""An answer is heard over the station's own talk, and its own voice is none: real speech in a made room (hardware/fakes.py)."""
from __future__ import annotations

import ctypes.util
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from hardware.echo import Stretch
from hardware.fakes import FakeRoom
from hardware.mixer import Mixer
from hardware.over_talk import IN_VAIN, MATCH, PEAK, Follower, OverTalk
from hardware.synth import Synth
from models.listener import BEFORE_S, SHORT_END_S, Listener
from models.wav import RATE

BLOCK = 480
SAID = ("Open the gauge to air and zero it. Then say next.", "Charge the chamber to fourteen point five P S I, trim it, then say next.",
        "Leak hold now? Yes to do it. No, if this chamber was checked today.", "Still holding. Equilibrium?",
        "Keep these readings? Yes keeps them. No asks the last reading again.", "seven point two five. Right?")


@pytest.fixture(scope="module")
def said() -> list[bytes]:
    if ctypes.util.find_library("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed: apt install espeak-ng")
    synth = Synth()
    try:
        return [synth.render(text) for text in SAID]
    finally:
        synth.close()


@pytest.fixture(scope="module")
def answer() -> np.ndarray:
    """Somebody else: another voice and pace than the station's, 6 dB louder than its echo."""
    from tests.speech.voices import speak

    sound = speak("flite rms", "seven point two five")
    return sound * (0.2 / np.sqrt((sound[np.abs(sound) > 0.02] ** 2).mean()))


class Heard:
    """What the listener cuts out of it, and whether each piece stood apart."""

    def __init__(self, **room: float) -> None:
        self.room = FakeRoom(**room)
        self.over = OverTalk(self.room.mixer, sounds=lambda: self.room.mixer.sounding_until() + 0.4 > self.room.time)
        self.pieces: list[tuple[float, bool | None]] = []
        self._listener, self._late = Listener(), np.random.default_rng(2)

    def hears(self, seconds: float, near: np.ndarray | None = None) -> None:
        count = round(seconds * RATE / BLOCK)
        sound = np.zeros(count * BLOCK)
        if near is not None:
            sound[:len(near)] = near[:len(sound)]
        for at in range(count):
            left = self.over.clean(self.room.hear(sound[at * BLOCK:(at + 1) * BLOCK]),
                                   self.over.stamp() + self._late.uniform(-0.004, 0.004))
            for piece in self._listener.feed(left, SHORT_END_S, self.over.others):
                ago = len(piece) // 2 - round(BEFORE_S * RATE)
                self.pieces.append((self.room.time, self.over.apart(ago, ago - round(SHORT_END_S * RATE))))

    def talk(self, said: list[bytes], times: int = 1) -> None:
        for pcm in said * times:
            self.room.mixer.place(pcm, Synth.RATE, "speech")
            self.hears(len(pcm) / 2 / Synth.RATE + 0.4)

    def answered(self, said: bytes, answer: np.ndarray) -> list[bool | None]:
        """What comes of an answer a second into the sentence."""
        self.hears(2.0)
        before = len(self.pieces)
        self.room.mixer.place(said, Synth.RATE, "speech")
        self.hears(1.0)
        self.hears(len(said) / 2 / Synth.RATE + 1.5, answer)
        return [apart for _, apart in self.pieces[before:]]


@pytest.mark.parametrize("room", [{}, {"drift_ppm": 80, "late_s": 0.3}], ids=["a room", "two clocks"])
def test_an_answer_stands_apart_and_the_stations_voice_never(said, answer, room):
    heard = Heard(**room)
    heard.talk(said, 3)
    assert not any(apart for _, apart in heard.pieces)
    assert True in heard.answered(said[1], answer)
    assert heard.over.late_s == pytest.approx(room.get("late_s", 0.12), abs=0.02)


def test_before_anything_is_known_of_the_room_nothing_is_heard_over_the_talk(said, answer):
    heard = Heard()
    assert True not in heard.answered(said[1], answer)


@pytest.mark.parametrize("room", [{"bend": 3.0}, {"fades_s": 0.8, "direct_db": -3.0}], ids=["a bending loudspeaker", "a hall"])
def test_where_little_can_be_taken_off_the_stations_voice_is_no_answer(said, room):
    heard = Heard(**room)
    heard.talk(said)
    assert not any(apart for _, apart in heard.pieces)


def test_a_room_that_changes_makes_no_answer_of_the_stations_voice(said):
    heard = Heard()
    heard.talk(said)
    for direct_db in (-3.0, 6.0):
        heard.room.move(direct_db=direct_db)
        heard.talk(said[:3])
    heard.room.hear()                     # a block is lost
    heard.talk(said[3:])
    assert not any(apart for _, apart in heard.pieces)


@pytest.mark.parametrize("change, length_s, sharp, like, apart", [
    ({}, 0.5, 4.0, 0.1, True), ({"talked": False}, 0.5, 4.0, 0.1, None), ({"clear_db": 13.0}, 0.5, 4.0, 0.1, False),
    ({"learned": False}, 0.5, 4.0, 0.1, False), ({"missed": 0.8}, 0.5, 4.0, 0.1, False), ({"image": 0.4}, 0.5, 4.0, 0.1, False),
    ({}, 0.5, 4.0, 0.3, False), ({}, 0.5, 9.0, 0.1, False), ({}, 0.2, 4.0, 0.1, False), ({}, 6.0, 4.0, 0.1, False)])
def test_it_was_somebody_else_only_if_all_of_it_holds(monkeypatch, change, length_s, sharp, like, apart):
    over = OverTalk(Mixer(48000))
    for n in range(300):
        over.clean(bytes(2 * BLOCK), n * 0.03)
    stretch = Stretch(clear_db=20.0, image=0.0, missed=0.0, talked=True, learned=True, silent=False)
    monkeypatch.setattr(over._apart, "stretch", lambda *_: replace(stretch, **change))
    monkeypatch.setattr(over, "_match", lambda *_: (sharp, 0.06, like))
    assert over.apart(round((length_s + 0.4) * RATE), round(length_s * RATE)) is apart


@pytest.mark.parametrize("echo_db, matches", [(-6.0, True), (-100.0, False)], ids=["its own voice", "somebody else"])
def test_the_stations_voice_matches_what_was_played_before_anything_is_learned(said, answer, echo_db, matches):
    heard = Heard(echo_db=echo_db)
    heard.room.mixer.place(said[1], Synth.RATE, "speech")
    heard.hears(2.0, None if matches else answer)
    blocks = list(heard.over._kept)[-60:]
    strength, after_s, like = heard.over._match(np.concatenate([sound for _, sound, _ in blocks]), blocks[-1][0])
    if matches:
        assert strength > 2 * PEAK and after_s == pytest.approx(0.12, abs=0.01) and strength * like > 10 * MATCH
    else:
        assert strength < PEAK and strength * like < MATCH


def test_a_headset_pulled_out_while_it_talks_makes_no_answer_of_its_voice(said):
    heard = Heard(echo_db=-100.0)
    heard.talk(said, 2)
    assert heard.over._in_vain >= IN_VAIN
    heard.room.move()
    heard.talk(said[:3])
    assert heard.pieces and not any(apart for _, apart in heard.pieces)


@pytest.mark.parametrize("after_s", [0.1, 0.2, 0.3])
def test_an_answer_just_after_the_talk_is_heard(said, answer, after_s):
    """The echo that was taken off is next to nothing by then: that it is not found in the answer says nothing. And what little was
    played meanwhile is no more like the answer because it is little."""
    heard = Heard()
    heard.talk(said, 2)
    heard.hears(2.0)
    heard.room.mixer.place(said[1], Synth.RATE, "speech")
    heard.hears(len(said[1]) / 2 / Synth.RATE + after_s)
    begun = heard.room.time
    heard.hears(4.0, answer)
    ended, apart = heard.pieces[-1]
    assert apart and ended > begun + 1.0


def test_the_soft_ends_of_a_word_are_given_on_and_the_stations_voice_ends_none():
    """Turned down where nobody but the station seemed to speak, "next" was heard as "yes"."""
    heard = Heard()
    sound = heard.room.hear()
    assert heard.over.clean(sound, heard.over.stamp()) == sound == heard.over.others
    apart = heard.over._apart
    apart.leak_db[:] = 0.0                     # all of it is usually left
    played = np.random.default_rng(1).standard_normal(240) * 0.1
    for _ in range(3):
        left, others = apart.block(played, played * 0.8)
    assert np.abs(left).max() > 5 * np.abs(others).max()


def test_a_headset_that_never_hears_the_loudspeaker_hears_over_its_talk(said, answer):
    heard = Heard(echo_db=-100.0)
    assert True not in heard.answered(said[1], answer), "nobody knows yet"
    heard.talk(said, 2)
    assert heard.over.late_s is None and heard.over._in_vain >= IN_VAIN
    assert True in heard.answered(said[1], answer)


def test_when_the_station_is_silent_all_is_as_it_was(answer):
    heard = Heard()
    quiet = heard.room.hear()
    assert heard.over.clean(quiet, heard.over.stamp()) == quiet
    heard.hears(3.0, answer)
    assert [apart for _, apart in heard.pieces] == [None]


def test_a_loudspeaker_that_does_not_sound_keeps_nobody_from_being_heard(said, answer):
    heard = Heard(echo_db=-100.0)
    heard.over._audible, heard.over._sounds = (lambda: False), (lambda: False)
    heard.room.mixer.place(said[0], Synth.RATE, "speech")
    heard.hears(3.0, answer)
    assert [apart for _, apart in heard.pieces] == [None]


@pytest.mark.parametrize("ppm", [-100, 0, 60])
def test_how_much_faster_a_clock_runs_is_learned_from_what_was_heard(ppm):
    """Never from the calls: a sound server's came 10 to 20 ms late for ten seconds on end, where both clocks were one."""
    dice, follower, step = np.random.default_rng(ppm + 200), Follower(0.03), 0.03 * (1 + ppm * 1e-6)
    off = []
    for n in range(1, 3000):
        off.append(follower.place(n * step + dice.uniform(0, 0.01) + 0.02 * (n // 300 % 2)) - n * step)
        if n % 80 == 0:
            follower.heard(n * step - 0.06 + dice.uniform(-3e-5, 3e-5))
    assert follower.ratio == pytest.approx(1 + ppm * 1e-6, abs=4e-6)
    assert np.ptp(off[-500:]) < 0.0002, "it moves by less than a fifth of a millisecond in 15 s"


def test_a_step_in_what_was_heard_is_no_clock():
    follower = Follower(0.03)
    for n in range(1, 3000):
        follower.place(n * 0.03)
        if n % 80 == 0:
            follower.heard(n * 0.03 - (0.06 if n < 1500 else 0.064))
    assert follower.ratio == pytest.approx(1, abs=1e-6)


def test_lost_blocks_are_known_after_some_calls_and_late_calls_are_no_loss():
    follower = Follower(0.03)
    off = [follower.place(n * 0.03 + 0.02 * (n > 50) + (0.3 if n == 60 else 0.0) + (0.15 if n > 100 else 0.0)) - n * 0.03
           for n in range(130)]
    assert max(map(abs, off[:101])) < 1e-9 and off[-1] == pytest.approx(0.17)


def test_what_was_played_can_be_asked_for_and_what_is_to_come_is_silence():
    mixer = Mixer(48000)
    mixer.place(np.arange(1, 5001, dtype="<i2").tobytes(), 48000, "speech")
    mixer.fill(997)
    mixer.fill(2003)
    assert mixer.played(900, 200).tolist() == list(range(901, 1101))
    assert mixer.played(2990, 20).tolist() == [*range(2991, 3001), *[0] * 10]


def blocks(room: FakeRoom, count: int) -> Iterator[np.ndarray]:
    for _ in range(count):
        yield np.frombuffer(room.hear(), "<i2").astype(float)


def test_the_made_room_gives_back_what_is_played_so_late_and_so_loud():
    room = FakeRoom(late_s=0.12, echo_db=-12.0, direct_db=40.0, bend=0.0, hiss_db=-90.0)
    room.mixer.place((8000 * np.sin(np.arange(4800) / 48000 * 2 * np.pi * 1000)).astype("<i2").tobytes(), 48000, "speech")
    sound = np.concatenate(list(blocks(room, 12)))
    loud = np.flatnonzero(np.abs(sound) > 500)
    assert loud[0] / 16000 == pytest.approx(0.12, abs=0.01) and (loud[-1] - loud[0]) / 16000 == pytest.approx(0.1, abs=0.01)
    assert np.abs(sound).max() == pytest.approx(8000 / 4, rel=0.1)
