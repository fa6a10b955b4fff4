"""The recogniser in a process of its own (``hardware.worker``), which may hang, die or talk nonsense without harm.

A decoder keeps the other threads of its process waiting, and a hang in its C code can't be ended from inside. Here it is cut
off after a limit and started again; keys, cues, clocks and the screen never wait for it. The process is
``python -m assistant.station.ear_process [MODEL]``; its greeting names what hears. Request: JSON of what is expected, a line's end,
16-bit mono PCM. Answer: JSON of what was understood.
"""
from __future__ import annotations

import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from decimal import Decimal
from typing import Any

from assistant.core.expect import Expect
from assistant.core.language import sentence
from hardware import memory
from hardware.worker import Worker, WorkerError, serve
from models.ear import Understood
from models.locate import folder_of

START_S = 30.0
"""Longest wait for the greeting: a large model from a slow memory card."""
SLACK_S = 3.0
"""An answer may take this and the length of the sound. Ours: the ear takes a fifth of that length here."""
HANG_S = 120


class EarFailed(Exception):
    """Nothing was understood; str() is one plain sentence. The process is ended, the next call starts a new one."""


class EarMissing(EarFailed):
    """The process itself says why it can't hear (no such model): starting it again would not help."""


class EarProcess:
    """Understands one utterance at a time, like ``models.ear.Ear``, for one thread.

    model     folder of a vosk model, or "own"; None: as the station itself chooses
    command   the process's command line (another one in tests)
    slack_s   see SLACK_S
    start_s   see START_S
    """

    def __init__(self, model: str | None = None, command: Sequence[str] | None = None, slack_s: float = SLACK_S,
                 start_s: float = START_S) -> None:
        named = [str(folder_of(model).absolute())] if model else []     # the process has another working directory
        self.worker = Worker("assistant.station.ear_process", *named, start_s=start_s, command=command)
        self._slack_s = slack_s
        self.sentence = ""
        """What hears, once it has started."""

    def start(self) -> None:
        """Start the process unless it runs. EarFailed when it does not greet in time."""
        try:
            self.sentence = self.worker.ready().decode("utf-8", "replace")
        except WorkerError as error:
            raise _failed(error) from None

    def understand(self, pcm: bytes, rate: int, expect: Expect) -> Understood:
        """See ``models.ear.Ear.understand``. EarFailed when it can't be had in time; the process is ended then."""
        self.start()
        try:
            return self.worker.ask(_request(rate, expect) + b"\n" + pcm, self._slack_s + len(pcm) / 2 / rate,
                                   lambda answer: Understood(**json.loads(answer)))
        except WorkerError as error:
            raise _failed(error) from None


def _failed(error: WorkerError) -> EarFailed:
    if error.why == "refused":
        return EarMissing(error.words)
    return EarFailed(sentence(f"ear.{error.why}", error=error.words, seconds=f"{error.limit_s:.0f}"))


def _request(rate: int, expect: Expect) -> bytes:
    """Decimals become strings, so that no digit is lost."""
    return json.dumps({"rate": rate, "expect": asdict(expect)}, default=str).encode()


def _expected(plain: dict[str, Any]) -> Expect:
    low, high, *near = (None if text is None else Decimal(text) for text in (plain["low"], plain["high"], *(plain["near"] or ())))
    return Expect(**{**plain, "low": low, "high": high, "near": tuple(near) or None})


def _open() -> tuple[bytes, Callable[[bytes], bytes]]:
    memory.give_back()
    from assistant.station.hearing import open_ear
    ear = open_ear(sys.argv[1] if len(sys.argv) > 1 else None)

    def understand(request: bytes) -> bytes:
        asked, _, pcm = request.partition(b"\n")
        wanted = json.loads(asked)
        return json.dumps(asdict(ear.understand(pcm, wanted["rate"], _expected(wanted["expect"])))).encode()
    return ear.sentence.encode(), understand


if __name__ == "__main__":
    sys.exit(serve(lambda tell: _open(), HANG_S))
