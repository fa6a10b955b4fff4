"""Text to speech samples, through pyttsx3 in a child process that may hang or die without harm."""

from __future__ import annotations

import contextlib
import json
import os
import re
import select
import subprocess
import sys
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from hardware import voice_shape
from hardware.phrase_store import PhraseStore
from hardware.synth_child import ASK, BAD, GOOD, HEAD, RATE
from hardware.voice import OWN_DRIVER, OWN_NAME, RATE_WPM, VoiceSettings

LONGEST_TEXT = 2000                    # characters; a request always fits the pipe, so writing never blocks
LONGEST_PCM = 2 * RATE * 300           # bytes: five minutes of speech; more is garbage
CACHED_PHRASES, CACHED_BYTES = 200, 4 << 20
"""Held in memory: a minute and a half of speech. What is prepared is on disk, and as quick from there; figures: tests/measured.md."""
CHILD = (sys.executable, "-m", "hardware.synth_child")
ROOT = Path(__file__).resolve().parent.parent


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
        self._child: subprocess.Popen | None = None
        self._number, self._greeted = 0, False
        self._kept: OrderedDict[tuple[str, int], bytes] = OrderedDict()
        self._failures, self._rest_until, self._problem = 0, 0.0, ""
        with contextlib.suppress(SynthError):
            self._start_child()

    @property
    def pid(self) -> int | None:
        """The child's process id while one runs."""
        return self._child.pid if self._child else None

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
                    self._ensure_child()
            except (SynthError, _Died):
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
            self._end_child()

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
        pcm = self._render_guarded({"text": text, "rate": rate_wpm, "volume": self.voice.volume})
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

    def _render_guarded(self, request: dict) -> bytes:
        """One request; a child that died meanwhile is replaced once, a failing one is left in peace for a
        while."""
        if time.monotonic() < self._rest_until:
            raise SynthError(self._problem)
        for last_try in (False, True):
            try:
                self._ensure_child()
                pcm = self._exchange(request)
            except _Died as died:
                self._end_child()
                if last_try:
                    self._fail(str(died))
            except SynthError as problem:
                self._end_child()
                self._fail(str(problem))
            else:
                self._failures = 0
                return pcm
        raise AssertionError("not reached")

    def _fail(self, sentence: str) -> None:
        self._failures += 1
        rest = 0.0 if self._failures == 1 else min(30.0, 2.0 ** (self._failures - 1))
        self._rest_until, self._problem = time.monotonic() + rest, sentence
        raise SynthError(sentence) from None

    def _start_child(self) -> None:
        self._end_child()
        try:
            command = self._command or (*CHILD, self.voice.driver, self.voice.name)
            self._child = subprocess.Popen(command, cwd=ROOT, bufsize=0, stdin=subprocess.PIPE,
                                           stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        except OSError as e:
            raise SynthError(f"Speech does not start ({e.strerror}): run the set-up again.") from None
        assert self._child.stdin is not None
        os.set_blocking(self._child.stdin.fileno(), False)
        self._greeted, self._number = False, 0

    def _ensure_child(self) -> None:
        if not self._child or (self._greeted and self._child.poll() is not None):
            self._start_child()
        if not self._greeted:
            try:
                self.speaks = self._answer(0, self._start_s).decode("utf-8", "replace")
            except (SynthError, _Died) as wrong:
                if self._command or (self.voice.driver, self.voice.name) == (OWN_DRIVER, OWN_NAME):
                    raise
                self._fall_back(str(wrong))
            self._greeted = True

    def _fall_back(self, why: str) -> None:
        """Another driver or voice can't be used: our own speaks, in a new process, and it is said."""
        self.problem = f"{why} {OWN_NAME} of espeak-ng speaks instead."
        self.voice = replace(self.voice, driver=OWN_DRIVER, name=OWN_NAME)
        self._start_child()
        self.speaks = self._answer(0, self._start_s).decode("utf-8", "replace")

    def _exchange(self, request: dict) -> bytes:
        self._number += 1
        body = json.dumps(request).encode()
        assert self._child is not None and self._child.stdin is not None
        try:
            self._child.stdin.write(HEAD.pack(ASK, self._number, len(body)) + body)
        except OSError:
            raise _Died("The speech process ended by itself; text and beeps go on.") from None
        return self._answer(self._number, self._limit_s)

    def _answer(self, number: int, limit_s: float) -> bytes:
        deadline = time.monotonic() + limit_s
        kind, answered, length = HEAD.unpack(self._read(HEAD.size, deadline, limit_s))
        sound = kind == GOOD and (number == 0 or length % 2 == 0) or kind == BAD
        if not sound or answered != number or length > LONGEST_PCM:
            raise SynthError("The speech process answered nonsense and was restarted; text and beeps go on.")
        body = self._read(length, deadline, limit_s)
        if kind == BAD:
            raise SynthError(body.decode("utf-8", "replace"))
        return body

    def _read(self, count: int, deadline: float, limit_s: float) -> bytes:
        assert self._child is not None and self._child.stdout is not None
        pipe, got = self._child.stdout.fileno(), bytearray()
        while len(got) < count:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([pipe], [], [], left)[0]:
                raise SynthError(f"Speech took longer than {limit_s:g} s and was cut off; text goes on.")
            chunk = os.read(pipe, count - len(got))
            if not chunk:
                raise _Died("The speech process ended by itself; text and beeps go on.")
            got += chunk
        return bytes(got)

    def _end_child(self) -> None:
        child, self._child = self._child, None
        if not child:
            return
        child.kill()
        child.wait()
        for pipe in filter(None, (child.stdin, child.stdout)):
            pipe.close()


class _Died(Exception):
    """The child's pipe closed."""
