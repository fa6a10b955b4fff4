"""The check's talk with the technician: what it shows and says, and the keys and words that come back."""
from __future__ import annotations

import queue
import time
from collections.abc import Callable

from assistant.core.events import Event, Heard
from assistant.core.expect import Expect
from assistant.station.pronounce import pronounce
from hardware.ports import SpeakerPort
from models.ear import spoken_text_to_understood

ANSWER_S = 60.0
"""So long an answer is waited for: time to walk to the meter and back. Ours."""
TALK_S = 20.0
"""Longer than any sentence of the check takes to say."""
AS_KEY = {"yes": "#", "next": "#", "no": "C", "say_again": "A"}
"""What words do."""
VOICE, TERMINAL = "voice", "terminal"


class Left(Exception):
    """The technician ended the check."""


class Talk:
    """``show`` puts a line on the screen. ``key`` and ``post_event`` may be called from any thread."""

    def __init__(self, show: Callable[[str], None]) -> None:
        self.show = show
        self.speaker: SpeakerPort | None = None
        self._came: queue.SimpleQueue[tuple[str, str]] = queue.SimpleQueue()
        self._asking = False
        self._said = 0

    def attach(self, speaker: SpeakerPort | None) -> None:
        self.speaker = speaker

    # --- from any thread -----------------------------------------------------------------------------------------------

    def key(self, source: str, name: str) -> None:
        """A key of the key map, and the device that gave it."""
        self._came.put((source, name))

    def heard(self, words: str) -> None:
        understood = spoken_text_to_understood(words, Expect("yesno"))
        if understood.accepted and understood.value in AS_KEY:
            self.key(VOICE, AS_KEY[str(understood.value)])

    # What assistant.station.ears.Ears asks of a live test.

    def asked(self) -> tuple[Expect, str]:
        return (Expect("yesno"), "check") if self._asking else (Expect("off"), "")

    def post_event(self, make: Callable[[float], Event]) -> None:
        event = make(0.0)
        if isinstance(event, Heard):
            self.heard(event.text)

    def trouble(self, sentence: str) -> None:
        """Of the hearing: the microphone has a check of its own."""

    def lost(self, device: str, sentence: str) -> None:
        """Likewise."""

    def back(self, device: str) -> None:
        """Likewise."""

    # --- to the technician ---------------------------------------------------------------------------------------------

    def tell(self, words: str, aloud: str | None = None) -> None:
        """Show it, and say it (or ``aloud`` in its place, "" for nothing)."""
        self.show(words)
        said = words if aloud is None else aloud
        if self.speaker is not None and said:
            self.speaker.hush()
            self._said += 1
            self.speaker.say(f"check-{self._said}", pronounce(said))

    def cue(self, name: str) -> None:
        if self.speaker is not None:
            self.speaker.cue(name)

    def silent(self, within_s: float = TALK_S) -> None:
        """Wait until everything is said."""
        until = time.monotonic() + within_s
        while self.speaker is not None and self.speaker.busy and time.monotonic() < until:
            self.pause(0.05)

    def pause(self, seconds: float) -> None:
        """Wait. Leaving is the one answer that counts meanwhile."""
        until = time.monotonic() + seconds
        while self.wait_key(until - time.monotonic()) is not None:
            pass

    def wait_key(self, within_s: float) -> tuple[str, str] | None:
        """The next (source, key), or None when none came in time. Raises Left."""
        try:
            source, name = self._came.get(timeout=max(0.0, within_s))
        except queue.Empty:
            return None
        if name == "quit":
            raise Left
        return source, name

    def forget(self) -> None:
        """What was pressed before a question does not answer it."""
        while self.wait_key(0.0) is not None:
            pass

    def yes(self, question: str, within_s: float = ANSWER_S, again: Callable[[], None] = lambda: None) -> bool | None:
        """True, False, or None when nobody answers. ``again``: what is shown or sounded anew when A asks for it."""
        self.forget()
        self.tell(question)
        until = time.monotonic() + within_s
        self._asking = True
        try:
            while (came := self.wait_key(until - time.monotonic())) is not None:
                name = came[1]
                if name in ("#", "C"):
                    return name == "#"
                if name in ("A", "#-held"):
                    self.tell(question)
                    again()
            return None
        finally:
            self._asking = False
            if self.speaker is not None:
                self.speaker.hush()
