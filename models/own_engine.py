"""Hears with the speech model of our own: sixty words, trained on many synthetic voices (models/own/CARD.md)."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from assistant.core.expect import Expect
from models import grammar
from models.quieten import OWN_COMFORT_DB, even_out, faster
from models.vosk_engine import VoskEngine
from models.vote import OWN, Decoding

PACES = (1.0, 0.93, 1.07)
"""The sound as it is, drawn out and hurried: a chance likeness seldom survives another pace."""


class OwnEngine:
    """One network, three decodings of an utterance in the strict grammar of all that is ever said to the station."""

    name = OWN

    def __init__(self, folder: Path, cache: Path | None = None) -> None:
        """Raises RuntimeError with a sentence if it can't be loaded."""
        self._engine = VoskEngine(folder, second=False, cache=cache)
        if self._engine.accepts is None or set(self._engine.lacks) & set(grammar.words_for(grammar.EVERYTHING)):
            raise RuntimeError(f"The station's own speech model in {folder} lacks words of the station; run the set-up "
                               "again.")
        self._folder, self._cache = folder, cache
        self._wide: VoskEngine | None = None
        self.sentences: list[str] = []

    def decodings(self, sound: np.ndarray, expect: Expect) -> Iterator[Decoding]:
        engine = self._wider() if grammar.wide(expect) else self._engine
        for pace in PACES:
            yield Decoding(engine.hear_strictly(even_out(sound if pace == 1 else faster(sound, pace), OWN_COMFORT_DB)), OWN)

    def _wider(self) -> VoskEngine:
        """The same model in the grammar of all that is no pressure; loaded when it is first needed."""
        if self._wide is None:
            self._wide = VoskEngine(self._folder, second=False, sentences=grammar.automaton(grammar.WIDE), cache=self._cache)
        return self._wide
