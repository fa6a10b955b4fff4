"""Is a "no" ever heard as "yes"? Every recorded one of a person nobody trained on, again and again in new noise.

    python -m tests.bench.hearing.no_as_yes [--people FOLDER] [--words no,yes] [--each N] [--seed N] [--save FILE]

Few said it: held speakers of both halves of the exam (nothing is chosen here), the recorded woman, and the voices of festival.
Each is heard clean, and N times in each of the eight noises at 20 and at 10 dB, close by or in a shelter, where yes or no is
asked. So many clips of so few people: the intervals are those of noises, not of people. --save appends and
goes on after a cut.
"""
from __future__ import annotations

import argparse
import json
import random
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from models.ear import open_ear
from models.wav import RATE, to_pcm
from tests.bench.hearing import noises
from tests.bench.hearing.corpus import YES_NO
from tests.bench.hearing.exam_tables import share
from tests.bench.hearing.people import DEFAULT, Bit, joined, people, said
from tests.bench.hearing.places import Scene, in_scene
from tests.bench.hearing.voices import Saying, speaking


def recordings(folder: Path) -> Iterator[tuple[str, str, Bit]]:
    """(kind of speaker, speaker, recording) of every "yes" and "no"."""
    for person in people():
        yield from (("held speaker", person.name, clip) for _, clip in said(folder, person) if clip.text in ("yes", "no"))
    for voice in speaking("score"):
        kind = "recorded person" if voice.accent == "human" else "festival"
        yield from ((kind, voice.name, Saying(voice.name, word)) for word in ("yes", "no") if voice.can_say(word))


def clips(folder: Path, each: int, seed: int) -> Iterator[tuple[dict[str, Any], Bit, Scene]]:
    found = list(recordings(folder))
    for number in range(each):
        for kind, speaker, bit in found:
            for snr in (20.0, 10.0):
                for noise in noises.kinds("all"):
                    name = f"{seed} {speaker} {bit.text} {getattr(bit, 'start', 0)} {noise} {snr:g} {number}"
                    chance = random.Random(name)
                    scene = Scene(noise, snr, chance.choice(("close", "room")), chance.randrange(10**9))
                    about = {"clip": name, "kind": kind, "speaker": speaker, "text": bit.text, "snr": snr, "noise": noise}
                    yield about, bit, scene
    for kind, speaker, bit in found:
        yield {"clip": f"{speaker} {bit.text} {getattr(bit, 'start', 0)} clean", "kind": kind, "speaker": speaker,
               "text": bit.text, "snr": None, "noise": ""}, bit, Scene()


def report(done: list[dict[str, Any]]) -> Iterator[str]:
    yield "| said | by | speakers | clips | heard yes, % (95 %) | heard no | asked again |\n|---|---|---|---|---|---|---|"
    for text in ("no", "yes"):
        for kind in (*dict.fromkeys(one["kind"] for one in done), None):
            some = [one for one in done if one["text"] == text and kind in (None, one["kind"])]
            heard = Counter(one["value"] for one in some)
            if some:
                yield (f"| {text} | {kind or 'all'} | {len({one['speaker'] for one in some})} | {len(some)} | {heard['yes']}: "
                       f"{share(heard['yes'], len(some))} | {heard['no']}: {share(heard['no'], len(some))} "
                       f"| {heard[None]}: {share(heard[None], len(some))} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=Path, default=DEFAULT)
    parser.add_argument("--words", default="no,yes")
    parser.add_argument("--each", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--save", type=Path)
    args = parser.parse_args()
    done = [json.loads(line) for line in args.save.read_text().splitlines()] if args.save and args.save.exists() else []
    there = {one["clip"] for one in done}
    ear = open_ear()
    for about, bit, scene in clips(args.people, args.each, args.seed):
        if about["clip"] in there or about["text"] not in args.words.split(","):
            continue
        sound = in_scene(joined(args.people, (bit,), np.random.default_rng(0)), scene)
        found = ear.understand(to_pcm(sound), RATE, YES_NO)
        done.append(about | {"value": found.value if found.accepted else None})
        if args.save:
            with open(args.save, "a", encoding="utf-8") as file:
                file.write(json.dumps(done[-1]) + "\n")
        if len(done) % 100 == 0:
            print(len(done), file=sys.stderr, flush=True)
    print("\n".join(report(done)))


if __name__ == "__main__":
    main()
