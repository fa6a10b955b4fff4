"""Puts clips of one speaker in a row, with the sounds they stand for: the texts of a training batch are made anew each time."""

import random
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from models import recordings
from models.training import texts
from models.training.corpus import speakers_in
from models.training.texts import SOUNDS
from models.wav import RATE

SLOTS = 8
"""Clips in one item at most."""

PEOPLE = ("gsc", "an4", "so762", recordings.ENGINE)
"""Engines that are no programs: recordings of people, each in the corpus' form. Who they are: models/people/CARD.md; the last are
those that were given with bowlside voice record."""

SHARES = {"gsc": 0.378, "an4": 0.135, "so762": 0.072, recordings.ENGINE: 0.1, "kokoro": 0.144, "joe": 0.045, "hibari": 0.045,
          "flite": 0.036, "espeak": 0.045}
"""Of the items, by engine, in the ratio of those that are there: people and natural voices count most, and none may be all."""

JOINED = {"gsc": 0.66, "an4": 0.35, "so762": 0.0, recordings.ENGINE: 0.5}
"""Of a person's items, so many are single words in a row; the others are clips as they were spoken."""

KINDS = {"silence": 0.04, "joined": 0.40, "word": 0.06, "command": 0.10, "reading": 0.25, "talk": 0.15}
"""joined: single words of one speaker in a row, with gaps from overlapping to 0.35 s; silence: noise only."""

SILENCE_DB, LEAD, TAIL = -26, 400, 640
"""Where a single word of a person begins and ends: so far below its loudest 20 ms; and the samples kept around that. Words of
recorded lists stand in silence, words of a spoken number touch."""

_DIGITS = "zero oh one two three four five six seven eight nine".split()
_DIGIT_WEIGHTS = (0.6, 0.5, 1, 1.1, 1.2, 1.2, 1.1, 1.2, 1.1, 1, 1.2)
"""Evenly, and a little more of those that few people have said or that were taken for another."""

_UNIT = {sound: number for number, sound in enumerate(SOUNDS, 1)}
_STATION = frozenset(texts.vocabulary())
_ALIKE = {"to": "two", "too": "two", "for": "four", "won": "one", "ate": "eight"}


@dataclass(frozen=True)
class Clip:
    start: int
    length: int
    units: tuple[int, ...]
    words: tuple[int, ...]


@dataclass
class Person:
    """One who was recorded."""

    words: dict[str, list[Clip]]
    """Single words, closely cut."""

    clips: list[Clip]
    """Everything, as it was spoken."""


@dataclass
class Batch:
    """Where the clips of each item lie: arrays (items, SLOTS), in samples at RATE; and what was said."""

    at: np.ndarray
    length: np.ndarray
    source: np.ndarray
    rate: np.ndarray
    gain: np.ndarray
    total: np.ndarray
    units: list[list[int]]
    words: list[list[int]]


def check(*folders: Path) -> None:
    """Raises LookupError with a line for each thing that is wrong with people's recordings in these folders, file by file.
    A folder in which programs alone speak is ours, and is not looked into."""
    for folder in folders:
        engines = {path.parent.name for path in folder.glob("*/*.json")}
        if engines and engines <= {*SHARES} - {*PEOPLE}:
            continue
        wrong = list(recordings.faults(folder))
        wrong += [f"{engine}: is no source that training knows, so nobody there would be heard; put them into one of "
                  f"{', '.join(PEOPLE)}." for engine in sorted(engines - {*SHARES})]
        if wrong:
            raise LookupError("\n".join([f"{folder} can't be trained on as it is, so nothing was begun:", *wrong]))


