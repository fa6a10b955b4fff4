"""A process of its own for what may hang, die or keep other threads waiting: started, asked, cut off and ended in one way.

A frame is a head of 12 bytes (kind, number, length) and a body. Requests count from 1; what a process tells unasked has number 0,
and the first of that is its greeting. In place of its input the process has one end of a pair of sockets, and nothing else of its
station's: so it sees when the station is gone, and ends.

Not multiprocessing: its connections know no deadline within a message, so that an answer which stops half-way would hold the
station, and cost 2.5 MB a process; its `spawn` imports the main program once more, beside another process that keeps track.
"""
from __future__ import annotations

import contextlib
import os
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TypeVar

ROOT = Path(__file__).resolve().parents[1]
HEAD = struct.Struct(">4sII")
ASK, GOOD, BAD = b"BWHQ", b"BWHK", b"BWHN"
LONGEST = 1 << 24
"""Bytes of an answer: over five minutes of speech. More is garbage."""
WAITS_S = (0.0, 1.0, 5.0, 30.0)
"""Before it is started again: after one failure, two, and so on; a good answer begins anew. Ours."""
END_S = 0.4
"""So long a process that is let go of may take to end by itself."""
Answer = TypeVar("Answer")


class WorkerError(Exception):
    """Nothing came of it, and the process is ended; the next call starts another one, if it may by now.

    why      "no_process": the system starts none; "refused": it says itself why it can't start; "failed": why it can't answer;
             "slow", "ended" or "nonsense"
    words    the system's reason, or what the process says itself
    limit_s  how long it was waited for
    """

    def __init__(self, why: str, words: str = "", limit_s: float = 0.0) -> None:
        super().__init__(why, words, limit_s)
        self.why, self.words, self.limit_s = why, words, limit_s


class Worker:
    """One process at most, for one thread at a time; ``cut`` and ``pid`` are for any.

    module   what is imported as the process's main program, and its arguments
    start_s  longest wait for the greeting (a slow memory card needs seconds)
    waits_s  see WAITS_S
    command  in place of ``module`` (in tests)
    """

    def __init__(self, *module: str, start_s: float, waits_s: Sequence[float] = WAITS_S,
                 command: Sequence[str] | None = None) -> None:
        self._command = (sys.executable, "-m", *module) if command is None else tuple(command)
        self._start_s, self._waits_s = start_s, waits_s
        self.failures = 0
        """In a row. Whoever knows that all is well sets it to 0; a good answer does."""
        self._not_before, self._last = 0.0, WorkerError("ended")
        self._child: subprocess.Popen[bytes] | None = None
        self._link: socket.socket | None = None
        self._number, self._greeting = 0, b""
        self._greeted = self._cut = False

    @property
    def pid(self) -> int | None:
        """The process id while one runs."""
        child = self._child
        return child.pid if child is not None and child.poll() is None else None

    @property
    def rest_s(self) -> float:
        """So long it is left in peace from now on, since it failed."""
        return max(0.0, self._not_before - time.monotonic())

    def runs(self) -> bool:
        """Also before it has greeted. A death that nobody waited for is seen here, and is a failure."""
        if self._child is not None and self._greeted and self._child.poll() is not None:
            self._failed(WorkerError("ended"))
        return self._child is not None

    def start(self) -> None:
        """Unless it runs, or is left in peace. Returns without waiting for the greeting."""
        if self.runs():
            return
        if self.rest_s or self._cut:
            raise WorkerError(*self._last.args)
        try:
            self._link, theirs = socket.socketpair()
            with theirs:
                self._child = subprocess.Popen(self._command, cwd=ROOT, stdin=theirs.fileno(), stdout=subprocess.DEVNULL,
                                               stderr=subprocess.DEVNULL)
        except OSError as error:
            raise self._failed(WorkerError("no_process", error.strerror or str(error))) from None
        self._number, self._greeted = 0, False
        if self._cut:       # meanwhile, by another thread that saw no process yet
            self._child.kill()

    def ready(self) -> bytes:
        """Start it unless it runs; its greeting."""
        self.start()
        if not self._greeted:
            self._greeting = self.told(0.0, bytes)
        return self._greeting

    def ask(self, request: bytes, limit_s: float, read: Callable[[bytes], Answer], again: bool = False) -> Answer:
        """What ``read`` makes of the answer; an answer that it can't read (ValueError, TypeError, LookupError) is nonsense.

        limit_s  for sending and answering together
        again    one that dies of the request is asked once more, and that is no failure: it may have been dead before
        """
        self.ready()
        self._number += 1
        try:
            with self._guarded(limit_s, "ended" if again else "") as (link, deadline):
                link.settimeout(limit_s)
                link.sendall(HEAD.pack(ASK, self._number, len(request)) + request)
                answer = read(_frame(link, self._number, deadline))
        except WorkerError as error:
            if again and error.why == "ended":
                return self.ask(request, limit_s, read)
            raise
        self.failures = 0
        return answer

    def told(self, limit_s: float, read: Callable[[bytes], Answer]) -> Answer:
        """What ``read`` makes of the next that it tells unasked. The greeting may take ``start_s``, whatever the limit."""
        with self._guarded(limit_s if self._greeted else self._start_s) as (link, deadline):
            body = _frame(link, 0, deadline)
            self._greeted = True
            return read(body)

    def cut(self) -> None:
        """For good, from any thread: whoever waits for it is told that it ended."""
        self._cut = True
        child, link = self._child, self._link
        if child is not None and link is not None:
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
            _end(child, END_S)

    def end(self, wait_s: float = END_S) -> None:
        """For now: a later call starts another one."""
        child, link = self._child, self._link
        self._child = self._link = None
        if link is not None:
            link.close()
        if child is not None:
            _end(child, wait_s)

    @contextlib.contextmanager
    def _guarded(self, limit_s: float, forgiven: str = "") -> Iterator[tuple[socket.socket, float]]:
        """Gives the link and the deadline. Whatever is wrong with the process, it is ended."""
        try:
            if self._link is None:
                raise EOFError
            yield self._link, time.monotonic() + limit_s
            return
        except WorkerError as no:
            error = no if self._greeted else WorkerError("refused", no.words)
        except TimeoutError:
            error = WorkerError("slow", limit_s=limit_s)
        except (OSError, EOFError):
            error = WorkerError("ended")
        except (ValueError, TypeError, LookupError):
            error = WorkerError("nonsense")
        raise self._failed(error, forgiven == error.why) from None

    def _failed(self, error: WorkerError, forgiven: bool = False) -> WorkerError:
        self.end(END_S if self._cut else 0.0)
        self._last = error
        if not forgiven:
            self._not_before = time.monotonic() + self._waits_s[min(self.failures, len(self._waits_s) - 1)]
            self.failures += 1
        return error


