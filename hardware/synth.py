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
from pathlib import Path

from hardware.synth_child import ASK, BAD, GOOD, HEAD, RATE

RATE_WPM = 170
LONGEST_TEXT = 2000                    # characters; a request always fits the pipe, so writing never blocks
LONGEST_PCM = 2 * RATE * 300           # bytes: five minutes of speech; more is garbage
CACHED_PHRASES, CACHED_BYTES = 200, 16 << 20
CHILD = (sys.executable, "-m", "hardware.synth_child")
ROOT = Path(__file__).resolve().parent.parent


class SynthError(Exception):
    """Nothing could be rendered; str() is one plain sentence for the technician."""


def seconds(pcm: bytes, rate: int = RATE) -> float:
    """Length of 16-bit mono PCM."""
    return len(pcm) / (2 * rate)


class Synth:
    """`render(text)` gives 16-bit signed mono PCM at `Synth.RATE` (22,050 Hz). Safe to call from any thread;
    one request at a time. The last phrases are kept. The child starts at once,
    beside whatever else is starting.

    command    the child's command line (another one in tests)
    limit_s    longest wait for one rendering; then the child is killed and the next call starts a new one
    start_s    longest wait for a new child's greeting (a slow memory card needs seconds)
    """

    RATE = RATE

    def __init__(self, command: tuple[str, ...] = CHILD, limit_s: float = 4.0, start_s: float = 15.0) -> None:
        self._command, self._limit_s, self._start_s = command, limit_s, start_s
        self._lock = threading.Lock()
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
        with self._lock:
            key = (text, int(rate_wpm))
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
            pcm = self._render_guarded({"text": text, "rate": int(rate_wpm)})
            self._keep(key, pcm)
            return pcm

    def close(self) -> None:
        """Stop the child. A later render starts a new one."""
        with self._lock:
            self._end_child()

    def _keep(self, key: tuple[str, int], pcm: bytes) -> None:
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
            self._child = subprocess.Popen(self._command, cwd=ROOT, bufsize=0, stdin=subprocess.PIPE,
                                           stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        except OSError as e:
            raise SynthError(f"Speech does not start ({e.strerror}): run the set-up again.") from None
        os.set_blocking(self._child.stdin.fileno(), False)
        self._greeted, self._number = False, 0

    def _ensure_child(self) -> None:
        if not self._child or (self._greeted and self._child.poll() is not None):
            self._start_child()
        if not self._greeted:
            self._answer(0, self._start_s)
            self._greeted = True

    def _exchange(self, request: dict) -> bytes:
        self._number += 1
        body = json.dumps(request).encode()
        try:
            self._child.stdin.write(HEAD.pack(ASK, self._number, len(body)) + body)
        except OSError:
            raise _Died("The speech process ended by itself; text and beeps go on.") from None
        return self._answer(self._number, self._limit_s)

    def _answer(self, number: int, limit_s: float) -> bytes:
        deadline = time.monotonic() + limit_s
        kind, answered, length = HEAD.unpack(self._read(HEAD.size, deadline, limit_s))
        sound = kind == GOOD and length % 2 == 0 or kind == BAD
        if not sound or answered != number or length > LONGEST_PCM:
            raise SynthError("The speech process answered nonsense and was restarted; text and beeps go on.")
        body = self._read(length, deadline, limit_s)
        if kind == BAD:
            raise SynthError(body.decode("utf-8", "replace"))
        return body

    def _read(self, count: int, deadline: float, limit_s: float) -> bytes:
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
        for pipe in (child.stdin, child.stdout):
            pipe.close()


class _Died(Exception):
    """The child's pipe closed."""