class Corpus:
    """All clips of the speakers that may be trained on (or, with held, of those that only choose)."""

    def __init__(self, *folders: Path, held: bool = False, engines: tuple[str, ...] = tuple(SHARES),
                 speakers: int | None = None, cuts: dict[str, list[dict]] | None = None) -> None:
        """speakers: of each engine at most so many, for the slope of error against voices. cuts: words found inside longer
        clips of people (models/training/cut.py), by "engine/number"."""
        word_number = {word: number for number, word in enumerate(texts.vocabulary(), 1)}
        other = len(word_number) + 1
        known = texts.dictionary()
        sounds, at, taken = [], 0, dict.fromkeys(engines, 0)
        self.by_kind: dict[str, dict[str, list[Clip]]] = {}
        self.speakers: dict[str, list[dict[str, list[Clip]]]] = {}
        self.people: dict[str, list[Person]] = {}
        self.said: dict[bool, dict[str, list[Clip]]] = {True: {}, False: {}}
        """Single words: of people (True) and of programs, whoever says them."""
        self.seconds = 0.0
        self.words = other + 1
        chosen = []
        for about in (about for folder in folders for about in speakers_in(folder)):
            engine = about["engine"]
            if about["held"] == held and engine in engines and taken[engine] != speakers:
                taken[engine] += 1
                chosen.append(about)
        with ThreadPoolExecutor() as readers:               # hours of compressed sound
            read = list(readers.map(lambda about: soundfile.read(about["sound"], dtype="int16"), chosen))
        for about, (sound, rate) in zip(chosen, read, strict=True):
            assert rate == RATE, about["sound"]
            engine = about["engine"]
            single: dict[str, list[Clip]] = {}
            person = Person({}, []) if engine in PEOPLE else None
            for row in [*about["clips"], *(cuts or {}).get(f"{engine}/{about['number']:04d}", [])]:
                said = row["text"].split()
                if any(word not in known for word in said):
                    continue
                spelled = row["kind"] == "spelled"          # there "a" is the letter
                clip = Clip(at + row["start"], row["length"],
                            tuple(_UNIT[s] for word in said for s in (("EY",) if spelled and word == "a" else known[word])),
                            tuple(word_number.get(_ALIKE.get(word, word), other) for word in said))
                self.by_kind.setdefault(engine, {}).setdefault(row["kind"], []).append(clip)
                if person is not None:
                    if len(said) == 1 and not spelled:
                        word = _closer(clip, sound[row["start"]:row["start"] + row["length"]])
                        person.words.setdefault(row["text"], []).append(word)
                        self.said[True].setdefault(row["text"], []).append(word)
                    if row["kind"] != "cut":
                        person.clips.append(clip)
                elif row["kind"] in ("word", "command") and len(said) == 1:
                    self.said[False].setdefault(row["text"], []).append(clip)
                if row["kind"] in ("word", "command"):
                    single.setdefault(row["text"], []).append(clip)
            if person is not None and person.clips:
                self.people.setdefault(engine, []).append(person)
            elif len(single) >= 6:
                self.speakers.setdefault(engine, []).append(single)
            sounds.append(sound)
            at += len(sound)
        if not self.by_kind:
            raise LookupError(f"{' and '.join(map(str, folders))} holds no speech of these engines; make some with python -m "
                              "models.training.corpus.")
        self.sound = np.concatenate([*sounds, np.zeros(64, np.int16)])
        self.seconds = at / RATE
        self.taken = taken


def _closer(clip: Clip, sound: np.ndarray) -> Clip:
    """The clip without the silence around its word."""
    power = np.sqrt(np.convolve(sound.astype(np.float32) ** 2, np.full(320, 1 / 320), "same"))
    loud = np.flatnonzero(power > power.max(initial=0) * 10 ** (SILENCE_DB / 20))
    if not len(loud):
        return clip
    first, last = max(0, loud[0] - LEAD), min(len(sound), loud[-1] + TAIL)
    return replace(clip, start=clip.start + int(first), length=int(last - first))


