"""A whole sequential test from WAV files alone, heard as after set-up, in a voice that nothing was tuned or trained on.

The voice and the noise are the bench's (tests/bench/hearing/speakers.toml: festival only scores). The technician is attentive:
he says no to a wrong read-back, says again what was not understood, each time in new noise, and a reading from the second
time on digit by digit (the deciding ones as the station asks for them). He has no keys (10 dB over a compressor he would
need them). Told to say "yes correct" or "no wrong", he does. What he said is then a script and its recordings, which anybody
can rehearse with `bowlside rehearse`.
"""
from __future__ import annotations

import shutil
import wave
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from assistant.cli import main
from assistant.core import spoken
from assistant.core.effects import Listen
from assistant.core.state import Phase
from assistant.core.steps import Ask, Choose
from assistant.files.jsonline import dumps, loads
from assistant.record.header import header_of
from assistant.record.journal import Journal
from assistant.rehearsal.rehearse import Rehearsal
from assistant.rehearsal.script import Answer, Script
from assistant.station.ears import WavEar
from models.wav import RATE, to_pcm
from tests.bench.hearing.places import Scene, in_scene
from tests.bench.hearing.voices import Saying, clean
from tests.speech.test_whole_test_by_voice import RUNS

HEADER = {"test": "sequential", "chamber_ratio": Decimal("0.06"), "aggregate_correction_pct": Decimal("0.3")}
GAUGE = {"leak.charge": "45.24", "leak.initial": "45.21", "leak.final": "45.16"} | {
    f"{kind}.{run}.{number}": value for run, steps in enumerate(RUNS, 1) for number, pair in enumerate(steps, 1)
    for kind, value in zip(("charge", "equilibrium"), pair)}
LONGER = {"yes": "yes correct", "no": "no wrong", "next": "next step"}
TURN_EVERY = 2
AFTER_S = 0.4
PATIENCE = 15
"""So often in a row he says the same at most: a station that never understands must fail the test, not hang it."""


class ByVoice(Rehearsal):
    """Answers whatever is asked with a recording in noise, which the station reads and hears as any other."""

    def __init__(self, journal: Journal, folder: Path, voice: str, noise: str, snr_db: float) -> None:
        self.lines: list[dict[str, Any]] = []
        super().__init__(Script(header_of(HEADER, "test"), ()), journal, self.lines.append, hear=WavEar())
        self._folder, self._voice, self._noise, self._snr_db = folder, voice, noise, snr_db
        self.asked: Counter[str] = Counter()
        self.script: list[dict[str, Any]] = [HEADER]

    def _listen(self, listen: Listen) -> None:
        self.listen_number += 1
        self.line("listening", id=listen.id)
        words = self._words(listen.id)
        if self.asked[listen.id] % TURN_EVERY and words in LONGER:     # what was heard worst is said otherwise
            words = LONGER[words]
        if words is None:
            return
        self.asked[listen.id] += 1
        if self.asked[listen.id] > PATIENCE:
            return
        answer = Answer(listen.id, AFTER_S, "hear", self._recorded(words), len(self.script) + 1)
        self.script.append({"on": answer.on, "after": AFTER_S, "hear": answer.value.name})
        self.clock.at(self.now + AFTER_S, lambda: self._give(answer, listen))

    def _recorded(self, words: str) -> Path:
        """A file of these words, in noise of its own."""
        number = len(self.script)
        sound = in_scene(clean(Saying(self._voice, words)), Scene(self._noise, self._snr_db, "close", number))
        path = self._folder / f"{number:03} {words}.wav"
        with wave.open(str(path), "wb") as file:
            file.setparams((1, 2, RATE, 0, "NONE", ""))
            file.writeframes(to_pcm(sound))
        return path

    def _words(self, ident: str) -> str | None:
        state = self.station.state
        match state.phase:
            case Phase.TELL | Phase.READY:
                return "next"
            case Phase.CHOOSE:
                assert isinstance(state.step, Choose)
                return "no" if state.step.yes.skips else "yes"
            case Phase.CONFIRM:
                assert state.proposed is not None
                return "yes" if state.proposed.value == Decimal(GAUGE[state.step.id]) else "no"
            case Phase.OVERRIDE | Phase.SCRAP:
                return "no" if state.phase is Phase.SCRAP else "yes"
            case Phase.ENTRY:
                value = Decimal(GAUGE[state.step.id])
                deciding = isinstance(state.step, Ask) and state.step.entries == "two"   # first whole, then digit by digit
                again = state.first is not None or (self.asked[ident] and not deciding)
                return spoken.digits(value).replace(",", "") if again else spoken.say(value)
        return None


