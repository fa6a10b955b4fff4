"""The clips of the bench: what is said, by whom, in which noise, where the station expects what, and what is right.

    python -m tests.bench.hearing.corpus --pack FILE [--seed N] [--each N] [--role ROLE]

packs the clean speech of a corpus into one archive, for a machine that has none of the voices ($BOWLSIDE_BENCH_PACK).
The same seed gives the same clips, sample for sample.
"""
from __future__ import annotations

import argparse
import random
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from pathlib import Path

import numpy as np

from assistant.core import prompts
from assistant.core.commands import COMMANDS
from assistant.core.expect import Expect
from assistant.core.procedure import build as build_procedure
from assistant.core.spoken import POINTS, UNITS, digits, say
from assistant.procedures import load
from assistant.station.pronounce import pronounce
from models.wav import RATE, to_pcm
from tests.bench.hearing import noises
from tests.bench.hearing.a_test import SETTINGS, a_reading
from tests.bench.hearing.places import PLACES, Scene, in_scene
from tests.bench.hearing.voices import MANNERS, STRINGS, Saying, Voice, clean, prose, speaking, stored, voices

SPOKEN = {ident: phrases for ident, phrases in COMMANDS.items() if phrases}
"""A command without a phrase is only keyed."""
RATIOS = (None, 20.0, 10.0, 5.0, 0.0)
"""Conditions of the readings: none is clean, else dB."""
COMMAND, YES_NO = Expect("command"), Expect("yesno")


@dataclass(frozen=True)
class Clip:
    ident: str
    group: str
    """Row of the tables: "readings", "commands", "talk while a reading is awaited", …"""
    condition: str
    """"clean", "10 dB", "20 dB, room"."""
    speaker: str
    text: str
    """What is said; empty: nothing."""
    expect: Expect
    truth: str | None
    """What it means there; None: nothing, so whatever is accepted is wrong."""
    saying: Saying | None
    scene: Scene
    form: str = ""
    """How a reading is said."""
    seconds: float = 0.0
    """Length where nothing is said."""

    @property
    def role(self) -> str:
        """``tune`` only if voice and noise both are."""
        kinds = [voices()[self.saying.voice].role] if self.saying else []
        kinds += ["tune" if self.scene.noise in noises.kinds("tune") else "score"] if self.scene.noise else []
        return "score" if "score" in kinds else "tune"

    @property
    def accent(self) -> str:
        return voices()[self.saying.voice].accent if self.saying else ""

    @cached_property
    def pcm(self) -> bytes:
        """16-bit mono at 16 kHz."""
        if self.saying is not None:
            return to_pcm(in_scene(clean(self.saying), self.scene))
        dice = np.random.default_rng(self.scene.seed)
        if not self.scene.noise:
            return to_pcm(dice.standard_normal(int(self.seconds * RATE)).astype(np.float32) * 3e-5)
        sound = noises.noise(self.scene.noise, int(self.seconds * RATE), dice)
        begin = int(dice.uniform(0.2, 0.5) * len(sound))        # what an ear is given begins with something louder
        sound[begin:begin + int(dice.uniform(0.2, 1) * RATE)] *= dice.uniform(1, 4)
        return to_pcm(sound * min(1.0, 0.5 / np.abs(sound).max()))


def forms(value: Decimal) -> Iterator[tuple[str, str]]:
    """(name, words) of every way to say a reading with two decimals."""
    whole = say(value)
    single = digits(value).replace(",", "")
    yield "whole", whole
    yield "digits", single
    if "zero" in single:
        yield "oh", (single if value < 10 else whole).replace("zero", "oh")
    yield "decimal", whole.replace("point", POINTS[1])
    before, after = f"{value:f}".split(".")
    if after[0] == after[1]:
        yield "double", f"{whole.split(' point ')[0]} point double {UNITS[int(after[0])]}"
    if after[0] != "0":
        yield "tens", f"{whole.split(' point ')[0]} point {say(Decimal(after))}"
    if after == "00" and value >= 10:
        yield "short", say(Decimal(before))
    if after == "50" and value >= 10:
        yield "short", f"{say(Decimal(before))} and a half"
        yield "short", f"{say(Decimal(before))} point five"


