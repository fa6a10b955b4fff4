"""Answers said over the station's own talk, and its own voice at its own microphone: what is heard apart, what is taken.

    python -m tests.bench.over_talk [--sentences N] [--rooms A,B] [--near DB,DB] [--people FOLDER] [--jobs N] [--tail]

Every sentence of every test in three wordings and 180 read-backs, as the real synthesiser says them, is played through the real
mixer into a made room (hardware/fakes.py), twelve of them first to learn it by. ``own``: nobody speaks; a piece that stands apart
goes to the real ear, for a reading, a command and yes or no: what it accepts would be taken. Else a person answers 1.1 s into
each sentence that is long enough, so loud against the echo. People: the bench's (tests/bench/hearing/strangers.py), of the tuning
half; their own voices alone, in the same room with the station silent, are the baseline. Cost is processor time by length of
sound, and against the listener alone in the same run. ``--tail``: how soon after the talk the microphone may hear without all
this.
"""
from __future__ import annotations

import argparse
import multiprocessing
import random
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import numpy as np

from assistant.core import procedure, spoken
from assistant.core.expect import Expect
from assistant.core.language import sentence
from assistant.core.settings import Settings
from assistant.procedures import load, names
from assistant.station.pronounce import pronounce
from assistant.station.voice_out import PACE, fixed
from hardware.fakes import FakeRoom
from hardware.over_talk import OverTalk
from hardware.phrase_store import PhraseStore
from hardware.synth import Synth
from models.ear import Ear, open_ear
from models.listener import BEFORE_S, Listener, end_wait
from models.wav import RATE
from tests.bench.hearing import strangers
from tests.bench.hearing.people import DEFAULT, joined
from tests.bench.hearing.places import spoken_level
from tests.speech.yard import at_level, diesel

BLOCK = 480
WARM = 12
GAP_S, INTO_S, LATE_S = 2.5, 1.1, 0.004
ROOMS = {
    "site": {"drift_ppm": 40.0, "bend": 0.8, "fades_s": 0.4, "late_s": 0.2},
    "one clock": {}, "hall": {"fades_s": 0.8, "direct_db": -3.0}, "bends much": {"bend": 1.5},
    "two clocks, far apart": {"drift_ppm": 100.0, "late_s": 0.35}, "loud": {"echo_db": 6.0}, "soft": {"echo_db": -26.0},
    "moved": {}, "blocks lost": {}, "diesel": {}, "headset": {"echo_db": -100.0}}
EXPECTS = (Expect("reading", Decimal(0), Decimal(59), 2), Expect("command"), Expect("yesno"))
ROWS = ("readings joined from digits said alone", "readings joined from digits cut out of connected speech",
        "readings joined from pairs said in one breath", "yes and no")


def sentences() -> list[tuple[str, int]]:
    """(text as it is pronounced, words a minute) of all that the station asks, and read-backs."""
    said = [(pronounce(text), PACE[wording]) for name in names() for wording in PACE
            for text in fixed(procedure.build(load(name), Settings()), wording) if text]
    dice = random.Random(1)
    for wording in PACE:
        for _ in range(60):
            back = sentence("entry.read_back", digits=spoken.digits(Decimal(f"{dice.uniform(0.1, 59.9):.2f}")))
            said.append((pronounce(back if wording == "terse" else f"{back} {sentence('entry.right')}"), PACE[wording]))
    return list(dict.fromkeys(said))


@dataclass
class Answer:
    expect: Expect
    truth: str
    sound: np.ndarray
    """Its spoken parts have the level 1."""


def answers(folder: Path) -> list[Answer]:
    clips = [clip for row in ROWS for clip in strangers.build(folder, 1, "tune", (row,), 30) if clip.scene.snr_db is None]
    sounds = [joined(clip.folder, clip.bits, np.random.default_rng(clip.scene.seed)) for clip in clips]
    return [Answer(clip.expect, clip.truth, sound / spoken_level(sound)) for clip, sound in zip(clips, sounds, strict=True)
            if clip.truth]


class Heard:
    """One room, one station, one ear."""

    def __init__(self, name: str, seed: int) -> None:
        self.name, self.counts, self.spent = name, Counter[str](), Counter[str]()
        self.room = FakeRoom(seed=seed, **ROOMS[name])
        self.over = OverTalk(self.room.mixer, sounds=lambda: self.room.mixer.sounding_until() + 0.5 > self.room.time)
        self._listener, self._alone, self._dice = Listener(), Listener(), np.random.default_rng(seed)
        self.wait = end_wait("command")
        self.level = 0.1
        self._roar = at_level(diesel(30, np.random.default_rng(seed)), -42) if name == "diesel" else None
        self._power: list[float] = []

    def block(self, near: np.ndarray, number: int) -> Iterator[tuple[bytes, bool | None]]:
        if self._roar is not None:
            near = near + self._roar[number * BLOCK % (len(self._roar) - BLOCK):][:BLOCK]
        came = self.room.hear(near)
        self._power.append(float((np.frombuffer(came, "<i2") / 32768.0).var()))
        if self.name == "blocks lost" and number % 700 == 699:
            return
        stamp = self.over.stamp() + self._dice.uniform(-LATE_S, LATE_S)
        begun = time.process_time()
        left = self.over.clean(came, stamp)
        cleaned = time.process_time()
        pieces = self._listener.feed(left, self.wait, self.over.others)
        listened = time.process_time()
        self.spent += Counter({"clean": cleaned - begun, "listen": listened - cleaned, "sound": BLOCK / RATE})
        for pcm in pieces:
            ago = len(pcm) // 2 - round(BEFORE_S * RATE)
            yield pcm, self.over.apart(ago, ago - round(self.wait * RATE))

    def learned(self) -> None:
        """How loud the echo is."""
        power = np.array(self._power)
        if self.room._way.max() > 0.02:
            self.level = float(np.sqrt(power[power > power.max() * 10**-2.5].mean()))


