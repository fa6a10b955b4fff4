"""The recogniser in a process of its own, which may hang, die or talk nonsense without harm.

A decoder keeps the other threads of its process waiting, and a hang in its C code can't be ended from inside. Here it is cut
off after a limit and started again; keys, cues, clocks and the screen never wait for it. The process is
``python -m assistant.station.ear_process [MODEL]``. Frames on both pipes are a head of 12 bytes (kind, number, length) and a body.
Request: JSON of what is expected, a line's end, 16-bit mono PCM. Answer: JSON of what was understood, or one sentence.
Number 0 is the greeting; it names what hears. It ends with its input, so it never outlives a killed station.
"""
from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core.expect import Expect
from assistant.core.language import sentence
from hardware import memory
from models.ear import Understood
from models.locate import folder_of

CHILD = (sys.executable, "-m", "assistant.station.ear_process")
ROOT = Path(__file__).resolve().parents[2]
HEAD = struct.Struct(">4sII")
ASK, GOOD, BAD = b"BWHQ", b"BWHK", b"BWHN"
START_S = 30.0
"""Longest wait for the greeting: a large model from a slow memory card."""
SLACK_S = 3.0
"""An answer may take this and the length of the sound. Ours: the ear takes a fifth of that length here."""
LONGEST_ANSWER = 1 << 16
"""Bytes; more is garbage."""
HANG_S = 120
"""The process ends itself after so long in one piece of work: its station may be gone."""


class EarFailed(Exception):
    """Nothing was understood; str() is one plain sentence. The process is ended, the next call starts a new one."""


class EarMissing(EarFailed):
    """The process itself says why it can't hear (no such model): starting it again would not help."""