def _frame(link: socket.socket, number: int, deadline: float) -> bytes:
    kind, answered, length = HEAD.unpack(_read(link, HEAD.size, deadline))
    if kind not in (GOOD, BAD) or answered != number or length > LONGEST:
        raise ValueError
    body = _read(link, length, deadline)
    if kind == BAD:
        raise WorkerError("failed", body.decode("utf-8", "replace"))
    return body


def _read(link: socket.socket, count: int, deadline: float) -> bytes:
    """What lies there counts whenever it is looked at: a recogniser may have kept this thread waiting past the deadline."""
    got = bytearray()
    while len(got) < count:
        link.settimeout(max(0.0, deadline - time.monotonic()))
        try:
            chunk = link.recv(count - len(got))
        except BlockingIOError:     # the deadline is over, and nothing lies there
            raise TimeoutError from None
        if not chunk:
            raise EOFError
        got += chunk
    return bytes(got)


def _end(child: subprocess.Popen[bytes], wait_s: float) -> None:
    """It has lost its station. The hard way where that doesn't help."""
    try:
        child.wait(wait_s)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()


Tell = Callable[[bytes], None]


def serve(open_: Callable[[Tell], tuple[bytes, Callable[[bytes], bytes]]], hang_s: int) -> int:
    """The process itself: opens, greets, answers one request after another, until its station is gone. Gives its exit status.

    open_   gets what tells something unasked, from any thread; gives the greeting and what answers. Both may raise: str() is told
    hang_s  so long in one piece of work, and the process ends itself: its station may be gone
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)    # Ctrl-C is for the station, not for what works for it
    link, sending = socket.socket(fileno=os.dup(0)), threading.Lock()
    with open(os.devnull, "rb") as nothing:
        os.dup2(nothing.fileno(), 0)                # so that what this one starts does not keep the link open
    requests = link.makefile("rb")

    def send(kind: bytes, number: int, body: bytes) -> None:
        with sending, contextlib.suppress(OSError):  # a station that is gone is seen where its requests are read
            link.sendall(HEAD.pack(kind, number, len(body)) + body)

    def read(count: int) -> bytes:
        try:
            return requests.read(count)
        except OSError:
            return b""

    signal.alarm(hang_s)
    try:
        greeting, answer = open_(lambda body: send(GOOD, 0, body))
    except Exception as error:
        send(BAD, 0, str(error).encode())
        return 1
    send(GOOD, 0, greeting)
    while True:
        signal.alarm(0)
        head = read(HEAD.size)
        kind, number, length = HEAD.unpack(head) if len(head) == HEAD.size else (b"", 0, 0)
        request = read(length)
        signal.alarm(hang_s)
        if kind != ASK or len(request) < length:
            return 0
        try:
            send(GOOD, number, answer(request))
        except Exception as error:
            send(BAD, number, str(error).encode())
