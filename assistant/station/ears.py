"""From the microphone to the machine: blocks to utterances, utterances to what was understood, in a thread of its own."""
from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from assistant.core.events import Event, Heard, HearingChanged, Unclear
from assistant.core.expect import Expect
from assistant.core.language import sentence
from assistant.station.ear_process import EarFailed, EarMissing, EarProcess
from assistant.station.hearing import open_ear
from assistant.station.live import Live
from hardware.clock import boot_now
from hardware.microphone import Microphone
from hardware.over_talk import OverTalk
from models.ear import Understood
from models.level import Voice
from models.listener import BEFORE_S, LONGEST_S, Listener, end_wait
from models.watch import Watch
from models.wav import RATE, BadSound, read


def event_of(understood: Understood, at: float) -> Heard | Unclear | None:
    """What the machine is told. A value that can't be here is told too: the machine refuses it with its reason.

    None: no words at all, so most likely noise, and nobody wants an answer to a compressor.
    """
    if understood.heard is None:
        return None
    if understood.accepted or understood.value is not None:
        return Heard(at, understood.heard)
    return Unclear(at, understood.why or "", understood.heard, apart=understood.apart)


EARLY = 0.5
"""An utterance is understood on trial after this part of the silence that ends it: the answer is then ready when it is over."""
RESUMED_S = 0.25
"""An utterance longer than the trial by more than the rest of the silence and this went on: speech of 0.1 s and its own closing
silence are longer; a moment's doubt whether it goes on is shorter (models/listener.py)."""


@dataclass(frozen=True)
class Utterance:
    pcm: bytes
    expect: Expect
    prompt: str
    """What was asked when the words ended, not when the recogniser gets to them."""
    voice: Voice | None = None
    over: bool = True
    """False: it may go on; understand it on trial."""
    over_talk: bool = False
    """The station talked meanwhile. What is not understood then is asked by nobody: he will say it again."""

    def is_trial_of(self, whole: Utterance) -> bool:
        """Whether nothing but silence came after it. What was cut for its length may end amid a word."""
        rest_s = (len(whole.pcm) - len(self.pcm)) / 2 / RATE
        return (self.expect, self.prompt) == (whole.expect, whole.prompt) and whole.pcm.startswith(self.pcm) and (
            rest_s <= end_wait(whole.expect.kind) * (1 - EARLY) + RESUMED_S) and len(whole.pcm) / 2 / RATE < LONGEST_S


LOOK_S = 0.5
"""How often it is looked whether the recogniser still runs, while nobody speaks."""
MOST_WAITING = 8
"""Utterances; the answer to more would come too late for anybody."""