def run(name: str, near_db: float | None, said: list[tuple[bytes, int]], people: list[Answer], seed: int = 1,
        alone: bool = False) -> tuple[Counter[str], Counter[str], list[tuple[bytes, Answer | None]]]:
    """Counts, seconds spent, and the pieces that stood apart with the answer that they may be. alone: the station is silent."""
    heard, dice, kept = Heard(name, seed), random.Random(seed), []
    number = 0
    for n, (pcm, _) in enumerate(said[-WARM:] + said):
        if n == WARM:
            heard.learned()
        length = len(pcm) / 2 / Synth.RATE
        sound = np.zeros(round((length + GAP_S) * RATE) // BLOCK * BLOCK)
        answer = dice.choice(people) if near_db is not None and n >= WARM and length > 2.6 else None
        if answer is not None:
            heard.wait = end_wait(answer.expect.kind)
            words = answer.sound * heard.level * 10 ** (near_db / 20)
            first = round((INTO_S + ROOMS[name].get("late_s", 0.12)) * RATE)
            sound[first:first + len(words)] = words[:len(sound) - first]
            heard.counts["said"] += 1
        if name == "moved" and n % 4 == 0:
            heard.room.move()
        if not alone or n < WARM:
            heard.room.mixer.place(pcm, Synth.RATE, "speech")
        for at in range(0, len(sound), BLOCK):
            for piece, apart in heard.block(sound[at:at + BLOCK], number):
                if n >= WARM:
                    heard.counts["cut"] += 1
                    heard.counts["apart"] += bool(apart)
                    if apart or apart is None and (alone or answer is not None):
                        kept.append((piece, answer))
            number += 1
    return heard.counts, heard.spent, kept


def judged(kept: list[tuple[bytes, Answer | None]], ear: Ear) -> Counter[str]:
    """What the ear makes of it: own voice taken, answers right and wrong."""
    found = Counter[str]()
    for pcm, answer in kept:
        for expect in EXPECTS if answer is None else (answer.expect,):
            understood = ear.understand(pcm, RATE, expect)
            if understood.accepted:
                found["own taken" if answer is None else "right" if understood.value == answer.truth else "wrong"] += 1
    return found


def tails(said: list[tuple[bytes, int]]) -> Iterator[str]:
    """Pieces that the listener cuts from the end of the station's own echo, if it hears again so soon after that came."""
    after = (0.0, 0.03, 0.06, 0.09, 0.12, 0.15, 0.2, 0.3)
    yield "| room | " + " | ".join(f"{one:.2f} s" for one in after) + " |"
    yield "|---" * (len(after) + 1) + "|"
    for fades_s, direct_db in ((0.1, 10.0), (0.3, 3.0), (0.5, 0.0), (0.8, -3.0)):
        room = FakeRoom(late_s=0.0, fades_s=fades_s, direct_db=direct_db)
        listeners, cut = [Listener() for _ in after], [0] * len(after)
        for pcm, _ in said:
            clip = room.mixer.place(pcm, Synth.RATE, "speech")
            while room.mixer.position < clip.end + 72000:
                block = room.hear()
                since = (room.mixer.position - clip.end) / 48000 - BLOCK / RATE
                for n, listener in enumerate(listeners):
                    if since < after[n]:
                        listener.reset()
                    else:
                        cut[n] += len(listener.feed(block, end_wait("command")))
        yield f"| fades in {fades_s} s, direct {direct_db:+.0f} dB, {len(said)} sentences | " + " | ".join(map(str, cut)) + " |"


def _row(job: tuple[str, float | None, bool], said: list[tuple[bytes, int]], people: list[Answer]) -> str:
    name, near_db, alone = job
    counts, spent, kept = run(name, near_db, said, people, alone=alone)
    taken = judged(kept, open_ear())
    what = "own voice" if near_db is None else f"{near_db:+.0f} dB, {'the station silent' if alone else 'over its talk'}"
    cells = (name, what, f"{spent['sound'] / 60:.1f}", counts["said"], counts["cut"], counts["apart"], taken["right"],
             taken["wrong"], taken["own taken"],
             f"{spent['clean'] / spent['sound']:.3f}, {spent['clean'] / spent['listen']:.1f} x")
    return f"| {' | '.join(map(str, cells))} |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sentences", type=int, default=60, help="of all, drawn by a seed; 0: all")
    parser.add_argument("--rooms", default=",".join(ROOMS))
    parser.add_argument("--near", default="6,0,-6")
    parser.add_argument("--people", type=Path, default=DEFAULT)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--tail", action="store_true")
    args = parser.parse_args()
    synth = Synth(store=PhraseStore())
    texts = sentences()
    random.Random(7).shuffle(texts)
    said = [(synth.render(*one), one[1]) for one in texts[:args.sentences or None]]
    synth.close()
    if args.tail:
        print("\n".join(tails(said)))
        return
    near = [float(one) for one in args.near.split(",") if one]
    people = answers(args.people) if near else []
    jobs = [(room, ratio, alone) for room in args.rooms.split(",") for ratio, alone in
            [(None, False), *((one, False) for one in near), *([(near[0], True)] if near else [])]]
    print("| room | who speaks | minutes | answers | pieces cut | apart | right | wrong | own voice taken | cost |")
    print("|---" * 10 + "|")
    with multiprocessing.get_context("spawn").Pool(args.jobs) as pool:
        for row in pool.starmap(_row, [(job, said, people) for job in jobs], 1):
            print(row, flush=True)


if __name__ == "__main__":
    from tests.bench import over_talk as itself

    itself.main()