class EarApart:
    """Understands one utterance at a time, like ``models.ear.Ear``, for one thread.

    model     folder of a vosk model, or "own"; None: as the station itself chooses
    command   the process's command line (another one in tests)
    slack_s   see SLACK_S
    start_s   see START_S
    """

    def __init__(self, model: str | None = None, command: Sequence[str] | None = None, slack_s: float = SLACK_S,
                 start_s: float = START_S) -> None:
        named = [str(folder_of(model).absolute())] if model else []     # the process has another working directory
        self._command = (*CHILD, *named) if command is None else tuple(command)
        self._slack_s, self._start_s = slack_s, start_s
        self._child: subprocess.Popen[bytes] | None = None
        self._number = 0
        self._closed = False
        self.sentence = ""
        """What hears, once it has started."""

    @property
    def pid(self) -> int | None:
        """The process id while one runs."""
        child = self._child
        return child.pid if child is not None and child.poll() is None else None

    def start(self) -> None:
        """Start the process unless it runs. EarFailed when it does not greet in time."""
        if self.pid is not None:
            return
        self._end()
        if self._closed:
            raise EarFailed(sentence("ear.ended"))
        try:
            child = self._child = subprocess.Popen(self._command, cwd=ROOT, bufsize=0, stdin=subprocess.PIPE,
                                                   stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
        except OSError as error:
            raise EarFailed(sentence("ear.no_process", error=error.strerror)) from None
        if self._closed:        # cut meanwhile, by another thread that saw no process yet
            child.kill()
        assert child.stdin is not None
        os.set_blocking(child.stdin.fileno(), False)
        self._number = 0
        with self._guarded():
            greeting = self._answer(child, time.monotonic() + self._start_s, self._start_s, EarMissing)
            self.sentence = greeting.decode("utf-8", "replace")

    def understand(self, pcm: bytes, rate: int, expect: Expect) -> Understood:
        """See ``models.ear.Ear.understand``. EarFailed when it can't be had in time; the process is ended then."""
        self.start()
        child = self._child
        assert child is not None
        limit_s = self._slack_s + len(pcm) / 2 / rate
        deadline = time.monotonic() + limit_s
        body = json.dumps({"rate": rate, **_plain(expect)}).encode() + b"\n" + pcm
        self._number += 1
        with self._guarded():
            self._write(child, HEAD.pack(ASK, self._number, len(body)) + body, deadline, limit_s)
            try:
                return Understood(**json.loads(self._answer(child, deadline, limit_s)))
            except (ValueError, TypeError):
                raise EarFailed(sentence("ear.nonsense")) from None

    def cut(self) -> None:
        """From any thread: no more hearing; who waits in ``understand`` is told that it ended."""
        self._closed = True
        child = self._child
        if child is not None:
            child.kill()

    def close(self) -> None:
        """From the thread that hears."""
        self._closed = True
        self._end()

    @contextlib.contextmanager
    def _guarded(self) -> Iterator[None]:
        """Whatever is wrong with the process, it is ended."""
        try:
            yield
        except EarFailed:
            self._end()
            raise
        except OSError:
            self._end()
            raise EarFailed(sentence("ear.ended")) from None

    def _write(self, child: subprocess.Popen[bytes], data: bytes, deadline: float, limit_s: float) -> None:
        assert child.stdin is not None
        pipe, rest = child.stdin.fileno(), memoryview(data)
        while rest:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([], [pipe], [], left)[1]:
                raise EarFailed(sentence("ear.slow", seconds=f"{limit_s:.0f}"))
            rest = rest[os.write(pipe, rest):]

    def _answer(self, child: subprocess.Popen[bytes], deadline: float, limit_s: float,
                refusal: type[EarFailed] = EarFailed) -> bytes:
        kind, number, length = HEAD.unpack(self._read(child, HEAD.size, deadline, limit_s))
        if kind not in (GOOD, BAD) or number != self._number or length > LONGEST_ANSWER:
            raise EarFailed(sentence("ear.nonsense"))
        body = self._read(child, length, deadline, limit_s)
        if kind == BAD:
            raise refusal(body.decode("utf-8", "replace"))
        return body

    def _read(self, child: subprocess.Popen[bytes], count: int, deadline: float, limit_s: float) -> bytes:
        assert child.stdout is not None
        pipe, got = child.stdout.fileno(), bytearray()
        while len(got) < count:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([pipe], [], [], left)[0]:
                raise EarFailed(sentence("ear.slow", seconds=f"{limit_s:.0f}"))
            chunk = os.read(pipe, count - len(got))
            if not chunk:
                raise EarFailed(sentence("ear.ended"))
            got += chunk
        return bytes(got)

    def _end(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        child.wait()
        for pipe in (child.stdin, child.stdout):
            assert pipe is not None
            pipe.close()


def _plain(expect: Expect) -> dict[str, Any]:
    """As JSON values; decimals become strings so that no digit is lost."""
    return {"expect": {**asdict(expect), **{name: None if getattr(expect, name) is None else str(getattr(expect, name))
                                            for name in ("low", "high")},
                       "near": None if expect.near is None else [str(one) for one in expect.near]}}


def _expected(plain: dict[str, Any]) -> Expect:
    decimals = {name: None if plain[name] is None else Decimal(plain[name]) for name in ("low", "high")}
    near = plain["near"] and (Decimal(plain["near"][0]), Decimal(plain["near"][1]))
    return Expect(**{**plain, **decimals, "near": near})


def main() -> int:
    """The process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)    # Ctrl-C is for the station, not for its ear
    memory.give_back()
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)                                   # what libraries print must not land among the frames

    def send(kind: bytes, number: int, body: bytes) -> None:
        out.write(HEAD.pack(kind, number, len(body)) + body[:LONGEST_ANSWER])
        out.flush()

    signal.alarm(HANG_S)
    try:
        from models.ear import open_ear
        ear = open_ear(sys.argv[1] if len(sys.argv) > 1 else None)
    except Exception as error:
        send(BAD, 0, str(error).encode())
        return 1
    send(GOOD, 0, ear.sentence.encode())
    while True:
        signal.alarm(0)
        head = sys.stdin.buffer.read(HEAD.size)
        if len(head) < HEAD.size:
            return 0
        kind, number, length = HEAD.unpack(head)
        body = sys.stdin.buffer.read(length)
        if kind != ASK or len(body) < length:
            return 2
        signal.alarm(HANG_S)
        try:
            asked, _, pcm = body.partition(b"\n")
            request = json.loads(asked)
            understood = ear.understand(pcm, request["rate"], _expected(request["expect"]))
            send(GOOD, number, json.dumps(asdict(understood)).encode())
        except Exception as error:
            send(BAD, number, sentence("ear.failed", error=error).encode())


if __name__ == "__main__":
    sys.exit(main())
