"""How soon the station speaks: from `say` to the first sample pulled of the words, and the latency that the stream reports.

    python -m tests.bench.speech_start

Through the real speech process, speaker, mixer and stream (the sound device, else the silent one, which has no latency of its
own). Cached: every fixed phrase of the test, prepared before, the last 4 MB in memory; from disk: in a new process of the
station; on the fly: read-backs that nobody rendered before. Without the click, which would come first.
"""
from __future__ import annotations

import argparse
import random
import tempfile
import time
from decimal import Decimal
from pathlib import Path

import numpy as np

from assistant.core import procedure, spoken
from assistant.core.settings import Settings
from assistant.procedures import load
from assistant.station.pronounce import pronounce
from assistant.station.voice_out import PACE, fixed
from hardware.mixer import Mixer
from hardware.phrase_store import PhraseStore
from hardware.speaker import Speaker
from hardware.synth import RATE_WPM, Synth
from hardware.voice import VoiceSettings


class StampedMixer(Mixer):
    """Notes when the first loud sample was pulled."""

    def __init__(self) -> None:
        super().__init__()
        self.first: float | None = None

    def fill(self, frames: int) -> np.ndarray:
        block = super().fill(frames)
        if self.first is None and np.abs(block).max(initial=0) > 30:
            self.first = time.monotonic()
        return block


def delays(speaker: Speaker, mixer: StampedMixer, texts: list[str]) -> list[float]:
    """Milliseconds from `say` to sound, of each text after the one before is over."""
    found = []
    for text in texts:
        while speaker.busy:
            time.sleep(0.002)
        mixer.first, begun = None, time.monotonic()
        speaker.say("x", text)
        while mixer.first is None and time.monotonic() - begun < 5:
            time.sleep(0.001)
        assert mixer.first is not None, text
        found.append(1000 * (mixer.first - begun + speaker.stream.latency_s))
        speaker.hush()
    return found


def measure(driver: str, count: int, wording: str = "normal") -> dict[str, list[float]]:
    """Delays in ms by kind."""
    texts = [pronounce(one) for one in fixed(procedure.build(load("sequential"), Settings()), wording)]
    texts = [one for one in dict.fromkeys(texts) if one]
    chance = random.Random(1)
    numbers = [pronounce(f"{spoken.digits(Decimal(f'{chance.uniform(0.2, 46):.2f}'))}. Right?") for _ in range(count)]
    found: dict[str, list[float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for turn in ("cached", "from disk"):
            synth, mixer = Synth(VoiceSettings(driver), PhraseStore(Path(folder))), StampedMixer()
            speaker = Speaker(synth, None, mixer=mixer, rate_wpm=PACE[wording], click=False)
            try:
                begun = time.monotonic()
                if turn == "cached":
                    synth.prepare(texts, PACE[wording]).join()
                    found["prepared all, ms"] = [1000 * (time.monotonic() - begun)]
                    found["on the fly"] = delays(speaker, mixer, numbers)
                else:
                    synth.render("one", RATE_WPM)
                found[turn] = delays(speaker, mixer, chance.sample(texts, min(count, len(texts))))
            finally:
                speaker.close()
        found["bytes on disk"] = [sum(path.stat().st_size for path in Path(folder).iterdir())]
    return found


def main() -> None:
    ask = argparse.ArgumentParser()
    ask.add_argument("--driver", default="bowlside")
    ask.add_argument("--count", type=int, default=40)
    args = ask.parse_args()
    for kind, found in measure(args.driver, args.count).items():
        if len(found) == 1:
            print(f"{kind}: {found[0]:.0f}")
        else:
            print(f"{kind}: p50 {np.percentile(found, 50):.0f} ms, p95 {np.percentile(found, 95):.0f} ms, "
                  f"longest {max(found):.0f} ms of {len(found)}")


if __name__ == "__main__":
    main()
