"""What a whole sequential test costs whoever does it: presses, prompts, talk, waiting.

    python -m tests.bench.whole_test

A practised technician answers as soon as his work is over and the answer counts, by keys alone or by voice alone, on the rehearsal's
clock; the words take as long as the real synthesiser takes for them. His seconds are tests/scenario/hands.toml's. Leak hold included,
no reading is out of its band or doubted.

presses   keys, by keys alone; by voice there are none
prompts   questions and instructions that want an answer; a hold wants none
cautions  how often one was said
talk      seconds of speech from the first charge to the results that fall into no hold, where he has to wait anyhow
caution   those of them that are cautions: while one is said he shall not go on
words     of the whole test: seconds in which his hands were ready and he waited until what is said let him go on
holds     seconds of holds and beats
minutes   from the first word to the last
"""
from __future__ import annotations

import argparse
import json
import os
import tempfile
import tomllib
from collections import Counter
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.core import spoken
from assistant.core.asked import needs_held, soonest
from assistant.core.commands import command
from assistant.core.effects import Effect, Listen, Speak
from assistant.core.events import RULES, Event, Heard, KeyPressed
from assistant.core.state import Phase, State
from assistant.record.journal import Journal
from assistant.rehearsal.rehearse import ANSWER_AFTER_S, KEY_EVERY_S, Rehearsal, SilentVoice, Voice
from assistant.rehearsal.script import read
from assistant.rehearsal.voice_on_tape import VoiceOnTape
from assistant.station.voice_out import PACE

HANDS: dict[str, float] = tomllib.loads(
    (Path(__file__).parents[1] / "scenario" / "hands.toml").read_text(encoding="utf-8"))["sequential"]
READINGS = {name: Decimal(value) for name, value in {
    "leak.charge": "45.25", "leak.initial": "45.21", "leak.final": "45.16",
    "charge.1.1": "14.50", "equilibrium.1.1": "7.25", "charge.1.2": "30.00", "equilibrium.1.2": "18.63",
    "charge.1.3": "45.00", "equilibrium.1.3": "31.81", "charge.2.1": "14.51", "equilibrium.2.1": "7.31",
    "charge.2.2": "30.00", "equilibrium.2.2": "18.75", "charge.2.3": "45.00", "equilibrium.2.3": "31.97"}.items()}
HEADER = {"test": "sequential", "chamber_ratio": 0.06, "aggregate_correction_pct": 0.3,
          "limits": {"air_content": [4.5, 7.5], "system_air_metric": [None, 0.25]}}
WORDINGS = ("terse", "normal", "coaching")
FIRST, LAST = "pump.1.1", "results"
HELD_WORDS = ("rest.", "settle.")


class Lengths(VoiceOnTape):
    """The real voice, only for how long it speaks."""

    def __init__(self, wording: str) -> None:
        super().__init__(Path(os.devnull), PACE[wording])

    def speech(self, text: str, wpm: int, at_s: float) -> None:
        pass

    def cue(self, name: str, at_s: float) -> None:
        pass

    def __exit__(self, *_: object) -> None:
        self._synth.close()


