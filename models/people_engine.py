"""Hears with the network that has heard very many people, in our strict grammar, and says how surely.

What is worth believing is a share: of all that may have been said, every sentence of the grammar and any talk besides, so much is
this one meaning. Words that are none of ours are rejected by it, and so is a noise: for them talk or silence is likelier.
"""

import functools
import math
import time
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

import numpy as np

from assistant.core.commands import COMMANDS, command
from assistant.core.expect import Expect
from assistant.core.spoken import NotANumber, parse
from models import grammar, locate
from models.encoder import BadModel, Encoder
from models.lexicon import read_lexicon
from models.posterior import Graph, any_talk
from models.strict import acceptor
from models.wav import RATE

TALK = math.log(0.5)
"""Natural logarithm of the weight of talk that is none of ours against the sentences of the grammar."""


WEIGHTS = "encoder.npz"

TRIAL_S, SLOWEST_S = 3.0, 3.0
"""A sound as long as a reading, and how much of one core's time it may take: more, and the answer comes
seconds after the words."""


@dataclass(frozen=True)
class Heard:
    text: str
    """The likeliest sentence; "" for none."""

    meaning: str | None
    """A value, or a command's id; None: no words."""

    share: float
    """Of everything that may have been said, 0 to 1."""


class PeopleEngine:
    """Not for two threads at once."""

    name = "people"

    def __init__(self, folder: Path, sha256: str | None = None, slowest_s: float = SLOWEST_S) -> None:
        """folder: with encoder.npz, lexicon.txt and talk.npy. sha256: of encoder.npz; None: as the manifest has it.
        slowest_s: see SLOWEST_S. Raises BadModel."""
        self._encoder = Encoder(folder / WEIGHTS, _checksum() if sha256 is None else sha256)
        unit = {name: number for number, name in enumerate(self._encoder.units)}
        try:
            self._ways = {word: [tuple(unit[sound] for sound in way) for way in ways]
                          for word, ways in read_lexicon(folder / "lexicon.txt").items() if word != grammar.UNKNOWN}
            lacks = set(grammar.words_for(grammar.WIDE)) - set(self._ways)
            if lacks:
                raise ValueError(f"lexicon.txt lacks {', '.join(sorted(lacks))}")
            self._follows = np.load(folder / "talk.npy", allow_pickle=False)
        except (KeyError, OSError, ValueError) as error:
            raise BadModel(f"The speech model in {folder} can't be used ({type(error).__name__}: {error}); get the station's "
                           "files again.") from None
        self._graphs: dict[bool, Graph] = {}
        self._of_meaning = functools.lru_cache(64)(self._graph_of_meaning)
        taken_s = min(self._takes_s() for _ in range(2))
        if taken_s > slowest_s:
            raise BadModel(f"The speech model in {folder} is too slow for this board: {taken_s:.1f} s for {TRIAL_S:.0f} s of "
                           f"sound, where {slowest_s:.1f} s would do.")

    def _takes_s(self) -> float:
        """Of processor time, so that a board that is busy as it starts isn't called slow."""
        began = time.process_time()
        self.hear(np.random.default_rng(1).standard_normal(int(TRIAL_S * RATE)).astype(np.float32) * 0.01, grammar.EVERYTHING)
        return time.process_time() - began

    def hear(self, sound: np.ndarray, expect: Expect) -> Heard:
        """sound: float at RATE, full scale 1."""
        return self.judge(self._encoder.log_probs(sound), expect)

    def judge(self, log_probs: np.ndarray, expect: Expect) -> Heard:
        wide = grammar.wide(expect)
        graph = self._everything(wide)
        text = " ".join(graph.best(log_probs))
        if not text:
            return Heard("", None, 0.0)
        meaning = meaning_of(text)
        if meaning is None:
            return Heard(text, None, 0.0)
        everything = np.logaddexp(graph.log_sum(log_probs), any_talk(log_probs, self._follows) + TALK)
        return Heard(text, meaning, min(1.0, float(np.exp(self._of_meaning(meaning, wide).log_sum(log_probs) - everything))))

    def _everything(self, wide: bool) -> Graph:
        if wide not in self._graphs:
            of = grammar.WIDE if wide else grammar.EVERYTHING
            self._graphs[wide] = Graph(acceptor(grammar.automaton(of)), self._ways)
        return self._graphs[wide]

    def _graph_of_meaning(self, meaning: str, wide: bool) -> Graph:
        return Graph(acceptor(sentences_of(meaning, wide), empty=False), self._ways)


def _checksum() -> str:
    return tomllib.loads((locate.ROOT / "manifest.toml").read_text("utf-8"))["people"]["sha256"]


def meaning_of(text: str) -> str | None:
    """A command's id, or the value as a number without needless noughts; None: words that are no whole sentence."""
    ident = command(text)
    if ident is not None:
        return ident
    try:
        return f"{parse(text, whole=True).value.normalize():f}"  # the grammar has such a one only where it is asked for
    except NotANumber:
        return None


def sentences_of(meaning: str, wide: bool) -> grammar.Automaton:
    """Every way to say it."""
    built = grammar.Automaton()
    if meaning in COMMANDS:
        built.start = built.state((tuple(said.split()), built.end) for said in COMMANDS[meaning])
        return built
    value = Decimal(meaning)
    places = 0 if value >= 100 and value == int(value) else None    # it was heard where only whole numbers are asked for
    only = Expect("reading", value, value, places, unit="°F" if wide else "")       # any unit that is no pressure's makes it wide
    return grammar.automaton(only, window=True, commands=False)