def rehearsed(folder: Path, noise: str, snr_db: float) -> tuple[ByVoice, int]:
    """A test by voice in this noise, its recordings and script left in the folder; and its exit code."""
    with Journal(folder / "journal") as journal:
        test = ByVoice(journal, folder, "festival kal", noise, snr_db)
        code = test.run()
    (folder / "by_voice.jsonl").write_text("\n".join(map(dumps, test.script)), encoding="utf-8")
    wrong = sum(one["kind"] == "proposed" and one["value"] != Decimal(GAUGE[one["id"].removesuffix(".again")])
                for one in test.lines)
    print(f"\n{noise} at {snr_db:g} dB: {test.asked.total()} sayings for {len(test.asked)} prompts, {wrong} readings offered "
          f"wrong; most for one prompt: {test.asked.most_common(3)}")
    return test, code


def the_right_numbers(lines: list[dict[str, Any]]) -> None:
    """In the results and, each by voice, in the record."""
    results = {one["name"]: one["rounded"] for one in lines if one["kind"] == "result"}
    assert results["air_content"] == Decimal("5.7") and results["system_air_metric"] == Decimal("0.20")
    taken = {one["id"]: one for one in lines if one["kind"] == "taken"}
    assert {ident: one["value"] for ident, one in taken.items()} == {ident: Decimal(value) for ident, value in GAUGE.items()}
    assert all(one["source"] == "voice" for one in taken.values())


@pytest.fixture
def after_set_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """No model but what ships, whatever is installed on this machine; and a voice that it never heard."""
    if shutil.which("text2wave") is None:
        pytest.skip("festival, a voice that nothing was tuned on, is missing: apt-get install festival festvox-kallpc16k")
    monkeypatch.delenv("BOWLSIDE_MODEL", raising=False)
    monkeypatch.setattr("models.locate.installed", lambda: [])


LATER = [pytest.param(noise, snr_db, marks=pytest.mark.long)
         for noise, snr_db in (("diesel", 10), ("drum", 20), ("drum", 10), ("compressor", 20))]


@pytest.mark.parametrize("noise, snr_db", [("diesel", 20), *LATER])
def test_the_right_numbers_come_out_of_recordings(tmp_path: Path, after_set_up: None, noise: str, snr_db: float) -> None:
    test, code = rehearsed(tmp_path, noise, snr_db)
    assert "own" in test.hear._ear.name.split(" + "), "the station's own model, through vosk, did not hear"
    assert code == 0, test.lines[-5:]
    the_right_numbers(test.lines)


@pytest.mark.long
def test_what_he_said_is_a_script_that_anybody_can_rehearse(tmp_path: Path, after_set_up: None,
                                                            capsys: pytest.CaptureFixture[str]) -> None:
    test, _ = rehearsed(tmp_path, "drum", 20)
    capsys.readouterr()
    code = main(["rehearse", str(tmp_path / "by_voice.jsonl"), "--json"])
    found = [loads(line) for line in capsys.readouterr().out.splitlines()]
    assert code == 0, found[-5:]
    the_right_numbers(found)
    assert [(one["kind"], one.get("id")) for one in found] == [(one["kind"], one.get("id")) for one in test.lines]
