"""What the ear makes of decodings that a stand-in gives; sound and rules are real."""

from collections.abc import Iterator

import numpy as np
import pytest

from assistant.core.expect import Expect
from models.ear import RULES, Ear
from models.vote import Decoding
from models.wav import RATE, to_pcm
from tests.speech.voices import speak


class Says:
    """Two recognisers that always agree."""

    name, sentences = "stand-in", []

    def __init__(self, text: str) -> None:
        self.text, self.asked = text, 0

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Decoding]:
        for number in range(7):
            self.asked += 1
            yield Decoding(self.text, f"recogniser {number % 2}")


def spoken(text: str) -> bytes:
    return to_pcm(speak("flite slt", text))


@pytest.mark.parametrize("text", ["yes", "scrap the test"])
def test_speech_far_longer_than_the_command_that_was_heard_is_not_that_command(text):
    short = Ear([Says(text)], "").understand(spoken(text), RATE, Expect("yesno"))
    long = Ear([Says(text)], "").understand(spoken("they asked for six inches of slump on this one here"), RATE, Expect("yesno"))
    assert short.accepted and not long.accepted and "too long" in long.why and text in long.why


def test_no_more_is_decoded_than_it_takes_to_believe():
    engine = Says("yes")
    assert Ear([engine], "").understand(spoken("yes"), RATE, Expect("yesno")).value == "yes"
    assert engine.asked == RULES["yes"].plain


def test_nothing_is_decoded_of_silence_or_while_nobody_listens():
    engine = Says("yes")
    silence = to_pcm(np.zeros(RATE, np.float32))
    assert not Ear([engine], "").understand(silence, RATE, Expect("yesno")).accepted
    assert not Ear([engine], "").understand(spoken("yes"), RATE, Expect("off")).accepted
    assert engine.asked == 0
