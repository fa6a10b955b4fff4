"""What `bowlside mic check` does: record the noise, its own clicks and five digits; or read them from files."""
from __future__ import annotations

import sys
import time
import wave
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from assistant.speech import mic_report
from assistant.speech.mic_report import Measured
from models import level
from models.wav import LONGEST_S, RATE, RATES, BadSound, to_sound

QUIET_S = 5.0
PATIENCE_S = 6.0
"""For the sound devices to open."""
CLICKS = 3
ECHO_DB = 6.0
"""Over the noise: so much of the station's own voice would begin an utterance (see listener.START_DB)."""
ECHO_LOOK_S = 1.2
"""After the end of its own voice: the longest echo of a hall and a slow sound system together. Ours."""

QUIET = "Leave the machines running, and be quiet for five seconds."
WORDS = "Now say, at the distance you work at: one, two, three, four, five."


# --- from recordings -------------------------------------------------------------------------------------------------------

def from_file(name: str) -> Measured:
    left, right = _channels(Path(name))
    sound = (left + right) / 2
    cancels = right is not left and level.channels_cancel(left, right)
    power = level.loudness(sound)
    still = np.repeat(power <= 4 * np.percentile(power, 30), level.FRAME)      # the background has no place of its own here
    measured = mic_report.of(sound[:len(still)][still], sound, cancels=cancels)
    return replace(measured, offset_db=level.offset_db(sound), hum_hertz=0)       # hum can't be told from joined pieces


def _channels(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Left and right at 16 kHz; the same array twice where there is one channel."""
    try:
        with wave.open(str(path), "rb") as file:
            channels, width, rate, count = file.getnchannels(), file.getsampwidth(), file.getframerate(), file.getnframes()
            if channels not in (1, 2) or width != 2 or rate not in RATES:
                raise BadSound(f"{path}: give 16-bit WAV of one or two channels at one of {', '.join(map(str, RATES))} Hz.")
            if not rate <= count <= LONGEST_S * rate:
                raise BadSound(f"{path}: give between one second and {LONGEST_S}.")
            pcm = np.frombuffer(file.readframes(count), "<i2")
    except (wave.Error, EOFError):
        raise BadSound(f"{path}: not a PCM WAV file; record it again as 16-bit WAV.") from None
    except OSError as error:
        raise BadSound(f"{path}: can't be read ({error.strerror}); check its name.") from None
    pcm = pcm[:len(pcm) // channels * channels].reshape(-1, channels)
    sides = [to_sound(np.ascontiguousarray(pcm[:, side]).tobytes(), rate) for side in range(channels)]
    return sides[0], sides[-1]


# --- from the microphone ---------------------------------------------------------------------------------------------------

class NoMicrophone(Exception):
    """str() is one plain sentence."""


class Recorder:
    """Everything that the microphone gives, with the time at which it came: deafness is decided by that time."""

    def __init__(self) -> None:
        self.blocks: list[tuple[float, bytes]] = []

    def take(self, block: bytes) -> None:
        self.blocks.append((time.monotonic(), block))

    def between(self, begin: float, end: float) -> np.ndarray:
        return to_sound(b"".join(block for at, block in list(self.blocks) if begin <= at < end), RATE)

    def last_loud(self, begin: float, end: float, floor: float) -> float | None:
        """The time at which the last sound ``ECHO_DB`` over the power ``floor`` came; None: there was none."""
        loud = [at for at, block in list(self.blocks)
                if begin <= at < end and level.loudness(to_sound(block, RATE)).max() > floor * 10 ** (ECHO_DB / 10)]
        return max(loud, default=None)


def listen(words_s: float) -> Measured:
    from hardware.microphone import Microphone, two_channels
    from hardware.speaker import TAIL_S, Speaker
    from hardware.synth import Synth

    both = two_channels(0.5)
    trouble: list[str] = []
    recorder = Recorder()
    speaker = Speaker(Synth())
    microphone = Microphone(recorder.take, lambda: False, trouble.append)
    try:
        _wait(lambda: bool(recorder.blocks or trouble), PATIENCE_S)
        if not recorder.blocks:
            raise NoMicrophone(trouble[0] if trouble else "The microphone gives nothing: connect it again, or use the keypad.")
        time.sleep(0.3)
        if len(recorder.blocks) > 100:      # 30 ms each: the first tenth of them would be plenty
            raise NoMicrophone("The microphone gives sound faster than time passes, so it is none: choose a real one as the "
                               "system's input.")
        _wait(lambda: speaker.audible, 1.0)
        quiet = _after_saying(QUIET, QUIET_S, speaker, recorder)
        floor = level.background(level.loudness(quiet))
        echo = _echo(speaker, recorder, floor) if speaker.audible else None
        spoken = _after_saying(WORDS, words_s, speaker, recorder)
    finally:
        microphone.close()
        speaker.close()
    return mic_report.of(quiet, spoken, cancels=both is not None and level.channels_cancel(*both),
                         tail_s=TAIL_S, echo_s=echo)


def _after_saying(words: str, seconds: float, speaker, recorder: Recorder) -> np.ndarray:
    """Say and show ``words``, then the sound of the ``seconds`` after them and their echo."""
    print(words, file=sys.stderr, flush=True)
    speaker.say("mic-check", words)
    _wait(lambda: not speaker.busy, 20.0)
    begin = max(time.monotonic(), speaker.deaf_until() + 0.5)
    time.sleep(begin + seconds - time.monotonic())
    return recorder.between(begin, begin + seconds)


def _echo(speaker, recorder: Recorder, floor: float) -> float | None:
    """How long after its last sound has left (as the station reckons) the microphone still hears it: the middle of three
    clicks, so that one blow on the site does not count. None: it does not hear them."""
    from hardware.speaker import TAIL_S

    after = []
    for _ in range(CLICKS):
        begin = time.monotonic()
        speaker.cue("tap")
        time.sleep(0.4)
        ended = speaker.deaf_until() - TAIL_S
        time.sleep(max(0.0, ended + ECHO_LOOK_S - time.monotonic()))
        last = recorder.last_loud(begin, ended + ECHO_LOOK_S, floor)
        if last is not None:
            after.append(last - ended)
    return sorted(after)[len(after) // 2] if len(after) > CLICKS // 2 else None


def _wait(condition: Callable[[], bool], limit_s: float) -> None:
    end = time.monotonic() + limit_s
    while not condition() and time.monotonic() < end:
        time.sleep(0.02)