class Technician(Rehearsal):
    """He answers every prompt, by keys or by voice."""

    def __init__(self, wording: str, by_keys: bool, journal: Journal, voice: Voice) -> None:
        self.by_keys, self.voice_of = by_keys, voice
        self.counts: Counter[str] = Counter()
        self.cautions: list[str] = []
        self.seconds: Counter[str] = Counter()
        self.asked = ""
        self.running = False
        script = read([json.dumps({**HEADER, "speech": wording})], "whole", Path())
        super().__init__(script, journal, lambda line: None, answer_rest=True, voice=voice)

    def handle(self, event: Event) -> Any:
        self.counts["presses"] += isinstance(event, KeyPressed)
        before, phase = self.now, self.station.state.phase
        self.seconds["holds"] += (before - self._since) if phase in (Phase.HOLD, Phase.TAPPING) else 0.0
        self._since = before
        return super().handle(event)

    _since = 0.0

    def perform(self, effect: Effect) -> None:
        if isinstance(effect, Speak):
            self._told(effect)
        super().perform(effect)

    def _told(self, speak: Speak) -> None:
        self.running = (self.running or speak.id.removesuffix(".caution") == FIRST) and speak.id != LAST
        if speak.id.endswith(".caution"):
            self.cautions.append(speak.id.removesuffix(".caution"))
        if self.running and not speak.id.startswith(HELD_WORDS):
            length = self.voice_of.length(speak.text, speak.wpm)
            self.seconds["talk"] += length
            self.seconds["caution"] += length if speak.id.endswith(".caution") else 0.0

    def _listen(self, listen: Listen) -> None:
        state = self.station.state
        if state.phase in (Phase.HOLD, Phase.TAPPING, Phase.OVER):
            return
        self.listen_number += 1
        number, work = self.listen_number, 0.0
        if state.prompt != self.asked:
            self.counts["prompts"] += 1
            work = sum(HANDS.get(each, 0.0) for each in told_now(state))
        self.asked = state.prompt
        answer = self._answer()
        ready = state.asked.at + max(ANSWER_AFTER_S, work)  # he works while it talks
        when = max(ready, self.now, soonest(state, answer[0]))
        self.seconds["words"] += when - max(ready, state.asked.at)
        for at, given in enumerate(answer):
            self.plan(when + at * KEY_EVERY_S, lambda given=given: self._gives(given, number))

    def _gives(self, given: str, number: int) -> None:
        if self.by_keys:
            self.handle(KeyPressed(self.now, given))
        elif number == self.listen_number:
            self.handle(Heard(self.now, given))

    def _answer(self) -> list[str]:
        """Keys one by one, or words."""
        state = self.station.state
        if state.phase is Phase.ENTRY:
            value = READINGS[state.ask.id]
            if self.by_keys:
                return keys_of(value)
            return [spoken.digits(value).replace(",", "") if state.first is not None else spoken.say(value)]
        yes = state.phase in (Phase.CONFIRM, Phase.CHOOSE)
        if self.by_keys:
            return ["#-held" if needs_held(state) else "#"]
        return [command("yes" if yes else "next") or ""]


def told_now(state: State) -> list[str]:
    """The prompt, and what is told in one breath with it."""
    together = [step.id for step in state.breath()] if state.phase is Phase.TELL and hasattr(state, "breath") else []
    return together or [state.prompt]


def keys_of(value: Decimal) -> list[str]:
    """As few as this station takes."""
    if RULES < 5:
        return [*f"{value:f}".replace(".", "*"), "#"]
    digits = f"{value:f}".replace(".", "")
    return [*digits, *("#" if len(digits) < 4 else "")]


def play(wording: str, by_keys: bool, voice: Voice | None = None) -> Technician:
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder)) as journal:
        somebody = Technician(wording, by_keys, journal, voice or SilentVoice())
        code = somebody.run()
        assert code == 0 and somebody.station.state.outcome == "done", (code, somebody.station.state.prompt)
        somebody.seconds["whole"] = somebody.now
    return somebody


def main() -> None:
    argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter).parse_args()
    print(f"{'':17}{'presses':>8}{'prompts':>8}{'cautions':>9}{'talk s':>8}{'caution':>8}{'words s':>8}{'holds s':>8}{'minutes':>8}")
    for wording in WORDINGS:
        for by_keys in (True, False):
            with Lengths(wording) as voice:
                did = play(wording, by_keys, voice)
            seconds = did.seconds
            print(f"{wording + (', keys' if by_keys else ', voice'):17}{did.counts['presses']:8}{did.counts['prompts']:8}"
                  f"{len(did.cautions):9}{seconds['talk']:8.1f}{seconds['caution']:8.1f}{seconds['words']:8.1f}{seconds['holds']:8.1f}"
                  f"{seconds['whole'] / 60:8.1f}")


if __name__ == "__main__":
    main()
