"""The pedal and the voice, and nothing else: a real terminal as the screen, a sound system without a card, an independent voice as
the technician, gpiozero's mock pins as the pedal, and the wired simulated meter. No key answers anything."""
from __future__ import annotations

import re
import shutil
import subprocess
import time
from decimal import Decimal
from pathlib import Path

import pytest

from assistant.core import spoken
from assistant.record import summary
from assistant.record.journal import Journal
from tests.scenario.one_hand import OneHand, station
from tests.speech.sound_world import SoundWorld, missing, running
from tests.speech.test_live_by_voice import WANTED

pytestmark = [pytest.mark.alone, pytest.mark.skipif(bool(missing()), reason=missing() or "")]


@pytest.fixture
def world(tmp_path: Path):
    for program in ("flite", "tmux"):
        if shutil.which(program) is None:
            pytest.skip(f"{program} is missing: apt-get install {program}")
    with running(tmp_path) as one:
        yield one


class PedalAndVoice(OneHand):
    """Yes and next by the pedal; no, and what the gauge's own face shows, by voice."""

    def __init__(self, world: SoundWorld, folder: Path, *more: str) -> None:
        folder.mkdir()
        self.world, self.folder = world, folder
        super().__init__(station(folder, "pedal", *more, size=(100, 30), env={name: world.env[name] for name in WANTED}), folder,
                         skip_leak_hold=True)

    def no(self) -> None:
        self.say("no", r"aggregate dense|Dense aggregate")

    def say(self, words: str, then: str) -> None:
        """Until the screen shows ``then``, at most three times: that is what the station asks for too."""
        path = self.folder / f"{words.replace(' ', '_')}.wav"
        subprocess.run(["flite", "-voice", "slt", "-t", words, "-o", str(path)], check=True, timeout=20)
        for _ in range(3):
            self.terminal.wait_for(r"SAY OR KEY:\s+(?!\s|keys)", 30)
            time.sleep(0.5)  # the tail after the station's own words
            self.presses["said"] += 1
            self.world.play(path)
            try:
                self.terminal.wait_for(then, 8)
                return
            except AssertionError:
                continue
        raise AssertionError(f"said {words!r} three times, {then!r} did not show:\n{self.terminal.screen()}")

    def _key_gauge(self) -> None:
        shown = self.terminal.screen()
        if re.search(r"┃ (Once more|Again, from the face)", shown):
            time.sleep(2.5)
            self.say(spoken.digits(Decimal(self.gauge())).replace(",", ""), "▶ RIGHT")
        else:
            super()._key_gauge()


def test_the_first_steps(world: SoundWorld, tmp_path: Path) -> None:
    one = PedalAndVoice(world, tmp_path / "station", "--terse")
    try:
        one.terminal.wait_for(r"Hearing with the model", 60)  # the recogniser has loaded
        one.do(until=r"(?i)┃ [^\n]*strike", seconds=120)
        assert one.presses["said"] >= 1 and one.presses["short"] >= 3
    finally:
        one.terminal.close()


@pytest.mark.long
def test_a_whole_test(world: SoundWorld, tmp_path: Path) -> None:
    one = PedalAndVoice(world, tmp_path / "station", "--metric", "0.15", "--seed", "5")
    try:
        one.terminal.wait_for(r"Hearing with the model", 60)
        shown = one.do(seconds=1200)
    finally:
        one.terminal.close()
        print(dict(one.presses), "in", round(time.monotonic() - one.began), "s")
    assert "Test 1 is done: pass" in " ".join(shown.split()), shown
    with Journal(tmp_path / "station" / "journal", write=False) as journal:
        found = summary.of(journal, 1)
    sources = {one["id"]: [each["source"] for each in one["entries"]] for one in found["readings"]}
    assert sources["equilibrium.1.3"] == sources["equilibrium.2.3"] == ["gauge", "voice"]