class Ears:
    """Listens from construction on, as soon as the model has loaded; problems are told, the test goes on by keys.

    The recogniser has a process of its own (``ear_process``). One that fails once is started again, and what it did not
    understand is asked again; one that fails again and again is a lost device until it has started.
    It also watches whether it can hear, and tells the machine when that changes.

    ear   what understands (another one in tests); None: the station's own, with ``model``
    over  hears over the station's own talk; None: ``is_deaf`` must be true while it talks
    talks whether the station sounds now, or has just sounded; for ``over``
    """

    def __init__(self, live: Live, is_deaf: Callable[[], bool], model: Path | None = None, ear: EarProcess | None = None,
                 over: OverTalk | None = None, talks: Callable[[], bool] = lambda: False) -> None:
        self._live, self._is_deaf, self._over, self._talks = live, is_deaf, over, talks
        self._ear = ear or EarProcess(str(model) if model else None)
        self._utterances: queue.SimpleQueue[Utterance | None] = queue.SimpleQueue()
        self._trial: tuple[Utterance, Understood | EarFailed] | None = None
        self._microphone: Microphone | None = None
        self._closed = self._missing = self._gap = self._opened = False
        self._up = self._gone = False
        self._listener, self._watch = Listener(), Watch()
        self._thread = threading.Thread(target=self._run, name="ears", daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closed = True
        self._utterances.put(None)
        self._ear.worker.cut()
        self._thread.join(2.0)
        if self._microphone is not None:
            self._microphone.close()

    def _run(self) -> None:
        try:
            self._ear.start()
        except EarMissing as why:           # no such model: it won't come by itself, the keys go on
            self._live.trouble(sentence("ear.none", error=str(why).rstrip(".")))
            return
        except EarFailed as why:
            self._failed(why)
        else:
            self._up = True
        if not self._closed:
            self._microphone = Microphone(self._block, self._is_deaf, self._lost, self._listener.reset, self._back,
                                          over=self._over)
        while not self._closed:
            try:
                waiting = self._utterances.get(timeout=LOOK_S)
            except queue.Empty:
                self._look()
                continue
            if waiting is not None:
                self._understand(waiting)

    def _lost(self, words: str) -> None:
        self._missing = True
        self._live.lost("microphone", words)

    def _back(self) -> None:
        if not self._opened:    # what it hears with is news only where it hears
            self._opened = True
            self._live.trouble(self._ear.sentence)
        self._gap = True        # dropped by the microphone's own thread, as the blocks of the new device come
        if self._missing:
            self._missing = False
            self._live.back("microphone")

    def _block(self, block: bytes) -> None:
        if self._gap:           # half an utterance from before the microphone was gone is not joined with what comes now
            self._gap = False
            self._listener.reset()
        expect, prompt = self._live.asked()
        if expect.kind == "off":        # the mallet strikes: nothing is listened for, and its noise is nobody's news
            self._listener.reset()
            return
        talks = self._talks()
        if not talks:
            self._watch.feed(block)
        wait = end_wait(expect.kind)
        for pcm in self._listener.feed(block, wait, self._over.others if self._over is not None else None):
            self._said(Utterance(pcm, expect, prompt, self._watch.measure(pcm)), wait)
        if (so_far := self._listener.pausing(wait * EARLY)) is not None and self._utterances.empty():
            self._said(Utterance(so_far, expect, prompt, over=False), wait * EARLY)
        if not (talks or self._listener.hearing) and (hearing := self._watch.news()):   # nobody is spoken over
            self._live.post_event(lambda at: HearingChanged(at, hearing))

    def _said(self, said: Utterance, silence_s: float) -> None:
        """On to the recogniser; of what was said over the station's talk, only an answer that counts and stands apart from it."""
        if self._over is not None:
            length = len(said.pcm) // 2
            lead = round(BEFORE_S * RATE)
            apart = self._over.apart(length - lead, length - lead - round(silence_s * RATE))
            if apart is not None:
                # Asked after ``asked()``: what was said before a question that came meanwhile is no answer to it.
                if not apart or boot_now() - (length - lead) / RATE < self._live.counts_from():
                    return
                said = replace(said, over_talk=True)
        self._put(said)

    def _put(self, said: Utterance) -> None:
        """An ear that can't keep up must not fill the memory: what waits longest is dropped."""
        with contextlib.suppress(queue.Empty):
            while self._utterances.qsize() >= MOST_WAITING:
                self._utterances.get_nowait()
        self._utterances.put(said)

    # --- the recogniser: in the thread of the ears --------------------------------------------------------------------

    def _understand(self, said: Utterance) -> None:
        trial, self._trial = self._trial, None
        if trial is not None and trial[0].is_trial_of(said):
            understood = trial[1]           # also where it failed: the same sound would only fail once more
        else:
            self._look()
            if not self._up and not said.over:
                return                      # not tried, so the whole may be
            understood = self._try(said)
        if not said.over:
            self._trial = said, understood
            return
        if said.over_talk and (isinstance(understood, EarFailed) or not understood.accepted):
            return
        if isinstance(understood, EarFailed):
            if not self._gone:              # else he knows it, and need not be asked again and again
                self._live.post_event(lambda at: Unclear(at, str(understood), prompt=said.prompt))
            return
        self._watch.heard(said.voice, understood.accepted)
        event = event_of(understood, 0.0)
        if event is not None:
            self._live.post_event(lambda at: replace(event, at=at, prompt=said.prompt))

    def _try(self, said: Utterance) -> Understood | EarFailed:
        if not self._up:
            return EarFailed(sentence("ear.gone"))
        try:
            understood = self._ear.understand(said.pcm, RATE, said.expect)
        except EarFailed as why:
            self._failed(why)
            return why
        return understood

    def _look(self) -> None:
        """One that has ended is started again, after a wait that grows."""
        if self._up and not self._ear.worker.runs():
            self._failed(EarFailed(sentence("ear.ended")))
        if self._up or self._closed or self._ear.worker.rest_s:
            return
        try:
            self._ear.start()
        except EarFailed as why:
            self._failed(why)
            return
        self._up = True
        if self._gone:
            self._gone = False
            self._live.back("ear")

    def _failed(self, why: EarFailed) -> None:
        self._up = False
        if self._closed:
            return
        self._live.trouble(str(why))
        if self._ear.worker.failures > 1 and not self._gone:
            self._gone = True
            self._live.lost("ear", sentence("ear.gone"))


class WavEar:
    """Hears recordings for a script, through the same recogniser and the same last step as the microphone."""

    def __init__(self) -> None:
        self._ear = open_ear()

    def __call__(self, path: Path, expect: Expect) -> tuple[Event, float]:
        """What the machine is told of the recording, and how long it lasts, in seconds."""
        try:
            pcm, rate = read(path)
        except BadSound as error:
            return Unclear(0.0, str(error)), 0.0
        understood = self._ear.understand(pcm, rate, expect)
        return event_of(understood, 0.0) or Unclear(0.0, understood.why or ""), understood.audio_s
