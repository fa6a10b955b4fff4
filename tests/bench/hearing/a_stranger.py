"""Whole sequential tests from WAV files of one stranger, who only reports: how often must he say a thing?

    python -m tests.bench.hearing.a_stranger [--people FOLDER] [--speaker "an4 0039"] [--snr 20,10] [--noises KIND,...]
                                             [--tests N] [--save FILE]

The technician of tests/speech/test_whole_test_in_noise.py, but a person: each reading digit by digit, joined anew each time
out of what the stranger said in connected numbers; but the first entry of a deciding one whole, as the station asks for it.
What the stranger never said others say, who only report too: "thirty" and "yes" another speaker of the exam, "next" the
recorded woman, "point" she or the recorded man. There are no keys. "yes correct", "no wrong" and "next step" nobody recorded:
he says the short word again. --tests: in each noise and ratio; --save appends each test (JSON lines) and goes on after a cut.
"""
from __future__ import annotations

import argparse
import json
import random
import sys
import tempfile
import time
import wave
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np

from assistant.core import spoken
from assistant.core.spoken import UNITS
from assistant.core.state import Phase
from assistant.core.steps import Ask
from assistant.record.journal import Journal
from models.wav import RATE, to_pcm
from tests.bench.hearing import noises
from tests.bench.hearing.exam_tables import share
from tests.bench.hearing.people import DEFAULT, Bit, Part, joined, people, runs, said
from tests.bench.hearing.places import Scene, in_scene
from tests.bench.hearing.voices import Saying
from tests.speech.test_whole_test_in_noise import GAUGE, ByVoice

POINT = ("recorded woman", "recorded man")
NEXT = "recorded woman"


class Stranger(ByVoice):
    """Says it with recordings of people."""

    def __init__(self, journal: Journal, folder: Path, people_folder: Path, speaker: str, noise: str, snr_db: float,
                 number: int) -> None:
        super().__init__(journal, folder, speaker, noise, snr_db)
        self.people, self.number = people_folder, number
        self.chance = random.Random(f"{speaker} {noise} {snr_db} {number}")
        self.of = words_of(people_folder, speaker)

    def _words(self, ident: str) -> str | None:
        words = super()._words(ident)
        step = self.station.state.step
        deciding = isinstance(step, Ask) and step.entries == "two"
        if words is not None and self.station.state.phase is Phase.ENTRY and not deciding:
            words = spoken.digits(Decimal(GAUGE[step.id])).replace(",", "")
        return words

    def _bit(self, word: str) -> Bit:
        if word == "point":
            return Saying(self.chance.choice(POINT), word)
        return Saying(NEXT, word) if word == "next" else self.chance.choice(self.of[word])

    def _recorded(self, words: str) -> Path:
        row = words.split()
        row = row[:1] if row[0] in ("yes", "no", "next") else row
        dice = np.random.default_rng(self.chance.randrange(10**9))
        sound = joined(self.people, tuple(map(self._bit, row)), dice)
        scene = Scene(self._noise, self._snr_db, "close", self.chance.randrange(10**9))
        path = self._folder / f"{len(self.script):03} {words}.wav"
        with wave.open(str(path), "wb") as file:
            file.setparams((1, 2, RATE, 0, "NONE", ""))
            file.writeframes(to_pcm(in_scene(sound, scene)))
        return path


def words_of(folder: Path, speaker: str) -> dict[str, list[Part]]:
    """Word -> recordings: the speaker's own; where there are none, those of all who have the speaker's role.
    Raises SystemExit where the speaker lacks a digit."""
    who = next((one for one in people("all") if one.name == speaker), None)
    if who is None:
        raise SystemExit(f"{speaker!r} is nobody of the exam")
    every = [word for run in runs(who.role) for word in run]
    every += [clip for one in people(who.role) for _, clip in said(folder, one) if clip.text in ("yes", "no")]
    if lacking := set(UNITS[:10]) - {word.text for word in every if word.person == who}:
        raise SystemExit(f"{speaker} never said {', '.join(sorted(lacking))}")
    found: dict[str, list[Part]] = {}
    for word in every:
        found.setdefault(word.text, []).append(word)
    return {text: [word for word in words if word.person == who] or words for text, words in found.items()}


