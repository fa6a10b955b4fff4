"""Real people for the exam: who they are, their recordings, and words of theirs laid end to end.

    python -m tests.bench.hearing.people --freeze FOLDER      writes people.json anew: who examines, where words begin and end

The recordings are in the form of models/training/corpus.py, in a folder that isn't part of the project (its README names
sources and licences). Only speakers that are never trained on (every tenth) are used. ``people.json`` has them by name: in
the order of engine and number the first, third … may choose settings (``tune``), the second, fourth … only report (``exam``).
It also has where the words of connected numbers lie, found once by pocketsphinx's forced alignment of what was said, so that
every ear hears the same cuts.
"""
from __future__ import annotations

import argparse
import functools
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from assistant.core.language import CURRENT
from assistant.core.spoken import UNITS, ZEROS
from models.training.corpus import is_held
from models.wav import RATE, to_pcm
from tests.bench.hearing.voices import HERE, Saying, clean

FROZEN = HERE / "people.json"
DEFAULT = HERE.parents[2].parent / "shared" / "speech" / "people"
"""Beside the checkout."""
NUMBERS = frozenset((*UNITS, *ZEROS, *CURRENT.numbers.teens, *filter(None, CURRENT.numbers.tens)))
"""Words that a run is made of."""
MARGIN_S = (0.02, 0.07)
"""Of a speaker's own background kept on either side of a word that is joined to another: gaps of about 30 to 120 ms. Ours."""
FADE_S = 0.01


@dataclass(frozen=True)
class Person:
    engine: str
    """The corpus the recordings come from: gsc, an4, so762."""
    number: int
    speaker: str
    role: str
    """``tune`` or ``exam``."""

    @property
    def name(self) -> str:
        return f"{self.engine} {self.number:04d}"


@dataclass(frozen=True)
class Part:
    """A stretch of one speaker's recordings, in samples from the beginning of the file."""

    person: Person
    text: str
    start: int
    length: int
    cut: bool = False
    """Out of the middle of speech: it has no margins of silence."""


Bit = Part | Saying
"""A saying stands in for a word that nobody recorded."""


def people(role: str = "all") -> list[Person]:
    """Those of `role`: ``tune``, ``exam`` or ``all``."""
    rows = json.loads(FROZEN.read_text("utf-8"))["people"]
    return [person for row in rows if role in ((person := Person(*row)).role, "all")]


def about(folder: Path, person: Person) -> dict:
    """The speaker's json file. Raises FileNotFoundError."""
    return json.loads((folder / person.engine / f"{person.number:04d}.json").read_text("utf-8"))


def said(folder: Path, person: Person) -> list[tuple[str, Part]]:
    """(kind, clip) of all that the speaker said."""
    return [(clip["kind"], Part(person, clip["text"], clip["start"], clip["length"])) for clip in about(folder, person)["clips"]]


def runs(role: str) -> list[list[Part]]:
    """Rows of number words that were said in one breath, each word where it lies."""
    by_name = {person.name: person for person in people(role)}
    rows = json.loads(FROZEN.read_text("utf-8"))["runs"]
    return [[Part(by_name[name], word, start, length, cut=True) for word, start, length in words]
            for name, words in rows if name in by_name]


def together(words: list[Part]) -> Part:
    """Words that follow each other in one breath, as one stretch."""
    return Part(words[0].person, " ".join(word.text for word in words), words[0].start,
                words[-1].start + words[-1].length - words[0].start, cut=True)


@functools.lru_cache(4)
def _file(folder: Path, engine: str, number: int) -> np.ndarray:
    place = folder / engine / f"{number:04d}.json"
    sound, rate = soundfile.read(next(path for kind in (".flac", ".ogg", ".wav") if (path := place.with_suffix(kind)).exists()),
                                 dtype="float32")
    if rate != RATE:
        raise ValueError(f"{place.parent.name}/{place.stem} is at {rate} Hz; the corpus form has {RATE}.")
    return sound


def sound_of(folder: Path, bit: Bit) -> np.ndarray:
    """(samples,) at 16 kHz; its spoken parts at one level."""
    if isinstance(bit, Saying):
        return clean(bit)
    return _file(folder, bit.person.engine, bit.person.number)[bit.start:bit.start + bit.length]


def joined(folder: Path, bits: tuple[Bit, ...], dice: np.random.Generator) -> np.ndarray:
    """The bits end to end as if said in a row, peak 0.5; one alone is left as it is.

    Each keeps a few hundredths of a second of its own background on either side, has the level of the others within 2 dB and
    fades into the next. Words said in one breath (`cut`) get no margin.
    """
    sounds = [sound_of(folder, bit) for bit in bits]
    if len(sounds) > 1:
        sounds = [_close(sound, isinstance(bit, Part) and bit.cut, dice) for sound, bit in zip(sounds, bits, strict=True)]
    fade = int(FADE_S * RATE)
    row = sounds[0]
    for sound in sounds[1:]:
        ramp = np.linspace(0, 1, fade)
        row = np.concatenate([row[:-fade], row[-fade:] * (1 - ramp) + sound[:fade] * ramp, sound[fade:]])
    return (row * (0.5 / max(float(np.abs(row).max(initial=0)), 1e-6))).astype(np.float32)