def one_form(value: Decimal, voice: Voice, chance: random.Random) -> tuple[str, str]:
    """A way to say it that this voice can: half of the time whole or digit by digit, as people do (ours, no source)."""
    ways = [(name, words) for name, words in forms(value) if voice.can_say(words)]
    plain = [way for way in ways if way[0] in ("whole", "digits")]
    return chance.choice(plain if plain and chance.random() < 0.5 else ways)


def build(seed: int = 1, each: int = 2, role: str = "all") -> list[Clip]:
    """The corpus. `each` scales it: readings a voice and condition; the rest in proportion. Role ``tune`` has only what may
    tune; ``score`` the voices that only score, in every noise; ``all`` both."""
    clips: list[Clip] = []
    for group in (_readings, _off_plan, _placed_readings, _commands, _yes_no, _talk, _noise, _station):
        clips += group(random.Random(f"{seed} {group.__name__}"), each, role)
    return clips


def _scene(chance: random.Random, role: str, snr_db: float | None, place: str = "close") -> Scene:
    kinds = noises.kinds("tune" if role == "tune" else "all")
    return Scene(chance.choice(kinds) if snr_db is not None else "", snr_db, place, chance.randrange(10**9))


def _condition(snr_db: float | None) -> str:
    return "clean" if snr_db is None else f"{snr_db:.0f} dB"


def _said(ident: str, group: str, condition: str, saying: Saying, expect: Expect, truth: str | None, scene: Scene,
          form: str = "") -> Clip:
    return Clip(ident, group, condition, saying.voice, saying.text, expect, truth, saying, scene, form)


def _reading(ident: str, group: str, condition: str, voice: Voice, scene: Scene, chance: random.Random,
             off: bool = False) -> Clip:
    while True:
        name, value, expect = a_reading(chance)
        if off:     # a charge or equilibrium that nobody would expect, but that can be
            value = (value + Decimal(chance.choice((-1, 1))) * Decimal(f"{chance.uniform(1.5, 6):.2f}"))
            if expect.near is None or not expect.low <= value <= expect.high or expect.near[0] <= value <= expect.near[1]:
                continue
        short = [value.quantize(Decimal("0.5")), value.quantize(Decimal(1))]
        if name.startswith("charge.") and chance.random() < 0.3:        # many are trimmed to the very figure
            value = min(short, key=lambda one: abs(one - value)).quantize(Decimal("0.01")) if not off else value
        form, words = one_form(value, voice, chance)
        return _said(ident, group, condition, Saying(voice.name, words, chance.randrange(MANNERS)), expect, f"{value:f}", scene,
                     form)


