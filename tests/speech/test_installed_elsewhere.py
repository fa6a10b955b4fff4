"""A wheel in an environment of its own, without the noise remover that set-up adds, hears as the set-up clone does.

Forty readings by the synthesiser, half of them in noise. Needs the package registry.
"""
from __future__ import annotations

import json
import shutil
import subprocess
import sys
import wave
from pathlib import Path

import numpy as np
import pytest

from assistant.core.spoken import say
from models.wav import to_pcm
from tests.command import ROOT

pytestmark = [pytest.mark.long, pytest.mark.audio]
READINGS = [f"{value / 100:.2f}" for value in range(102, 4900, 120)][:40]


@pytest.fixture
def clips(tmp_path: Path) -> list[Path]:
    if shutil.which("espeak-ng") is None:
        pytest.skip("the command espeak-ng is missing")
    chance, made = np.random.default_rng(1), []
    from decimal import Decimal
    for number, reading in enumerate(READINGS):
        path = tmp_path / f"{number:02d}.wav"
        subprocess.run(["espeak-ng", "-w", str(path), say(Decimal(reading))], check=True)
        with wave.open(str(path)) as spoken:
            rate, sound = spoken.getframerate(), np.frombuffer(spoken.readframes(spoken.getnframes()), "<i2") / 32768
        if number % 2:
            sound = sound + chance.standard_normal(len(sound)) * np.sqrt((sound ** 2).mean()) * 10 ** (-10 / 20)
        with wave.open(str(path), "wb") as written:
            written.setparams((1, 2, rate, 0, "NONE", ""))
            written.writeframes(to_pcm((0.6 * sound / np.abs(sound).max()).astype(np.float32)))
        made.append(path)
    return made


def heard(command: list[str], clips: list[Path], folder: Path) -> list[tuple[str, bool]]:
    done = subprocess.run([*command, "hear", "--expect", "reading", "--low", "0", "--high", "60", "--places", "2", "--json",
                           *map(str, clips)], cwd=folder, capture_output=True, text=True, timeout=600)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    return [(line["heard"], line["accepted"]) for line in lines if "heard" in line]


def test_a_wheel_hears_as_the_clone(clips: list[Path], tmp_path: Path) -> None:
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    if subprocess.run([*pip, "wheel", "--no-deps", "--wheel-dir", str(tmp_path), str(ROOT)]).returncode:
        pytest.skip("no package registry can be reached")
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "venv")], check=True)
    (wheel,) = tmp_path.glob("bowlside-*.whl")
    subprocess.run([str(tmp_path / "venv/bin/pip"), "install", "--quiet", str(wheel)], check=True)
    assert not list((tmp_path / "venv").rglob("pyrnnoise"))
    there = heard([str(tmp_path / "venv/bin/bowlside")], clips, tmp_path)
    here = heard([sys.executable, "-m", "assistant"], clips, ROOT)
    assert len(here) == len(READINGS) and there == here
    assert sum(accepted for _, accepted in here) > 30
