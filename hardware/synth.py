"""Text to speech samples, through pyttsx3 in a child process that may hang or die without harm."""

from __future__ import annotations

import contextlib
import json
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import replace

from hardware import voice_shape
from hardware.phrase_store import PhraseStore
from hardware.synth_process import RATE
from hardware.voice import OWN_DRIVER, OWN_NAME, RATE_WPM, VoiceSettings
from hardware.worker import Worker, WorkerError

LONGEST_TEXT = 2000                    # characters
CACHED_PHRASES, CACHED_BYTES = 200, 4 << 20
"""Held in memory: a minute and a half of speech. What is prepared is on disk, and as quick from there; figures: tests/measured.md."""
WHY = {"no_process": "Speech does not start ({0.words}): run the set-up again.", "refused": "{0.words}", "failed": "{0.words}",
       "slow": "Speech took longer than {0.limit_s:g} s and was cut off; text goes on.",
       "ended": "The speech process ended by itself; text and beeps go on.",
       "nonsense": "The speech process answered nonsense and was restarted; text and beeps go on."}
"""What is told of each WorkerError."""


class SynthError(Exception):
    """Nothing could be rendered; str() is one plain sentence for the technician."""


def seconds(pcm: bytes, rate: int = RATE) -> float:
    """Length of 16-bit mono PCM."""
    return len(pcm) / (2 * rate)