def one_test(args: argparse.Namespace, noise: str, snr_db: float, number: int) -> dict[str, Any]:
    """What came of one whole test."""
    began = time.process_time()
    with tempfile.TemporaryDirectory() as place, Journal(Path(place) / "journal") as journal:
        test = Stranger(journal, Path(place), args.people, args.speaker, noise, snr_db, number)
        code = test.run()
    gauge = {ident: Decimal(value) for ident, value in GAUGE.items()}
    offered = [one["value"] == gauge[one["id"].removesuffix(".again")] for one in test.lines if one["kind"] == "proposed"]
    taken = {one["id"]: one for one in test.lines if one["kind"] == "taken"}
    results = {one["name"]: str(one["rounded"]) for one in test.lines if one["kind"] == "result"}
    entries = {ident for ident in test.asked if ident.removesuffix(".again") in GAUGE}
    return {"speaker": args.speaker, "noise": noise, "snr": snr_db, "number": number, "code": code,
            "prompts": len(test.asked), "sayings": test.asked.total(), "most": test.asked.most_common(2),
            "readings": len(entries), "reading sayings": sum(test.asked[ident] for ident in entries),
            "offered": len(offered), "offered wrong": offered.count(False),
            "taken": len(taken), "taken wrong": sum(one["value"] != gauge[ident] for ident, one in taken.items()),
            "air": results.get("air_content"), "metric": results.get("system_air_metric"),
            "cpu_s": round(time.process_time() - began, 1)}


COUNTED = ("prompts", "sayings", "readings", "reading sayings", "offered", "offered wrong", "taken", "taken wrong")


def report(done: list[dict[str, Any]]) -> Iterator[str]:
    yield ("| noise ratio | tests | over by voice alone | prompts | sayings | a prompt | sayings for a reading "
           "| readings offered wrong, % (95 %) | taken wrong |\n|---|---|---|---|---|---|---|---|---|")
    for snr in sorted({one["snr"] for one in done}, reverse=True):
        some = [one for one in done if one["snr"] == snr]
        total: Counter[str] = Counter()
        for one in some:
            total.update({name: one[name] for name in COUNTED})
        yield (f"| {snr:g} dB | {len(some)} | {sum(one['code'] == 0 for one in some)} | {total['prompts']} | {total['sayings']} "
               f"| {total['sayings'] / max(total['prompts'], 1):.3f} "
               f"| {total['reading sayings'] / max(total['readings'], 1):.3f} "
               f"| {total['offered wrong']} of {total['offered']}: {share(total['offered wrong'], total['offered'])} "
               f"| {total['taken wrong']} of {total['taken']} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=Path, default=DEFAULT)
    parser.add_argument("--speaker", default="an4 0039")
    parser.add_argument("--snr", default="20,10")
    parser.add_argument("--noises", default=",".join(noises.kinds("all")))
    parser.add_argument("--tests", type=int, default=1)
    parser.add_argument("--save", type=Path)
    args = parser.parse_args()
    done = [json.loads(line) for line in args.save.read_text().splitlines()] if args.save and args.save.exists() else []
    there = {(one["speaker"], one["noise"], one["snr"], one["number"]) for one in done}
    for number in range(args.tests):
        for snr_db in map(float, args.snr.split(",")):
            for noise in args.noises.split(","):
                if (args.speaker, noise, snr_db, number) in there:
                    continue
                done.append(one_test(args, noise, snr_db, number))
                print(done[-1], file=sys.stderr, flush=True)
                if args.save:
                    with open(args.save, "a", encoding="utf-8") as file:
                        file.write(json.dumps(done[-1]) + "\n")
    print("\n".join(report([one for one in done if one["speaker"] == args.speaker])))


if __name__ == "__main__":
    main()