class Composer:
    """Draws items from a corpus. The same seed, the same items."""

    def __init__(self, corpus: Corpus, samples: int, seed: int) -> None:
        self._corpus, self._samples, self._rng = corpus, samples, random.Random(seed)
        self._engines = sorted(corpus.by_kind)
        self._shares = [SHARES[engine] for engine in self._engines]

    def batch(self, items: int) -> Batch:
        shape = (items, SLOTS)
        batch = Batch(np.full(shape, 10**9), np.zeros(shape, np.int64), np.zeros(shape, np.int64), np.ones(shape),
                      np.zeros(shape), np.zeros(items, np.int64), [], [])
        for item in range(items):
            self._place(batch, item)
        return batch

    def _place(self, batch: Batch, item: int) -> None:
        rng = self._rng
        units: list[int] = []
        words: list[int] = []
        pace, at = rng.uniform(0.8, 1.25), int(RATE * rng.uniform(0.03, 0.6))
        for _ in range(20):                                 # the first must fit, or a long one would make a silence
            clips = self._clips()[:SLOTS]
            if not clips or clips[0][0].length / 1.5 < self._samples - 1 - at:
                break
        else:
            clips = []
        for slot, (clip, gap) in enumerate(clips):
            rate = pace * rng.uniform(0.96, 1.04)
            at = max(0, at + gap)
            if at + clip.length / rate > self._samples and slot == 0:
                rate = clip.length / (self._samples - 1 - at)
            length = int(clip.length / rate)
            if at + length > self._samples or rate > 1.5:
                break
            batch.at[item, slot], batch.length[item, slot], batch.source[item, slot] = at, length, clip.start
            batch.rate[item, slot], batch.gain[item, slot] = rate, 10 ** (rng.uniform(-3, 3) / 20)
            at += length
            units += clip.units
            words += clip.words
        batch.total[item] = min(self._samples, max(at, RATE // 2) + int(RATE * rng.uniform(0.03, 0.5)))
        batch.units.append(units)
        batch.words.append(words)

    def _clips(self) -> list[tuple[Clip, int]]:
        """(clip, samples after the end of the one before), in order."""
        rng = self._rng
        engine = rng.choices(self._engines, self._shares)[0]
        if engine in PEOPLE:
            return self._of_people(engine) if rng.random() > KINDS["silence"] else []
        kinds = self._corpus.by_kind[engine]
        kind = rng.choices(list(KINDS), list(KINDS.values()))[0]
        if kind == "silence":
            return []
        if kind == "joined":
            return self._joined(engine)
        clips = [(rng.choice(kinds.get(kind) or kinds["reading"]), 0)]
        while kind == "talk" and rng.random() < 0.35 and len(clips) < 4:
            more = kinds.get(rng.choice(("talk", "reading", "command", "word"))) or kinds["reading"]
            clips.append((rng.choice(more), int(RATE * rng.uniform(0, 0.6))))
        return clips

    def _joined(self, engine: str) -> list[tuple[Clip, int]]:
        rng = self._rng
        speakers = self._corpus.speakers[engine]
        single = rng.choice(speakers)
        if rng.random() < 0.65:
            said = [word for word in texts.reading(rng).split() if word in single]
        else:
            said = [rng.choice(list(single)) for _ in range(rng.randint(1, 6))]
        said = said[:SLOTS] or [rng.choice(list(single))]
        other = rng.choice(speakers) if rng.random() < 0.1 else single      # somebody else says one of the words
        swapped = rng.randrange(len(said))
        longest = rng.choice((0.0, 0.06, 0.15, 0.35))
        row = []
        for number, word in enumerate(said):
            voice = other if number == swapped and word in other else single
            tight = -0.03 if rng.random() < 0.25 else 0.0                    # words run into each other
            row.append((rng.choice(voice[word]), int(RATE * (rng.uniform(0, longest) + tight))))
        return row

    def _of_people(self, engine: str) -> list[tuple[Clip, int]]:
        rng = self._rng
        person = rng.choice(self._corpus.people[engine])
        if rng.random() < JOINED[engine]:
            return self._words_of(person)
        row = [(rng.choice(person.clips), 0)]
        while rng.random() < 0.3 and len(row) < 3:
            row.append((rng.choice(person.clips), int(RATE * rng.uniform(0, 0.5))))
        return row

    def _words_of(self, person: Person) -> list[tuple[Clip, int]]:
        """A reading, a row of digits, or one word, in single words: the person's own where there are any, else another's.
        They overlap a little, touch, or stand apart, as people say numbers."""
        rng, people, programs = self._rng, self._corpus.said[True], self._corpus.said[False]
        draw = rng.random()
        if draw < 0.4:
            said = texts.reading(rng).split()
        elif draw < 0.88:
            said = rng.choices(_DIGITS, _DIGIT_WEIGHTS, k=rng.randint(1, 6))
        elif draw < 0.94:
            said = [rng.choice(("yes", "no"))]              # what is read back is taken or thrown away by these
        else:
            said = [rng.choice(sorted(word for word in people if word in _STATION))]
        longest, tight = rng.choice((0.0, 0.04, 0.12, 0.3)), rng.choice((0.0, 0.0, 0.03, 0.07))
        row = []
        for word in said[:SLOTS]:
            own, others, made = person.words.get(word), people.get(word, []), programs.get(word, [])
            if own and rng.random() < 0.8:
                voice = own
            elif others and (not made or rng.random() < (0.85 if len(others) > 20 else 0.3)):
                voice = others
            elif made:
                voice = made
            else:
                break                                       # nobody says it, so what would follow is another number
            row.append((rng.choice(voice), int(RATE * (rng.uniform(0, longest) - tight))))
        return row or [(rng.choice(person.clips), 0)]
