"""The station's real voice and cues on the rehearsal's virtual clock, written to a WAV to be listened to."""
from __future__ import annotations

from pathlib import Path

from assistant.station.pronounce import pronounce
from hardware import cues
from hardware.stream import Tape
from hardware.synth import RATE_WPM, Synth, SynthError, seconds


class VoiceOnTape:
    """Renders every utterance through the real synthesiser; its real length paces the rehearsal."""

    def __init__(self, path: Path, rate_wpm: int = RATE_WPM) -> None:
        self._path, self._rate_wpm, self._synth, self._tape = path, rate_wpm, Synth(), Tape()

    def length(self, text: str, wpm: int) -> float:
        pcm = self._rendered(text, wpm)
        return self._synth.estimate(text) if pcm is None else seconds(pcm)

    def speech(self, text: str, wpm: int, at_s: float) -> None:
        pcm = self._rendered(text, wpm)
        if pcm is not None:
            self._tape.place(pcm, at_s)

    def _rendered(self, text: str, wpm: int) -> bytes | None:
        """Rendered once: the synthesiser keeps its last phrases. None: it fails, so the words only take their time."""
        try:
            return self._synth.render(pronounce(text), wpm or self._rate_wpm)
        except SynthError:
            return None

    def cue(self, name: str, at_s: float) -> None:
        self._tape.place(cues.render(name), at_s)

    def __enter__(self) -> "VoiceOnTape":
        return self

    def __exit__(self, *_: object) -> None:
        self._synth.close()
        self._tape.save(self._path)
