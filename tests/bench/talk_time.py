"""How long the station talks while the technician could go on, over the two runs of a test; terse against normal wording.

    python -m tests.bench.talk_time

Speech is rendered by the real synthesiser, time is virtual. Counted: every second of speech from the first charge to the
results that does not fall into a hold or the tapping, where he has to wait anyhow. The normal wording is the baseline.
"""
from __future__ import annotations

import json
import tempfile
from collections import Counter
from pathlib import Path

from assistant.cli import DEMO
from assistant.record.journal import Journal
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import read
from assistant.rehearsal.voice_on_tape import VoiceOnTape
from assistant.station.voice_out import PACE
from hardware import cues
from hardware.speaker import SILENCE_S
from hardware.synth import seconds

CLICK = seconds(cues.render("before_words"))
"""Before words that follow on silence; as long as they are."""
WAITING = ("rest.", "settle.")


class Stopwatch(VoiceOnTape):
    """The real voice, with a list of when it spoke and for how long."""

    def __init__(self, rate_wpm: int) -> None:
        super().__init__(Path("/dev/null"), rate_wpm)
        self.spoken: list[tuple[str, float]] = []
        self.sounded = -SILENCE_S

    def speech(self, text: str, wpm: int, at_s: float) -> None:
        click = CLICK if at_s - self.sounded >= SILENCE_S else 0.0
        length = self.length(text, wpm)
        self.spoken.append((text, length + click))
        self.sounded = at_s + length

    def cue(self, name: str, at_s: float) -> None:
        self.sounded = at_s + seconds(cues.render(name))

    def __exit__(self, *_: object) -> None:
        self._synth.close()


def talk(style: str) -> tuple[float, Counter[str]]:
    """Seconds of talk, in all and by kind of prompt."""
    lines = DEMO.read_text(encoding="utf-8").splitlines()
    lines[0] = json.dumps({**json.loads(lines[0]), "speech": style})
    said: list[str] = []
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder)) as journal, Stopwatch(PACE[style]) as voice:
        Rehearsal(read(lines, "demo", DEMO.parent), journal, lambda line: said.append(line["id"]) if line["kind"] == "said" else None,
                  answer_rest=True, voice=voice).run()
        by_kind: Counter[str] = Counter()
        running = False
        for prompt, (_, length) in zip(said, voice.spoken, strict=True):
            running = (running or prompt == "pump.1.1") and prompt != "results"
            if running and not prompt.startswith(WAITING):
                kind = "read-back" if prompt.endswith(".confirm") else prompt.split(".")[0]
                by_kind[kind] += length
        return sum(by_kind.values()), by_kind


def main() -> None:
    normal, terse = talk("normal"), talk("terse")
    print(f"normal {normal[0]:.1f} s, terse {terse[0]:.1f} s, ratio {terse[0] / normal[0]:.2f} (goal: terse at most 60 s)")
    for kind, spent in terse[1].most_common():
        print(f"  {kind:<12} {spent:6.1f} s terse {normal[1][kind]:8.1f} s normal")


if __name__ == "__main__":
    main()
