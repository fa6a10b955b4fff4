"""Puts clips of one speaker in a row, with the sounds they stand for: the texts of a training batch are made anew each time."""

import random
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from models.training import texts
from models.training.corpus import speakers_in
from models.training.texts import SOUNDS
from models.wav import RATE

SLOTS = 8
"""Clips in one item at most."""

SHARES = {"kokoro": 0.45, "joe": 0.14, "hibari": 0.14, "flite": 0.13, "espeak": 0.14}
"""Of the items, by engine: natural voices count most, and no engine may be all."""

KINDS = {"silence": 0.04, "joined": 0.40, "word": 0.06, "command": 0.10, "reading": 0.25, "talk": 0.15}
"""joined: single words of one speaker in a row, with gaps from overlapping to 0.35 s; silence: noise only."""

_UNIT = {sound: number for number, sound in enumerate(SOUNDS, 1)}
_ALIKE = {"to": "two", "too": "two", "for": "four", "won": "one", "ate": "eight"}


@dataclass(frozen=True)
class Clip:
    start: int
    length: int
    units: tuple[int, ...]
    words: tuple[int, ...]


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


class Corpus:
    """All clips of the speakers that may be trained on (or, with held, of those that only choose)."""

    def __init__(self, folder: Path, held: bool = False, engines: tuple[str, ...] = tuple(SHARES),
                 speakers: int | None = None) -> None:
        """speakers: of each engine at most so many, for the slope of error against voices."""
        word_number = {word: number for number, word in enumerate(texts.vocabulary(), 1)}
        other = len(word_number) + 1
        known = texts.dictionary()
        sounds, at, taken = [], 0, dict.fromkeys(engines, 0)
        self.by_kind: dict[str, dict[str, list[Clip]]] = {}
        self.speakers: dict[str, list[dict[str, list[Clip]]]] = {}
        self.seconds = 0.0
        self.words = other + 1
        chosen = []
        for about in speakers_in(folder):
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
            for row in about["clips"]:
                said = row["text"].split()
                if any(word not in known for word in said):
                    continue
                clip = Clip(at + row["start"], row["length"], tuple(_UNIT[s] for word in said for s in known[word]),
                            tuple(word_number.get(_ALIKE.get(word, word), other) for word in said))
                self.by_kind.setdefault(engine, {}).setdefault(row["kind"], []).append(clip)
                if row["kind"] in ("word", "command"):
                    single.setdefault(row["text"], []).append(clip)
            if len(single) >= 6:
                self.speakers.setdefault(engine, []).append(single)
            sounds.append(sound)
            at += len(sound)
        if not self.by_kind:
            raise LookupError(f"{folder} holds no speech of these engines; make some with python -m models.training.corpus.")
        self.sound = np.concatenate([*sounds, np.zeros(64, np.int16)])
        self.seconds = at / RATE
        self.taken = taken


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
        rng, units, words = self._rng, [], []
        pace, at = rng.uniform(0.8, 1.25), int(RATE * rng.uniform(0.03, 0.6))
        for slot, (clip, gap) in enumerate(self._clips()[:SLOTS]):
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
