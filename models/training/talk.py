"""Which sound follows which when people talk: what the station's grammar competes with."""

from collections.abc import Iterable
from pathlib import Path

import numpy as np

from models.training import texts
from models.training.corpus import speakers_in

SEEN_BEFORE = 0.5
"""Added to each count, so that no row of sounds is impossible."""


def follows(sentences: Iterable[str]) -> np.ndarray:
    """(units, units), natural logarithms: row 0 how likely each sound is the first, row n which follows sound n. Sentences with a
    word that the dictionary lacks are left out."""
    unit = {sound: number for number, sound in enumerate(texts.SOUNDS, 1)}
    known = texts.dictionary()
    counts = np.full((len(unit) + 1, len(unit) + 1), SEEN_BEFORE)
    for said in sentences:
        words = said.split()
        if all(word in known for word in words):
            units = [unit[sound] for word in words for sound in known[word]]
            np.add.at(counts, ([0, *units][:-1], units), 1)
    counts[:, 0] = 1e-30
    return np.log(counts / counts.sum(1, keepdims=True)).astype(np.float32)


def of_people(folder: Path) -> np.ndarray:
    """Of all talk of those in the folder who are not held."""
    return follows(clip["text"] for about in speakers_in(folder) if not about["held"] for clip in about["clips"]
                   if clip["kind"] == "talk")
