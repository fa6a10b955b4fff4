"""The process in which speech is synthesised: `python -m hardware.synth_child DRIVER VOICE`. Started and guarded by
`synth.py`.

Frames on both pipes are a head of 12 bytes and a body. Request: "BWRQ", number, length, then JSON {text,
rate, volume}. Answer: "BWOK" with PCM, shaped (voice_shape.py), or "BWNO" with one plain sentence. Number 0 is the greeting
after start; its body names what speaks. A request that takes longer than HANG_S ends this process, so that it never outlives a
killed parent in a hang.
"""

from __future__ import annotations

import json
import os
import signal
import struct
import sys
from collections.abc import Callable
from typing import BinaryIO

from hardware.other_driver import DriverFault, OtherDriver
from hardware.voice import OWN_DRIVER, OWN_NAME, RATE_WPM
from hardware.voice_shape import shape

HEAD = struct.Struct(">4sII")
ASK, GOOD, BAD = b"BWRQ", b"BWOK", b"BWNO"
RATE = 22050              # samples a second of the PCM
HANG_S = 30
NEEDS_ESPEAK = "The speech synthesiser is missing, so there are only text and beeps: install espeak-ng."
NEEDS_PYTTSX3 = "The Python package pyttsx3 is missing, so there are only text and beeps: run the set-up."


def send(out: BinaryIO, kind: bytes, number: int, body: bytes) -> None:
    out.write(HEAD.pack(kind, number, len(body)) + body)
    out.flush()


Render = Callable[[str, int], bytes]


def open_own(voice: str) -> tuple[str, Render]:
    """(what speaks, render(text, words a minute)); RuntimeError or ImportError when espeak or pyttsx3 is missing."""
    import pyttsx3

    from hardware import espeak_driver

    engine = pyttsx3.init(espeak_driver.register())
    caught: list = []
    engine.connect("pcm", lambda name, pcm: caught.append(pcm))
    engine.connect("error", lambda name, exception: caught.append(exception))

    def render(text: str, rate: int) -> bytes:
        caught.clear()
        engine.setProperty("rate", rate)
        engine.say(text)
        engine.runAndWait()
        problem = next((c for c in caught if isinstance(c, Exception)), None)
        if problem is not None:
            raise problem
        return b"".join(caught)

    engine.setProperty("voice", voice)
    try:
        render("one", RATE_WPM)
    except ValueError as e:
        raise DriverFault(f"{e}; espeak-ng --voices lists them.") from None
    return f"{voice}, {espeak_driver.version()}", render


def open_other(driver: str, voice: str) -> tuple[str, Render]:
    other = OtherDriver(driver, voice, RATE)
    return f"{other.voice}, {driver}", other.render


def main() -> int:
    signal.signal(signal.SIGINT, signal.SIG_IGN)    # Ctrl-C is for the station, not for its voice
    # What libraries print must not land among the frames.
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    inp = sys.stdin.buffer
    signal.alarm(HANG_S)
    driver, voice = sys.argv[1:3] if len(sys.argv) > 2 else (OWN_DRIVER, OWN_NAME)
    try:
        speaks, render = open_own(voice) if driver == OWN_DRIVER else open_other(driver, voice)
    except DriverFault as e:
        send(out, BAD, 0, str(e).encode())
        return 1
    except ImportError as e:
        send(out, BAD, 0, (NEEDS_PYTTSX3 if e.name == "pyttsx3" else str(e)).encode())
        return 1
    except RuntimeError as e:
        sentence = NEEDS_ESPEAK if "installed" in str(e) else f"Speech does not start: {e}."
        send(out, BAD, 0, sentence.encode())
        return 1
    send(out, GOOD, 0, speaks.encode())
    while True:
        signal.alarm(0)
        head = inp.read(HEAD.size)
        if len(head) < HEAD.size:
            return 0
        kind, number, length = HEAD.unpack(head)
        body = inp.read(length)
        if kind != ASK or len(body) < length:
            return 2
        signal.alarm(HANG_S)
        try:
            request = json.loads(body)
            pcm = render(request["text"], request["rate"])
            send(out, GOOD, number, shape(pcm, RATE, request["volume"], request["rate"]))
        except Exception as e:
            send(out, BAD, number, f"The speech synthesiser refused {body[:80]!r}: {str(e).rstrip('.')}.".encode())


if __name__ == "__main__":
    sys.exit(main())
