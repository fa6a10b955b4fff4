"""The clips of the exam of people: what a stranger says, in which noise, where the station expects what, and what is right.

Nobody recorded a reading with its point. So a reading is joined: digits of one stranger, said alone (four of the ten are
there in number: zero, one, five, eight) or cut out of one breath ("one five two one eight": then both pairs keep their own
flow); "point" is the recorded woman's or man's, whom nobody trains on either, and in a tuning run a tuning voice's. Such a
reading has gaps and a change of voice that no real one has. Nothing here is a whole command but yes and no.

The same seed gives the same clips; fewer of them (`count`) are the first of more.
"""
from __future__ import annotations

import functools
import random
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from pathlib import Path

import numpy as np

from assistant.core.commands import command
from assistant.core.expect import Expect
from assistant.core.spoken import UNITS, ZEROS, NotANumber, parse
from models.wav import to_pcm
from tests.bench.hearing import noises
from tests.bench.hearing.a_test import expect_at, readings
from tests.bench.hearing.corpus import COMMAND, YES_NO
from tests.bench.hearing.people import NUMBERS, Bit, Part, Person, joined, people, runs, said, together
from tests.bench.hearing.places import Scene, in_scene
from tests.bench.hearing.voices import MANNERS, Saying, speaking

CONDITIONS = (None, 20.0, 10.0)
DIGIT = Expect("reading", Decimal(0), Decimal(99), 0)
"""A whole number, as a mass or a count is asked for: none below 100 is likelier than another."""
VALUE_OF = {word: n for n, word in enumerate(UNITS)} | dict.fromkeys(ZEROS, 0)
TESTS = 1500
"""Invented tests whose readings are drawn from."""


@dataclass(frozen=True)
class Clip:
    """As corpus.Clip, of a real person."""

    ident: str
    group: str
    condition: str
    person: Person
    text: str
    expect: Expect
    truth: str | None
    bits: tuple[Bit, ...]
    scene: Scene
    folder: Path
    form: str = ""

    @property
    def speaker(self) -> str:
        return self.person.name

    @property
    def accent(self) -> str:
        return self.person.engine

    @property
    def role(self) -> str:
        return self.person.role

    @cached_property
    def pcm(self) -> bytes:
        """16-bit mono at 16 kHz."""
        return to_pcm(in_scene(joined(self.folder, self.bits, np.random.default_rng(self.scene.seed)), self.scene))


@dataclass(frozen=True)
class _Plan:
    """A clip before it has a condition."""

    person: Person
    text: str
    expect: Expect
    truth: str | None
    bits: tuple[Bit, ...]
    form: str = ""


def build(folder: Path, seed: int = 1, role: str = "exam", rows: tuple[str, ...] = (), count: int = 60) -> Iterator[Clip]:
    """The clips of these rows (all), at most `count` a row and condition. Raises FileNotFoundError where one lacks a recording."""
    for name in rows or tuple(ROWS):
        chance = random.Random(f"{seed} {role} {name}")
        plans = _spread(ROWS[name](folder, role, chance), chance)
        kinds = noises.kinds("tune" if role == "tune" else "all")
        for snr in CONDITIONS:
            # Few said yes and no, so each is heard in every noise; elsewhere the noises take turns.
            every = name == "yes and no" and snr is not None
            for n, (plan, kind) in enumerate([(plan, kind) for kind in (kinds if every else ("",)) for plan in plans][:count]):
                noise = "" if snr is None else kind or kinds[n % len(kinds)]
                condition = "clean" if snr is None else f"{snr:.0f} dB"
                yield Clip(f"{role} {seed} {name} {condition} {n}", name, condition, plan.person, plan.text, plan.expect,
                           plan.truth, plan.bits, Scene(noise, snr, "close", _seed(seed, name, condition, n)), folder, plan.form)


def _seed(*of: object) -> int:
    return random.Random(" ".join(map(str, of))).randrange(10**9)


def _spread(plans: Iterator[_Plan], chance: random.Random) -> list[_Plan]:
    """In an order that takes each speaker's first, then each one's second …, so that few clips are of many people."""
    turns: dict[str, int] = {}
    order = list(plans)
    chance.shuffle(order)
    keyed = []
    for plan in order:
        turns[plan.person.name] = turns.get(plan.person.name, 0) + 1
        keyed.append((turns[plan.person.name], plan))
    return [plan for _, plan in sorted(keyed, key=lambda one: one[0])]


def _words(folder: Path, role: str) -> Iterator[tuple[Person, str, Part]]:
    """(speaker, kind, clip) of all."""
    for person in people(role):
        for kind, clip in said(folder, person):
            yield person, kind, clip


