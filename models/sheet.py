"""What somebody who gives their voice is asked to say: the words that too few people have said, whole commands, and readings
with a point. Derived from the station's vocabulary, so that a word added there is asked for here."""
from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

from assistant.core.commands import command
from assistant.core.spoken import POINTS
from models import grammar

Prompt = tuple[str, str]
"""(kind, text): kind is word, command or reading, as in models/training/corpus.py."""

SAID_BY = {"zero": 304, "oh": 36, "one": 378, "two": 80, "three": 71, "four": 71, "five": 340, "six": 75, "seven": 70,
           "eight": 341, "nine": 63, "ten": 11, "eleven": 3, "twelve": 6, "fourteen": 4, "fifteen": 3, "sixteen": 3,
           "seventeen": 4, "eighteen": 1, "nineteen": 25, "twenty": 30, "thirty": 22, "forty": 17, "fifty": 23, "sixty": 40,
           "seventy": 17, "eighty": 10, "ninety": 7, "yes": 37, "no": 63, "left": 302, "on": 65, "time": 42, "back": 25,
           "again": 16, "say": 14, "take": 11, "where": 11, "next": 8, "talk": 6, "wrong": 4, "half": 3, "point": 2,
           "quarter": 2, "step": 2, "stand": 2, "test": 1, "pause": 1, "quiet": 1}
"""Word of the station -> how many people have said it in the recordings known so far (2026-11, three public corpora)."""
ENOUGH = 100
"""People: a word that so many have said is not asked for by itself. Ours."""
NOT_ALONE = frozenset("a and are by it me on the to we".split())
"""Words that nobody says by themselves; they are in the commands."""
READINGS, DRAWN = 30, 400


def said_by(folder: Path) -> Counter[str]:
    """Word -> speakers who have said it, of SAID_BY and of a folder in the form of models/training/corpus.py."""
    counts = Counter(SAID_BY)
    for path in folder.glob("*/*.json"):
        try:
            clips = json.loads(path.read_text("utf-8"))["clips"]
            counts.update({word for clip in clips for word in clip["text"].split()})
        except (OSError, ValueError, KeyError, TypeError):
            continue                                        # what is torn is told by models/recordings.py
    return counts


def sheet(number: int, known: Mapping[str, int]) -> list[Prompt]:
    """What speaker `number` is asked to say: scarce words first, the scarcest first; then commands; then readings, others for
    each speaker. known: word -> people who have said it."""
    words = [word for word in grammar.words_for(grammar.WIDE) if known.get(word, 0) < ENOUGH and word not in NOT_ALONE]
    words.sort(key=lambda word: known.get(word, 0))
    commands = [phrase for phrase in grammar.command_phrases() if phrase not in words]
    return ([("command" if command(word) else "word", word) for word in words]
            + [("command", phrase) for phrase in commands] + [("reading", text) for text in _readings(number)])


def _readings(number: int) -> list[str]:
    """So many that between them use as many words as can be, before the point and behind it."""
    rng = random.Random(f"sheet {number}")
    ways = grammar.automaton(grammar.EVERYTHING, commands=False)
    drawn = dict.fromkeys(text for _ in range(DRAWN) if set((text := ways.sentence(rng)).split()) & set(POINTS))
    places = {text: {(word, at > _point(text)) for at, word in enumerate(text.split())} for text in drawn}
    readings: list[str] = []
    used: set[tuple[str, bool]] = set()
    while places and len(readings) < READINGS:
        best = max(places, key=lambda text: len(places[text] - used))
        if not places[best] - used and used:
            used = set()                                    # all is covered: once more around
            continue
        used |= places.pop(best)
        readings.append(best)
    return readings


def _point(text: str) -> int:
    return next(at for at, word in enumerate(text.split()) if word in POINTS)