def _readings(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    for snr in RATIOS:
        for voice in speaking(role):
            for n in range(each):
                yield _reading(f"reading {_condition(snr)} {voice.name} {n}", "readings", _condition(snr), voice,
                               _scene(chance, role, snr), chance)


def _off_plan(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    people = speaking(role)
    for snr in (20.0, 10.0):
        for n in range(each * 8):
            yield _reading(f"off {_condition(snr)} {n}", "readings off the plan", _condition(snr), people[n % len(people)],
                           _scene(chance, role, snr), chance, off=True)


def _placed_readings(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    for place in PLACES[1:]:
        for n, voice in enumerate(chance.sample(speaking(role), min(4 * each, len(speaking(role))))):
            yield _reading(f"placed {place} {n}", "readings in places", f"20 dB, {place}", voice,
                           _scene(chance, role, 20.0, place), chance)


def _commands(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    people = speaking(role)
    for snr in (None, 20.0, 10.0, 5.0):
        for ident, phrases in SPOKEN.items():
            for n in range(2 * each if ident not in ("yes", "no") else 0):
                words = chance.choice(phrases)
                voice = chance.choice([one for one in people if one.can_say(words)])
                yield _said(f"command {_condition(snr)} {ident} {n}", "commands", _condition(snr),
                            Saying(voice.name, words, chance.randrange(MANNERS)), COMMAND, ident, _scene(chance, role, snr))
    for snr in (20.0, 10.0):
        for n in range(8 * each):
            ident = chance.choice([one for one in SPOKEN if one not in ("yes", "no")])
            voice = chance.choice([one for one in people if one.can_say(SPOKEN[ident][0])])
            yield _said(f"command in reading {_condition(snr)} {n}", "commands while a reading is awaited", _condition(snr),
                        Saying(voice.name, SPOKEN[ident][0], chance.randrange(MANNERS)), a_reading(chance)[2], ident,
                        _scene(chance, role, snr))


def _yes_no(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    for snr in (None, 20.0, 10.0, 5.0):
        for word in ("yes", "no"):
            able = [voice for voice in speaking(role) if voice.can_say(word)]
            for n in range(6 * each):
                yield _said(f"{word} {_condition(snr)} {n}", f'"{word}"', _condition(snr),
                            Saying(able[n % len(able)].name, word, chance.randrange(MANNERS)), YES_NO, word,
                            _scene(chance, role, snr))


def _awaited(chance: random.Random) -> Iterator[Expect]:
    yield from (a_reading(chance)[2], COMMAND, YES_NO)


def _talk(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    people = [voice for voice in speaking(role) if voice.can_say("talk")]
    for n in range(6 * each):
        for expect in _awaited(chance):
            snr = chance.choice((None, 20.0, 10.0))
            saying = Saying(chance.choice(people).name, noises.TALK[n % len(noises.TALK)], chance.randrange(MANNERS))
            if role != "tune" and n % 3 == 1:       # a person reading a novel
                number = chance.randrange(len(prose()))
                length = chance.uniform(0.5, 4)
                start = chance.uniform(0, len(prose()[number]) / RATE - length)
                saying = Saying("read prose", f"{number} {start:.2f} {length:.2f}")
            if role != "tune" and n % 6 == 2:       # numbers that are no reading
                saying = Saying("digit strings", chance.choice(sorted(STRINGS)))
            yield _said(f"talk {expect.kind} {n}", f"talk while a {expect.kind} is awaited", _condition(snr), saying, expect,
                        None,
                        _scene(chance, role, snr))
    for n in range(4 * each):
        snr = chance.choice((None, 20.0, 10.0))
        name, value, _ = a_reading(chance)
        voice = chance.choice(speaking(role))
        expect = COMMAND if n % 2 else YES_NO
        yield _said(f"reading {expect.kind} {n}", f"reading while a {expect.kind} is awaited", _condition(snr),
                    Saying(voice.name, one_form(value, voice, chance)[1], chance.randrange(MANNERS)), expect, None,
                    _scene(chance, role, snr))


def _noise(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    for kind in ("", *noises.kinds("tune" if role == "tune" else "all")):
        for n in range(each):
            for expect in _awaited(chance):
                yield Clip(f"noise {kind} {expect.kind} {n}",
                           f"{'noise' if kind else 'silence'} while a {expect.kind} is awaited",
                           kind or "silence", "", "", expect, None, None, Scene(kind, 0.0, "close", chance.randrange(10**9)),
                           seconds=chance.uniform(0.4, 3.5))


def station_says() -> list[str]:
    """Every prompt of the sequential test as its voice says it, and read-backs."""
    said = [prompt.words for prompt in prompts.prompts(build_procedure(load("sequential"), SETTINGS)) if prompt.words]
    backs = [f"{digits(Decimal(value))}. Right?" for value in ("7.25", "18.63", "31.81", "45.21")]
    return [pronounce(words) for words in (*said, *backs)]


def _station(chance: random.Random, each: int, role: str) -> Iterator[Clip]:
    said = station_says()
    for n in range(4 * each):
        words = chance.choice(said)
        for expect in _awaited(chance):
            snr = chance.choice((20.0, 10.0))
            yield _said(f"station {expect.kind} {n}", f"the station's own voice while a {expect.kind} is awaited",
                        _condition(snr),
                        Saying("the station", words), expect, None, _scene(chance, role, snr, "far"))


# --- packing -------------------------------------------------------------------------------------------------------------


def pack(path: Path, sayings: Iterable[Saying]) -> int:
    """The clean speech of all these in one archive; how many there are."""
    count = 0
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for saying in dict.fromkeys(sayings):
            archive.writestr(saying.key, stored(saying))
            count += 1
    return count


def all_talk(role: str) -> Iterator[Saying]:
    """What babble is made of."""
    for each in ("tune", "score") if role != "tune" else ("tune",):
        for voice in speaking(each):
            if voice.can_say("talk"):
                yield from (Saying(voice.name, text) for text in noises.TALK)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pack", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", type=int, default=2)
    parser.add_argument("--role", choices=("tune", "score", "all"), default="all")
    args = parser.parse_args()
    said = [clip.saying for clip in build(args.seed, args.each, args.role) if clip.saying is not None]
    print(f"{pack(args.pack, [*said, *all_talk(args.role)])} sayings in {args.pack}")


if __name__ == "__main__":
    main()
