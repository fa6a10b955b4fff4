"""How well the station hears, against the naive way, on one small seeded set of real sound.

    python -m tests.bench.hearing_measured [--seed N] [--each N] [--voices NAME,...] [--no-naive]

Voices of tests/speech/voices.py, clean and in noise; read prose, site talk and noise as what must not be taken.
Naive way: pocketsphinx's general language model, then text2num or word2number, or the command's exact words.
Nothing was tuned on the recorded woman. No real site, no real microphone, no technician: see the README.
"""
from __future__ import annotations

import argparse
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

import numpy as np

from assistant.core.commands import COMMANDS
from assistant.core.expect import Expect
from assistant.core.spoken import digits, say
from models.ear import Understood, open_ear
from models.wav import RATE
from tests.speech import voices

PLACES = 2
CONDITIONS = ("clean", "20 dB", "10 dB")
TALK = ("can you move the truck back a bit", "we need another two buckets over here", "what time is the next load coming",
        "hold the hose for a second please", "that was a good pour yesterday", "they asked for six inches of slump",
        "seven of us are coming for lunch", "no idea where he went", "did you see the game last night",
        "put it down next to the wheelbarrow", "the pump is going to be late again", "watch your back")


@dataclass(frozen=True)
class Clip:
    group: str
    """Row of the table."""

    sound: np.ndarray
    expect: Expect
    truth: str | None
    """What it means; None: nothing, so whatever is accepted is wrong."""


@dataclass
class Count:
    clips: int = 0
    exact: int = 0
    wrong: int = 0
    audio_s: float = 0.0
    decode_s: float = 0.0

    def add(self, clip: Clip, value: str | None, took_s: float) -> None:
        self.clips += 1
        self.audio_s += len(clip.sound) / RATE
        self.decode_s += took_s
        self.exact += value is not None and value == clip.truth
        self.wrong += value is not None and value != clip.truth

    def row(self, name: str) -> str:
        part = 100 / max(1, self.clips)
        asked = self.clips - self.exact - self.wrong
        return (f"| {name} | {self.clips} | {self.exact * part:.0f} | {self.wrong * part:.1f} | {asked * part:.0f} "
                f"| {self.decode_s / max(self.audio_s, 0.01):.2f} |")


def material(seed: int, each: int, speakers: tuple[str, ...]) -> Iterator[Clip]:
    """`each` values a voice, said both ways; every command, yes and no once a voice; then what means nothing."""
    chance = random.Random(seed)
    command, yesno = Expect("command"), Expect("yesno")
    for voice in speakers:
        who = voices.HUMAN if voice == voices.HUMAN else "synthetic"
        for _ in range(each):
            value = Decimal(chance.randrange(20, 5000)).scaleb(-PLACES)
            window = Expect("reading", max(Decimal(0), value - 5), value + 5, PLACES)
            for form in (say(value), digits(value).replace(",", "")):
                sound = voices.speak(voice, form)
                for condition in CONDITIONS:
                    yield Clip(f"readings, {who}, {condition}", _in(sound, condition, chance), window, str(value))
                yield Clip("readings while yes or no is asked", sound, yesno, None)
                yield Clip("readings while a command is awaited", sound, command, None)
        if voice != voices.HUMAN:
            for ident, phrases in COMMANDS.items():
                sound = voices.speak(voice, phrases[0])
                for condition in CONDITIONS:
                    group, expect = ("yes and no", yesno) if ident in ("yes", "no") else ("commands", command)
                    yield Clip(f"{group}, {condition}", _in(sound, condition, chance), expect, ident)
    for expect in (Expect("reading", Decimal(2), Decimal(12), PLACES), command, yesno):
        for sound in talk(chance, speakers):
            yield Clip(f"talk while a {expect.kind} is awaited", sound, expect, None)
        for kind in ("white", "pink", "brown"):
            for _ in range(each):
                sound = voices.noise(kind, chance.uniform(0.5, 3), chance.randrange(10**6))
                yield Clip(f"noise while a {expect.kind} is awaited", sound, expect, None)


