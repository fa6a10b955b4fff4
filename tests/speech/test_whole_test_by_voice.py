"""A whole sequential test from recordings alone: an independent voice (flite) speaks, the real recogniser hears.

The station itself speaks through its real synthesiser onto a tape, which is looked at afterwards.
"""
from __future__ import annotations

import json
import shutil
import subprocess
import sys
import wave
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from assistant.core import prompts, spoken
from assistant.core.procedure import build
from assistant.core.settings import Settings
from assistant.files.jsonline import loads
from assistant.procedures import load

RUNS = [[("14.50", "7.25"), ("30.02", "18.63"), ("44.98", "31.81")], [("14.52", "7.32"), ("30.00", "18.77"), ("45.00", "32.01")]]
OTHER_VOICE = "rms"
"""Who tries again where the first voice was not understood: saying the same recording twice helps nobody."""


def wav(folder: Path, words: str, voice: str) -> str:
    name = f"{voice}_{words.replace(' ', '_')}.wav"
    if not (folder / name).exists():
        subprocess.run(["flite", "-voice", voice, "-t", words, "-o", str(folder / name)], check=True, timeout=30)
    return name


def script(folder: Path, voice: str) -> Path:
    """Every prompt is answered by a recording; nothing is left to be answered otherwise."""
    lines: list[dict[str, object]] = [{"test": "sequential", "chamber_ratio": 0.06, "aggregate_correction_pct": 0.3}]

    def answer(prompt: str, *tries: str) -> None:
        """First as given, then each try by the other voice."""
        lines.append({"on": prompt, "hear": wav(folder, tries[0], voice)})
        lines.extend({"on": prompt, "hear": wav(folder, words, speaker)} for words in reversed(tries)
                     for speaker in (voice, OTHER_VOICE))
    said = {f"leak.{name}": value for name, value in (("charge", "45.24"), ("initial", "45.21"), ("final", "45.16"))}
    for run, steps in enumerate(RUNS, 1):
        for number, (charge, equilibrium) in enumerate(steps, 1):
            said[f"charge.{run}.{number}"], said[f"equilibrium.{run}.{number}"] = charge, equilibrium
    for prompt in prompts.prompts(build(load("sequential"), Settings())):
        if prompt.kind in ("tell", "tap"):
            answer(prompt.id, "next")
        elif prompt.kind in ("confirm", "choose") and prompt.id != "scrap.confirm":
            answer(prompt.id, "yes")
        elif prompt.id.removesuffix(".again") in said:     # nobody asked for the water's temperature here
            value = Decimal(said[prompt.id.removesuffix(".again")])
            again = prompt.id.endswith(".again")
            single = spoken.digits(value).replace(",", "")
            answer(prompt.id, single) if again else answer(prompt.id, spoken.say(value), single)
    path = folder / "by_voice.jsonl"
    path.write_text("\n".join(map(json.dumps, lines)), encoding="utf-8")
    return path


@pytest.mark.parametrize("voice", ["slt"])
def test_a_whole_test_from_recordings_alone(tmp_path: Path, voice: str) -> None:
    if shutil.which("flite") is None:
        pytest.skip("flite, the independent voice, is missing: apt-get install flite")
    tape = tmp_path / "station.wav"
    done = subprocess.run([sys.executable, "-m", "assistant", "rehearse", str(script(tmp_path, voice)), "--json",
                           "--journal", str(tmp_path / "journal"), "--wav", str(tape)],
                          capture_output=True, text=True, timeout=300)
    found = [loads(line) for line in done.stdout.splitlines()]
    assert done.returncode == 0, (done.stderr, found[-5:])
    results = {one["name"]: one["rounded"] for one in found if one["kind"] == "result"}
    assert results["air_content"] == Decimal("5.7") and results["system_air_metric"] == Decimal("0.20")
    taken = {one["id"]: one["value"] for one in found if one["kind"] == "taken"}
    assert taken["equilibrium.1.3"] == Decimal("31.81") and taken["equilibrium.2.3"] == Decimal("32.01") and len(taken) == 15
    assert all(one["source"] == "voice" for one in found if one["kind"] == "taken")
    _tape_is_sound(tape, found)


def _tape_is_sound(tape: Path, found: list[dict]) -> None:
    """Something is heard while the station says that it speaks, and the beats are equally spaced to the sample."""
    with wave.open(str(tape)) as sound:
        rate = sound.getframerate()
        samples = np.frombuffer(sound.readframes(sound.getnframes()), np.int16).astype(float)
    for one in [one for one in found if one["kind"] == "said"][:20]:
        at = int(float(one["at"]) * rate)
        assert np.abs(samples[at:at + rate]).max() > 1000, one
    beats = [one["at"] for one in found if one["kind"] == "cue" and one["name"] == "tap"][:10]
    assert {round(float(b - a), 3) for a, b in zip(beats, beats[1:])} == {1.0}
    first = int(float(beats[0]) * rate)
    one_beat = samples[first:first + rate // 4]
    for beat in range(1, 8):  # the loudest agreement of each later beat with the first lies exactly on its second
        near = samples[first + beat * rate - 50:first + beat * rate + 50 + len(one_beat)]
        best = int(np.argmax(np.correlate(near, one_beat, "valid"))) - 50
        assert abs(best) <= 1, f"beat {beat} is {best} samples off"
