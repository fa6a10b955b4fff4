"""The station's real voice and cues on the rehearsal's virtual clock, written to a WAV to be listened to."""
from __future__ import annotations

from pathlib import Path

from assistant.pronounce import pronounce
from hardware import cues
from hardware.stream import Tape
from hardware.synth import RATE_WPM, Synth, SynthError, seconds


class VoiceOnTape:
    """Renders every utterance through the real synthesiser; its real length paces the rehearsal."""

    def __init__(self, path: Path) -> None:
        self._path, self._synth, self._tape = path, Synth(), Tape()

    def speech(self, text: str, wpm: int, at_s: float) -> float:
        try:
            pcm = self._synth.render(pronounce(text), wpm or RATE_WPM)
        except SynthError:
            return self._synth.estimate(text)
        self._tape.place(pcm, at_s)
        return seconds(pcm)

    def cue(self, name: str, at_s: float) -> None:
        self._tape.place(cues.render(name), at_s)

    def __enter__(self) -> "VoiceOnTape":
        return self

    def __exit__(self, *_: object) -> None:
        self._synth.close()
        self._tape.save(self._path)