def _close(sound: np.ndarray, whole: bool, dice: np.random.Generator) -> np.ndarray:
    size = RATE // 100
    power = np.sqrt((sound[:len(sound) // size * size].reshape(-1, size) ** 2).mean(axis=1))
    loud = np.flatnonzero(power > 0.05 * power.max())
    level = np.sqrt((power[loud] ** 2).mean())
    before, after = (dice.uniform(*MARGIN_S, 2) * RATE).astype(int)
    if not whole:
        sound = sound[max(0, loud[0] * size - before):(loud[-1] + 1) * size + after]
    return sound * (0.1 * 10 ** (dice.uniform(-1, 1) / 20) / level)


# --- freezing ------------------------------------------------------------------------------------------------------------


def freeze(folder: Path) -> None:
    """Writes people.json: speakers and roles by the rule above, words of connected numbers by forced alignment."""
    held = [json.loads(path.read_text("utf-8")) for path in folder.glob("*/*.json") if is_held(int(path.stem))]
    held.sort(key=lambda one: (one["engine"], one["number"]))
    rows = [[one["engine"], one["number"], one["speaker"], ("tune", "exam")[n % 2]] for n, one in enumerate(held)]
    found = []
    for row in rows:
        person = Person(*row)
        for kind, clip in said(folder, person):
            if kind in ("reading", "spelled") and " " in clip.text:
                found += [(person.name, run) for run in _cut(folder, clip)]
    lines = [json.dumps(one) for one in rows], [json.dumps(one) for one in found]
    FROZEN.write_text('{"people": [\n%s\n],\n"runs": [\n%s\n]}\n' % (",\n".join(lines[0]), ",\n".join(lines[1])), encoding="utf-8")


PAUSE_S = 0.05
"""Of the silence before the first and behind the last word of a run, what goes with it."""
WIDE = {"beam": 1e-80, "wbeam": 1e-60, "pbeam": 1e-80}
"""The text is known, so nothing is gained by giving up an unlikely way."""


def _cut(folder: Path, clip: Part) -> list[list[tuple[str, int, int]]]:
    """Each run of number words in it: (word, start, samples). A pause inside a run is shared by the words around it."""
    words = clip.text.split()
    sound = sound_of(folder, clip)
    spans = _aligned(sound, words)
    found: list[list[tuple[str, int, int]]] = []
    before, inside = 0.0, False
    for word, (begins, ends), (then, _), follows in zip(words, spans, [*spans[1:], (len(sound) / RATE, 0)], [*words[1:], ""],
                                                        strict=True):
        goes_on = word in NUMBERS and follows in NUMBERS
        last = (ends + then) / 2 if goes_on else min(ends + PAUSE_S, then)
        if word in NUMBERS:
            first = before if inside else max(before, begins - PAUSE_S)
            if not inside:
                found.append([])
            low, high = int(first * RATE), int(last * RATE)
            found[-1].append((word, clip.start + low, high - low))
        before, inside = last, goes_on
    return found


def _aligned(sound: np.ndarray, words: list[str]) -> list[tuple[float, float]]:
    """Where each word begins and ends, in s: pocketsphinx's forced alignment, which holds every 10 ms against a model of the
    sound. (The best moments of a network trained by CTC, used before, lie anywhere in a sound: the last s of a "six" went to the
    "four" behind it.)"""
    import pocketsphinx

    from models.pocketsphinx_engine import MODEL
    from models.training.texts import dictionary

    decoder = pocketsphinx.Decoder(hmm=str(MODEL / "en-us"), lm=None, bestpath=False, samprate=RATE, loglevel="FATAL", **WIDE)
    for word in sorted(set(words)):     # names of their own: "a" is the letter here
        decoder.add_word(f"said_{word}", " ".join(("EY",) if word == "a" else dictionary()[word]), True)
    decoder.set_align_text(" ".join(f"said_{word}" for word in words))
    for again in (False, True):
        if again:
            decoder.set_alignment()
        decoder.start_utt()
        decoder.process_raw(to_pcm(sound), full_utt=True)
        decoder.end_utt()
    found = [one for one in decoder.get_alignment() if one.name.startswith("said_")]
    return [(one.start / 100, (one.start + one.duration) / 100) for one in found]


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--freeze", type=Path, required=True, metavar="FOLDER")
    from tests.bench.hearing import people as itself

    itself.freeze(parser.parse_args().freeze)