def talk(chance: random.Random, speakers: tuple[str, ...]) -> Iterator[np.ndarray]:
    """Read prose in pieces of 0.6 to 4 s, and invented talk of a site."""
    for sound in voices.prose():
        at = 0
        while at < len(sound) - RATE:
            length = int(chance.uniform(0.6, 4) * RATE)
            yield sound[at:at + length]
            at += length
    synthetic = [voice for voice in speakers if voice != voices.HUMAN]
    for number, text in enumerate(TALK):
        yield voices.speak(synthetic[number % len(synthetic)], text)


def _in(sound: np.ndarray, condition: str, chance: random.Random) -> np.ndarray:
    if condition == "clean":
        return sound
    return voices.in_noise(sound, chance.choice(("white", "pink")), float(condition.split()[0]), chance.randrange(10**6))


def ours() -> Callable[[Clip], str | None]:
    ear = open_ear()

    def hear(clip: Clip) -> str | None:
        found: Understood = ear.understand(voices.pcm(clip.sound), RATE, clip.expect)
        return found.value if found.accepted else None
    return hear


class General:
    """pocketsphinx's general language model: what both naive ways read; each clip is decoded once."""

    def __init__(self) -> None:
        import pocketsphinx

        self._decoder = pocketsphinx.Decoder(loglevel="FATAL")
        self._texts: dict[int, str] = {}

    def text(self, clip: Clip) -> str:
        if id(clip) not in self._texts:
            self._decoder.start_utt()
            self._decoder.process_raw(voices.pcm(clip.sound), full_utt=True)
            self._decoder.end_utt()
            self._texts[id(clip)] = self._decoder.hyp().hypstr if self._decoder.hyp() else ""
        return self._texts[id(clip)]


def naive(general: General, to_number: Callable[[str], object]) -> Callable[[Clip], str | None]:
    def hear(clip: Clip) -> str | None:
        text = general.text(clip)
        for ident, phrases in COMMANDS.items():
            if text in phrases:
                return ident
        if clip.expect.kind != "reading":
            return None
        try:
            return str(Decimal(str(to_number(text))).quantize(Decimal(1).scaleb(-PLACES)))
        except (ValueError, InvalidOperation, IndexError):
            return None
    return hear


def _text2num(text: str) -> str:
    from text_to_num import alpha2digit

    return str(alpha2digit(text.replace("oh", "zero"), "en"))


def _word2number(text: str) -> object:
    from word2number.w2n import word_to_num

    return word_to_num(text)


def measure(clips: list[Clip], hear: Callable[[Clip], str | None]) -> dict[str, Count]:
    counts: dict[str, Count] = {}
    for clip in clips:
        began = time.perf_counter()
        value = hear(clip)
        counts.setdefault(clip.group, Count()).add(clip, value, time.perf_counter() - began)
    return dict(sorted(counts.items(), key=lambda one: list(dict.fromkeys(c.group for c in clips)).index(one[0])))


def main(words: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--each", type=int, default=4)
    parser.add_argument("--voices", default=",".join((*voices.SYNTHETIC, voices.HUMAN)))
    parser.add_argument("--no-naive", action="store_true")
    args = parser.parse_args(words)
    clips = list(material(args.seed, args.each, tuple(args.voices.split(","))))
    ways = {"ours": ours()}
    if not args.no_naive:
        general = General()     # its decoding time stands in the first of its two tables
        ways |= {"naive, text2num": naive(general, _text2num), "naive, word2number": naive(general, _word2number)}
    for name, hear in ways.items():
        print(f"\n| {name} | clips | exact % | wrong accepted % | asked again % | decode s / audio s |\n|---|---|---|---|---|---|")
        for group, count in measure(clips, hear).items():
            print(count.row(group), flush=True)


if __name__ == "__main__":
    main()
