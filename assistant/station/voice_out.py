"""How this station speaks: what its settings and the command line say, and the phrases worth rendering before they are needed."""
from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from assistant.core import phrases, spoken
from assistant.core.language import sentence
from assistant.core.procedure import Procedure
from assistant.core.state import Phase, State
from assistant.core.steps import Hold, Tap
from assistant.core.turn import prompt_words
from assistant.station import station_settings
from assistant.station.pronounce import pronounce
from hardware.phrase_store import PhraseStore
from hardware.ports import SpeakerPort
from hardware.speaker import Speaker
from hardware.synth import Synth
from hardware.voice import VoiceSettings

PACE = {"terse": 210, "normal": 170, "coaching": 170}
"""Words a minute of each wording. A recogniser standing in for a listener understood 30 of 30 clean read-backs at 170 and at 210
(tests/speech/test_read_back.py), 15 and 14 of 15 in diesel noise at 5 dB; with an earlier shaping 57 of 60 clean at 225."""
ANSWERS = ("entry.not_taken", "answer.say_again", "answer.digit_by_digit", "answer.yes_or_no", "answer.not_yet",
           "answer.reading_first", "answer.key_first", "answer.nothing_paused", "answer.quiet", "answer.talking",
           "answer.going_on", "answer.no_clock", "answer.paused", "entry.differ", "test.done", "entry.scrap", "scrap.ask", "entry.again_key",
           "answer.caution_first", "entry.use_keypad")
"""What the station often answers, by the ids of the language file."""


@dataclass(frozen=True)
class Spoken:
    """The station's voice for one start."""
    voice: VoiceSettings
    wording: str

    def speaker(self, on_spoken: Callable[[str], None] = lambda ident: None,
                on_trouble: Callable[[str], None] = lambda sentence: None) -> Speaker:
        """The system's loudspeaker in this voice."""
        return Speaker(Synth(self.voice, PhraseStore()), on_spoken=on_spoken, on_trouble=on_trouble,
                       rate_wpm=self.voice.rate_wpm, click=self.voice.click)

    def prepare(self, speaker: SpeakerPort, texts: Iterable[str], ready: Callable[[str], None] = lambda sentence: None) -> None:
        """Render ``texts`` in the background; ``ready`` is told which voice speaks."""
        speaker.prepare((pronounce(text) for text in texts), ready)


def chosen(args: argparse.Namespace, pace: int | None = None) -> Spoken:
    """From the station's file, the command line over it; ``pace`` instead of the wording's. Raises StationSettingsError."""
    found = station_settings.read()["voice"]
    for option, key in (("rate", "rate_wpm"), ("voice", "name"), ("loud", "volume")):
        value = getattr(args, option, None)
        if value is not None:
            station_settings.check("voice", key, value, f"--{option}")
            found[key] = value
    wording = "terse" if getattr(args, "terse", False) else str(getattr(args, "wording", None) or found["wording"])
    rate = found["rate_wpm"] if pace is None or getattr(args, "rate", None) else 0
    return Spoken(VoiceSettings(str(found["driver"]), str(found["name"]), int(rate) or pace or PACE[wording],
                                int(found["volume"]), bool(found["click"])), wording)


def fixed(procedure: Procedure, wording: str) -> Iterator[str]:
    """Every prompt of the test in this wording, its cautions, marks and the usual answers, in about the order of a test."""
    for index, step in enumerate(procedure.steps):
        for phase in (Phase.TELL, Phase.TAPPING) if isinstance(step, Tap) else (Phase.TELL,):
            words, caution = prompt_words(State(procedure=procedure, index=index, phase=phase, wording=wording))
            yield from (caution, words)
        if isinstance(step, Hold):
            yield from (phrases.left(left) for left in step.marks)
            yield from (spoken.UNITS[left] for left in range(1, step.count + 1))
    yield from map(sentence, ANSWERS)


def say(speaker: SpeakerPort, ident: str, words: str, pause: Callable[[float], None] = time.sleep) -> None:
    """Returns when it has been said, or after a minute: a sound device may hang."""
    speaker.say(ident, pronounce(words, to_write=True))
    until = time.monotonic() + 60
    while speaker.busy and time.monotonic() < until:
        pause(0.05)


def audible(out: Spoken) -> Speaker | None:
    """A speaker if there is a sound device to be heard from; else None, so that nobody waits for silence."""
    speaker = out.speaker()
    until = time.monotonic() + 1.0
    while time.monotonic() < until and not speaker.audible:
        time.sleep(0.05)
    if speaker.audible:
        return speaker
    speaker.close()
    return None
