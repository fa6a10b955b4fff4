"""The loudspeaker as the loop's mouth."""
from __future__ import annotations

from collections.abc import Callable

from assistant.core.effects import Speak
from assistant.station.pronounce import pronounce
from hardware.ports import SpeakerPort
from hardware.synth import RATE_WPM


class Aloud:
    """Without a loudspeaker everything is over at once, and cues are nothing.

    spoken    told each utterance that is over, by the name that the speaker has for it
    """

    def __init__(self, spoken: Callable[[str], None]) -> None:
        self.speaker: SpeakerPort | None = None
        self._spoken = spoken
        self.rate_wpm = RATE_WPM
        self.before = 0
        """Utterances of the tests before this one on the same devices."""

    def say(self, speak: Speak) -> None:
        ident = str(speak.number + self.before)
        if self.speaker is None:
            self._spoken(ident)
        elif not speak.aloud:
            self.speaker.say(ident, "")  # in its turn: else a caution before it would count as said while it still sounds
        else:
            self.speaker.rate_wpm = speak.wpm or self.rate_wpm
            self.speaker.say(ident, pronounce(speak.text, to_write=bool(speak.wpm)))

    def hush(self, keep: tuple[int, ...]) -> None:
        if self.speaker is not None:
            self.speaker.hush(frozenset(str(number + self.before) for number in keep))

    def cue(self, name: str) -> None:
        if self.speaker is not None:
            self.speaker.cue(name)

    def cues(self, plan: tuple[tuple[str, float], ...]) -> None:
        if self.speaker is not None:
            self.speaker.cues(list(plan))

    def drop_cues(self) -> None:
        if self.speaker is not None:
            self.speaker.drop_cues()
