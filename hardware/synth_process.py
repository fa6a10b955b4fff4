"""The process in which speech is synthesised: `python -m hardware.synth_process DRIVER VOICE`, started and guarded by `synth.py`.

Its greeting names what speaks. Request: JSON {text, rate, volume}. Answer: PCM, shaped (voice_shape.py).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable

from hardware.other_driver import DriverFault, OtherDriver
from hardware.voice import OWN_DRIVER, OWN_NAME, RATE_WPM
from hardware.voice_shape import shape
from hardware.worker import serve

RATE = 22050              # samples a second of the PCM
HANG_S = 30
NEEDS_ESPEAK = "The speech synthesiser is missing, so there are only text and beeps: install espeak-ng."
NEEDS_PYTTSX3 = "The Python package pyttsx3 is missing, so there are only text and beeps: run the set-up."


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


def opened(driver: str = OWN_DRIVER, voice: str = OWN_NAME) -> tuple[bytes, Callable[[bytes], bytes]]:
    """What speaks, and what answers requests. DriverFault, with one plain sentence, where that can't be had."""
    try:
        speaks, render = open_own(voice) if driver == OWN_DRIVER else open_other(driver, voice)
    except DriverFault:
        raise
    except ImportError as e:
        raise DriverFault(NEEDS_PYTTSX3 if e.name == "pyttsx3" else str(e)) from None
    except RuntimeError as e:
        raise DriverFault(NEEDS_ESPEAK if "installed" in str(e) else f"Speech does not start: {e}.") from None

    def answer(request: bytes) -> bytes:
        asked = json.loads(request)
        try:
            return shape(render(asked["text"], asked["rate"]), RATE, asked["volume"], asked["rate"])
        except Exception as e:
            raise DriverFault(f"The speech synthesiser refused {asked['text'][:80]!r}: {str(e).rstrip('.')}.") from None
    return speaks.encode(), answer


if __name__ == "__main__":
    sys.exit(serve(lambda tell: opened(*sys.argv[1:3]), HANG_S))
