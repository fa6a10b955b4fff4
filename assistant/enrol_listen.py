"""Asks for the sentences of an enrolment one by one, shown and spoken, and cuts what is said from the microphone."""
from __future__ import annotations

import queue
import sys
import time
from collections.abc import Callable, Iterator, Sequence

from assistant.core.language import sentence
from assistant.mic_listen import PATIENCE_S, NoMicrophone
from models.enrolment import HELD_EVERY, Said
from models.listener import END_S, Listener
from models.wav import RATE, to_sound

ANSWER_S = 8.0
"""For a sentence to begin and end; the longest takes four seconds."""
TRIES = 2
"""Asked once more if nothing, or another sentence, was heard; then it is taken or left as it is."""


def sentences(texts: Sequence[str], fits_best: Callable[[Said], str]) -> Iterator[Said]:
    """Each of the texts as it was said; one that was not said is missing. fits_best: which of the texts it sounds like.

    Raises NoMicrophone.
    """
    from hardware.microphone import Microphone
    from hardware.speaker import Speaker
    from hardware.synth import Synth

    trouble: list[str] = []
    speaker = Speaker(Synth())
    heard = _Heard(trouble)
    microphone = Microphone(heard.blocks.put, speaker.is_deaf, trouble.append, lambda: heard.blocks.put(b""))
    try:
        _ask(speaker, sentence("enrol.begin"))
        for number, text in enumerate(texts):
            said = _said(text, number, len(texts), speaker, heard, fits_best)
            if said is not None:
                yield said
        _ask(speaker, sentence("enrol.thanks"))
    finally:
        microphone.close()
        speaker.close()


def _said(text: str, number: int, of: int, speaker, heard: _Heard, fits_best: Callable[[Said], str]) -> Said | None:
    said, ask = None, sentence("enrol.say", words=text)
    for _ in range(TRIES):
        _ask(speaker, ask, f"{number + 1:2} / {of}  ")
        pcm = heard.utterance(ANSWER_S)
        if pcm is None:
            ask = sentence("enrol.nothing", words=text)
            continue
        said = Said(text, to_sound(pcm, RATE), number % HELD_EVERY == HELD_EVERY - 1)
        if (like := fits_best(said)) == text:
            break
        ask = sentence("enrol.other", heard=like, words=text)
    return said


def _ask(speaker, words: str, before: str = "") -> None:
    """Show and say it, and wait until it has been said."""
    print(f"{before}{words}", file=sys.stderr, flush=True)
    speaker.say("enrol", words)
    end = time.monotonic() + 20.0
    while speaker.busy and time.monotonic() < end:
        time.sleep(0.02)


class _Heard:
    """The microphone's blocks, cut into utterances."""

    def __init__(self, trouble: list[str]) -> None:
        self.blocks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._trouble, self._listener, self._any = trouble, Listener(), False

    def utterance(self, patience_s: float) -> bytes | None:
        """The next one from now on, 16-bit samples; None: nothing was said in that time. Raises NoMicrophone."""
        while not self.blocks.empty():                      # from while the station spoke; the background is learned from it
            self._take(self.blocks.get())
        self._listener.reset()
        end = time.monotonic() + patience_s + (0.0 if self._any else PATIENCE_S)
        while (left := end - time.monotonic()) > 0:
            try:
                block = self.blocks.get(timeout=left)
            except queue.Empty:
                break
            for said in self._take(block):
                return said
        if not self._any:
            raise NoMicrophone(self._trouble[0] if self._trouble else
                               "The microphone gives nothing: connect it again; nothing was changed.")
        return None

    def _take(self, block: bytes) -> list[bytes]:
        if not block:                                       # the station itself began to speak
            self._listener.reset()
            return []
        self._any = True
        return self._listener.feed(block, END_S)