def _digits(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    for person, kind, clip in _words(folder, role):
        if clip.text in VALUE_OF and kind == "word":
            yield _Plan(person, clip.text, DIGIT, str(VALUE_OF[clip.text]), (clip,), clip.text)


def _cut_digits(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    for run in runs(role):
        for word in run:
            if word.text in VALUE_OF:
                yield _Plan(word.person, word.text, DIGIT, str(VALUE_OF[word.text]), (word,), word.text)


def _numbers(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    """Whole numbers of two words in one breath: "four five", "twenty six"."""
    for run in runs(role):
        for first, second in zip(run, run[1:], strict=False):
            value = _whole(words := together([first, second]))
            if value is not None:
                yield _Plan(first.person, words.text, DIGIT, f"{value}", (words,), "pair")


def _whole(words: Part) -> Decimal | None:
    try:
        return parse(words.text).value
    except NotANumber:
        return None


@functools.cache
def _tests() -> tuple[tuple[str, Decimal, dict[str, Decimal]], ...]:
    """(name, value, what was read before it) of very many invented tests."""
    found = []
    for number in range(TESTS):
        test = readings(random.Random(f"a test {number}"))
        found += [(name, value, dict(test[:at])) for at, (name, value) in enumerate(test)]
    return tuple(found)


@functools.cache
def _figures() -> tuple[frozenset[int], ...]:
    """Of each of these values, the digits that it is said with."""
    return tuple(frozenset(int(figure) for figure in f"{value:f}" if figure != ".") for _, value, _ in _tests())


def _point(role: str, chance: random.Random) -> Saying:
    voices = [voice.name for voice in speaking(role if role == "tune" else "score") if voice.can_say("point")
              and (role == "tune" or voice.accent == "human")]
    return Saying(chance.choice(voices), "point", chance.randrange(MANNERS) if role == "tune" else 0)


def _joined(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    """Readings digit by digit, of people of whom at least two different digits are there; ten of each, one in a turn."""
    words = [clip for _, kind, clip in _words(folder, role) if kind == "word"]
    return _of_digits(words, role, chance, 10, "digits alone")


def _joined_of_cuts(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    """The same of digits cut out of connected speech: of few people, but nearly all ten digits."""
    return _of_digits([word for run in runs(role) for word in run], role, chance, 20, "digits cut out")


def _of_digits(words: list[Part], role: str, chance: random.Random, each: int, form: str) -> Iterator[_Plan]:
    of: dict[Person, dict[int, list[Part]]] = {}
    for word in words:
        if word.text in VALUE_OF:
            of.setdefault(word.person, {}).setdefault(VALUE_OF[word.text], []).append(word)
    for person, digits in of.items():
        can = [one for one, figures in zip(_tests(), _figures(), strict=True) if figures <= digits.keys()]
        if len(digits) < 2 or not can:
            continue
        chance.shuffle(can)
        for name, value, before in list({value: one for one in can for value in [one[1]]}.values())[:each]:   # no value twice
            bits = tuple(_point(role, chance) if figure == "." else chance.choice(digits[int(figure)]) for figure in f"{value:f}")
            yield _Plan(person, " ".join(bit.text for bit in bits), expect_at(name, before), f"{value:f}", bits, form)


def _breath(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    """Readings of which either side of the point was said in one breath."""
    for run in runs(role):
        for at in range(len(run)):
            for before, after in ((1, 2), (2, 2)):
                words = run[at:at + before + after]
                if len(words) < before + after:
                    continue
                bits = (together(words[:before]), _point(role, chance), together(words[before:]))
                try:
                    value = parse(" ".join(bit.text for bit in bits)).value
                except NotANumber:
                    continue
                fitting = [expect for one in chance.sample(_tests(), 300)
                           if (expect := expect_at(one[0], one[2])).near and expect.near[0] <= value <= expect.near[1]]
                if -value.as_tuple().exponent == 2 and fitting:
                    yield _Plan(run[0].person, " ".join(bit.text for bit in bits), fitting[0], f"{value:f}", bits, "in one breath")


def _yes_no(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    for person, _, clip in _words(folder, role):
        if clip.text in ("yes", "no"):
            yield _Plan(person, clip.text, YES_NO, clip.text, (clip,), clip.text)


def _others(folder: Path, role: str, chance: random.Random, expect: Expect) -> Iterator[_Plan]:
    """Single words that are no command and no number; "left" and "on" are words of commands."""
    for person, kind, clip in _words(folder, role):
        if kind in ("talk", "word") and " " not in clip.text and command(clip.text) is None and clip.text not in NUMBERS:
            yield _Plan(person, clip.text, expect, None, (clip,), clip.text)


def _talk(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    """Sentences; each is heard where a reading, a command or yes or no is asked."""
    expects = [one for name, _, before in chance.sample(_tests(), 40) for one in (expect_at(name, before), COMMAND, YES_NO)]
    for n, (person, kind, clip) in enumerate(_words(folder, role)):
        if kind == "talk" and " " in clip.text:
            yield _Plan(person, clip.text, expects[n % len(expects)], None, (clip,))


def _others_in_reading(folder: Path, role: str, chance: random.Random) -> Iterator[_Plan]:
    for plan in _others(folder, role, chance, COMMAND):
        name, _, before = chance.choice(_tests())
        yield _Plan(plan.person, plan.text, expect_at(name, before), None, plan.bits, plan.form)


ROWS = {
    "single digits": _digits,
    "single digits cut out of connected speech": _cut_digits,
    "readings joined from digits said alone": _joined,
    "readings joined from digits cut out of connected speech": _joined_of_cuts,
    "readings joined from pairs said in one breath": _breath,
    "numbers of two words in one breath": _numbers,
    "yes and no": _yes_no,
    "other words where yes or no is asked": functools.partial(_others, expect=YES_NO),
    "other words where a command is asked": functools.partial(_others, expect=COMMAND),
    "other words where a reading is asked": _others_in_reading,
    "sentences of other talk": _talk}
"""Row of the table -> its plans."""
