"""The pedal on gpiozero's mock pins, its clock turned by hand. What feet do is common practice, no source."""
import random

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from hardware.fake_matrix import HandClock
from hardware.pedal import STICKS, Pedal
from hardware.pins import PinError

PIN = 24


@pytest.fixture(autouse=True)
def mock_pins():
    before, Device.pin_factory = Device.pin_factory, MockFactory()
    yield
    Device.pin_factory.reset()
    Device.pin_factory = before


class Foot:
    """Presses the pedal by the clock: `down` holds (from, to) pairs."""

    def __init__(self, talk: bool = False):
        self.clock, self.keys, self.talk, self.trouble = HandClock(), [], [], []
        self.pedal = Pedal(PIN, self.keys.append, self.trouble.append, self.talk.append if talk else None, clock=self.clock,
                           threaded=False)

    def run(self, *down: tuple[float, float], until: float = 5.0, bounce_s: float = 0.0):
        chance, pin = random.Random(3), Device.pin_factory.pin(PIN)
        while self.clock() < until:
            now = self.clock()
            closed = any(a <= now < b for a, b in down)
            if any(0 <= now - edge < bounce_s for pair in down for edge in pair):
                closed = chance.random() < 0.5
            (pin.drive_low if closed else pin.drive_high)()
            self.pedal.look()
            self.clock.sleep(0.005)
        return self.keys


def test_a_short_press_is_next_and_a_long_one_says_again():
    assert Foot().run((1.0, 1.2), (2.0, 2.9), (3.5, 3.6)) == ["#", "#-held", "#"]


def test_bounce_and_a_foot_that_trembles_are_one_press():
    assert Foot().run((1.0, 1.3), (1.36, 1.5), (3.0, 3.2), bounce_s=0.03) == ["#", "#"]


def test_a_foot_that_stays_is_said_and_counts_no_more():
    foot = Foot()
    assert foot.run((1.0, 40.0), (41.0, 41.2), until=42) == ["#-held", "#"]
    assert foot.trouble == [STICKS, "The pedal is free again."]


def test_a_pedal_that_is_down_at_the_start_does_nothing_until_it_is_let_go():
    assert Foot().run((0.0, 2.0), (3.0, 3.2)) == ["#"]


def test_a_talk_pedal_opens_the_ear_while_it_is_pressed_and_a_tap_is_next():
    foot = Foot(talk=True)
    assert foot.run((1.0, 2.5), until=2.0) == []
    assert foot.talk == [True]
    foot.run((1.0, 2.5), (3.5, 3.7), until=5.0)
    assert foot.talk == [True, False, True, False]
    assert foot.keys == ["#"]


def test_a_talk_pedal_that_is_down_at_the_start_is_no_tap():
    foot = Foot(talk=True)
    assert foot.run((0.0, 0.2), until=1.0) == [] and foot.talk == []


def test_a_talk_pedal_that_sticks_or_is_closed_closes_the_ear():
    foot = Foot(talk=True)
    foot.run((1.0, 99.0), until=40.0)
    assert foot.talk == [True, False] and foot.trouble == [STICKS] and foot.keys == []
    foot = None
    Device.pin_factory.reset()
    foot = Foot(talk=True)
    foot.run((1.0, 99.0), until=2.0)
    foot.pedal.close()
    assert foot.talk == [True, False] and not foot.pedal.alive


def test_a_pin_that_does_not_exist_or_is_taken_is_one_sentence():
    kept = Foot()
    for pin in (PIN, 77):
        with pytest.raises(PinError, match="^The pedal can't be used: .+\\.$"):
            Pedal(pin, print, threaded=False)
    assert kept.pedal.alive