class Synth:
    """`render(text)` gives 16-bit signed mono PCM at `Synth.RATE` (22,050 Hz), shaped to carry over an engine. Safe to
    call from any thread; one request at a time. The last phrases are kept. The child starts at once, beside whatever
    else is starting.

    voice      what speaks. A driver or voice that can't be used is replaced by our own; `problem` then says so
    store      phrases kept from earlier starts; None: only in memory
    command    the child's command line (another one in tests)
    limit_s    longest wait for one rendering; then the child is killed and the next call starts a new one
    start_s    longest wait for a new child's greeting (a slow memory card needs seconds)
    """

    RATE = RATE

    def __init__(self, voice: VoiceSettings = VoiceSettings(), store: PhraseStore | None = None,
                 command: tuple[str, ...] | None = None, limit_s: float = 4.0, start_s: float = 15.0) -> None:
        self.voice, self._store, self._command = voice, store, command
        self._limit_s, self._start_s = limit_s, start_s
        self.speaks = ""                   # voice and synthesiser, as the child names them; "" until it has greeted
        self.problem = ""                  # why it is not the voice that was asked for
        self._lock = threading.Lock()      # the child's
        self._keeping = threading.Lock()   # of the phrases kept: a kept one never waits for the child
        self._wanted = 0                   # how many wait for the child with something to say now
        self._closed = threading.Event()
        self._kept: OrderedDict[tuple[str, int], bytes] = OrderedDict()
        self.worker = self._worker()
        with contextlib.suppress(WorkerError):
            self.worker.start()

    @staticmethod
    def estimate(text: str, rate_wpm: int = RATE_WPM) -> float:
        """About how many seconds `text` takes to say, without rendering it. Fitted by least squares to 335
        real renderings of our prompts and read-backs (espeak-ng 1.51, en-us, 170 words a minute): off by
        0.28 s (rms)."""
        letters = len(re.findall(r"[a-z']", text.lower()))
        words, digits = len(re.findall(r"[\w']+", text)), len(re.findall(r"\d", text))
        commas, stops = len(re.findall(r"[,:;](?=\s+\S)", text)), len(re.findall(r"[.!?](?=\s+\S)", text))
        at_170 = 0.23 + 0.055 * letters + 0.036 * words + 0.43 * digits + 0.30 * commas + 0.65 * stops
        return at_170 * RATE_WPM / rate_wpm

    def render(self, text: str, rate_wpm: int = RATE_WPM) -> bytes:
        """PCM of `text` at `rate_wpm` words a minute; b"" for blank text. SynthError when it can't be had in
        time."""
        text = " ".join(text.split())
        if not text:
            return b""
        if len(text) > LONGEST_TEXT:
            raise SynthError(f"{len(text)} characters are too long to say at once: at most {LONGEST_TEXT}.")
        found = self._recall(text, rate_wpm)
        if found is not None:
            return found
        with self._keeping:
            self._wanted += 1
        try:
            with self._lock:
                return self._rendered(text, int(rate_wpm))
        finally:
            with self._keeping:
                self._wanted -= 1

    def prepare(self, texts: Iterable[str], rate_wpm: int = RATE_WPM,
                ready: Callable[[str], None] = lambda sentence: None) -> threading.Thread:
        """Render fixed phrases in the background, one by one, always behind what is to be said now.

        ready    told one sentence as soon as it is known which voice speaks
        """
        def work() -> None:
            try:
                with self._lock:
                    self._greeted()
            except WorkerError:
                return                     # told with the first words that can't be said
            ready(self.describe(rate_wpm))
            for text in dict.fromkeys(" ".join(one.split()) for one in texts):
                while self._wanted and not self._closed.wait(0.02):
                    pass
                if self._closed.is_set():
                    return
                if text and len(text) <= LONGEST_TEXT and not self._at_hand(text, int(rate_wpm)):
                    with self._lock, contextlib.suppress(SynthError):
                        self._rendered(text, int(rate_wpm), to_store=True)
        thread = threading.Thread(target=work, name="phrases", daemon=True)
        thread.start()
        return thread

    def describe(self, rate_wpm: int = RATE_WPM) -> str:
        """Which voice speaks, in a sentence; before that, why it is not the one that was asked for."""
        said = f"Voice: {self.speaks or self.voice.name}, {rate_wpm} words a minute, volume {self.voice.volume} percent."
        return f"{self.problem} {said}".strip()

    def close(self) -> None:
        """Stop the child. A later render starts a new one."""
        self._closed.set()
        with self._lock:
            self.worker.end()

    def _recall(self, text: str, rate_wpm: int) -> bytes | None:
        """A phrase kept in memory or on disk. From disk only once it is known what speaks."""
        key = (text, int(rate_wpm))
        with self._keeping:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        if self._store is None or not self.speaks:
            return None
        pcm = self._store.get(*self._name(*key))
        if pcm is not None:
            self._keep(key, pcm)
        return pcm

    def _at_hand(self, text: str, rate_wpm: int) -> bool:
        """In memory, or whole in the store, from where it is read when it is said."""
        with self._keeping:
            if (text, rate_wpm) in self._kept:
                return True
        return self._store is not None and self._store.get(*self._name(text, rate_wpm)) is not None

    def _rendered(self, text: str, rate_wpm: int, to_store: bool = False) -> bytes:
        """With the child's lock held."""
        request = json.dumps({"text": text, "rate": rate_wpm, "volume": self.voice.volume}).encode()
        try:
            self._greeted()
            pcm = self.worker.ask(request, self._limit_s, _whole_samples, again=True)
        except WorkerError as error:
            raise SynthError(WHY[error.why].format(error)) from None
        self._keep((text, rate_wpm), pcm)
        if to_store and self._store is not None:
            self._store.put(pcm, *self._name(text, rate_wpm))
        return pcm

    def _name(self, text: str, rate_wpm: int) -> tuple[object, ...]:
        """All that the sound depends on. What speaks, not what was asked for: they differ when a driver fails."""
        return (self.voice.driver, self.speaks, voice_shape.VERSION, RATE, self.voice.volume, rate_wpm, text)

    def _keep(self, key: tuple[str, int], pcm: bytes) -> None:
        with self._keeping:
            self._kept[key] = pcm
            while len(self._kept) > CACHED_PHRASES or sum(map(len, self._kept.values())) > CACHED_BYTES:
                self._kept.popitem(last=False)

    def _worker(self) -> Worker:
        return Worker("hardware.synth_process", self.voice.driver, self.voice.name, start_s=self._start_s, command=self._command)

    def _greeted(self) -> None:
        """Another driver or voice that can't be used is replaced by our own, in a new process, and it is said."""
        try:
            greeting = self.worker.ready()
        except WorkerError as error:
            if self._command or (self.voice.driver, self.voice.name) == (OWN_DRIVER, OWN_NAME):
                raise
            self.problem = f"{WHY[error.why].format(error)} {OWN_NAME} of espeak-ng speaks instead."
            self.voice = replace(self.voice, driver=OWN_DRIVER, name=OWN_NAME)
            self.worker = self._worker()
            greeting = self.worker.ready()
        self.speaks = greeting.decode("utf-8", "replace")


def _whole_samples(pcm: bytes) -> bytes:
    if len(pcm) % 2:
        raise ValueError
    return pcm
