"""Writes a folder that vosk loads: a network of ours, how words are said, and a graph that knows CTC's rule.

The graph (graph/HCLr.fst) turns transition ids into words. A sound is its unit once or more, then the blank as often as it
likes. Between two equal sounds a blank must stand, else "zero" could be heard as "zero oh" at no cost: so there is a place
between words for each sound that came last. A word's label is on its first arc, so composing it with a grammar has no dead ends.
A frame is free: every path through a sound has as many, so a cost of each would change nothing.

There is no graph/phones/word_boundary.int: a phone of Kaldi's is a piece of one word, but our blank is in and between words, so
vosk would complain of each utterance. The times of words that vosk tells are therefore rough; the station asks for none.
"""

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from models import fst
from models.grammar import UNKNOWN
from models.training import kaldi
from models.training.numpy_network import BINS, HIGH_HZ, LOW_HZ, Network

FBANK_CONF = f"""--num-mel-bins={BINS}
--low-freq={LOW_HZ:.0f}
--high-freq={HIGH_HZ:.0f}
--dither=0
--use-energy=false
--use-log-fbank=true
--use-power=true
"""

MODEL_CONF = {"--min-active": "200", "--max-active": "3000", "--beam": "14", "--lattice-beam": "3", "--acoustic-scale": "1.0",
              "--frame-subsampling-factor": "3", "--endpoint.silence-phones": "1"}

BLANK = 0
LEXICON = "lexicon.txt"
"""For the model of people, beside what vosk reads: a word and its sounds, one way to say it a line."""

Lexicon = Mapping[str, Sequence[tuple[str, ...]]]
"""Word -> ways to say it, each a row of units' names."""


class _Graph:
    def __init__(self) -> None:
        self.arcs: list[list[tuple[int, int, float, int]]] = []

    def state(self) -> int:
        self.arcs.append([])
        return len(self.arcs) - 1

    def arc(self, frm: int, to: int, transition: int = 0, word: int = 0, cost: float = 0.0) -> None:
        self.arcs[frm].append((transition, word, cost, to))

    def frames(self, unit: int, frm: Iterable[int], word: int = 0, cost: float = 0.0, each: float = 0.0) -> int:
        """The state behind one or more frames of the unit. cost: once; each: of every frame."""
        to = self.state()
        for state in frm:
            self.arc(state, to, kaldi.stay(unit), word, cost + each)
        self.arc(to, to, kaldi.stay(unit), cost=each)
        return to


@dataclass(frozen=True)
class Costs:
    """What the graph adds to the network's scores, in natural logarithms.

    Chosen on the bench's tuning voices (192 readings clean to 0 dB, 272 commands, 80 noises and pieces of talk; the shipped
    network alone): right 84.9, 94.5 %, nothing taken for something 3.8 %. Without a cost of blank 81.8, 94.9, 5.0; with
    `unknown` at 3 84.9, 94.9, 6.2; the other ways for nothing 84.9, 94.5, 10.0, left out 80.2, 94.5, 7.5 (the last two at other
    costs).
    """

    unknown: float | None = 2.5
    """Of each sound of `[unk]`, which is any row of sounds; None: there is no such word."""

    other_way: float = 1.0
    """Of a word said in any but the first of its ways."""

    blank: float = 0.4
    """Of each frame of blank: where the network says blank too readily."""


def graph_bytes(units: Sequence[str], lexicon: Lexicon, ids: Mapping[str, int], costs: Costs) -> bytes:
    """HCLr.fst. Raises KeyError for a sound that is none of the units."""
    number = {name: unit for unit, name in enumerate(units)}
    graph = _Graph()
    start = graph.state()
    between = {unit: graph.state() for unit in range(1, len(units))}       # a word ended with this sound just now
    quiet = graph.frames(BLANK, [start, *between.values()], each=costs.blank)
    places: list[tuple[int | None, int]] = [(None, start), (BLANK, quiet), *between.items()]
    for word, ways in sorted(lexicon.items()):
        for order, way in enumerate(ways):
            first, *rest = (number[name] for name in way)
            at = graph.frames(first, [state for came, state in places if came != first], ids[word],
                              costs.other_way if order else 0.0)
            for before, unit in zip((first, *rest), rest, strict=False):
                rested = graph.frames(BLANK, [at], each=costs.blank)
                at = graph.frames(unit, [rested] if unit == before else [at, rested])
            graph.arc(at, between[(first, *rest)[-1]])
    if costs.unknown is not None:                           # that equal sounds may touch in it makes no other word of it
        inside = graph.state()
        for _, place in places:
            graph.arc(place, inside, word=ids[UNKNOWN])
        for unit in between:
            at = graph.frames(unit, [inside], cost=costs.unknown)
            graph.arc(at, inside)
            graph.arc(at, between[unit])
        graph.arc(graph.frames(BLANK, [inside], each=costs.blank), inside)
    return _transducer(graph.arcs, {state: 0.0 for _, state in places})


def write(folder: Path, network: Network, lexicon: Lexicon, costs: Costs = Costs(),
          settings: Mapping[str, str] = MODEL_CONF) -> None:
    """A whole folder for vosk. lexicon: every word that can be heard. settings: the lines of conf/model.conf.

    Raises KeyError for a sound that is no unit of the network, ValueError as `kaldi.write_network`, OSError.
    """
    words = sorted({*lexicon, *([UNKNOWN] if costs.unknown is not None else [])})
    ids = {word: number for number, word in enumerate(words, 1)}
    graph = graph_bytes(network.units, lexicon, ids, costs)
    for name in ("am", "conf", "graph"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    kaldi.write_network(folder / "am/final.mdl", network)
    any_word = math.log(len(words) + 1)
    files = {"conf/fbank.conf": FBANK_CONF, "conf/model.conf": "".join(f"{name}={value}\n" for name, value in settings.items()),
             "graph/words.txt": "<eps> 0\n" + "".join(f"{word} {number}\n" for word, number in ids.items()),
             "graph/disambig_tid.int": "",
             LEXICON: "".join(f"{word} {' '.join(way)}\n" for word in sorted(lexicon) for way in lexicon[word])}
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "graph/HCLr.fst").write_bytes(graph)
    (folder / "graph/Gr.fst").write_bytes(fst.acceptor_bytes([[(number, any_word, 0) for number in ids.values()]], {0: any_word}))


def _transducer(arcs: Sequence[Sequence[tuple[int, int, float, int]]], finals: Mapping[int, float]) -> bytes:
    """OpenFst's "const" form, see models/fst.py for the rest of the layout."""
    head = struct.pack("<i", fst.MAGIC) + b"".join(struct.pack("<i", len(t)) + t.encode() for t in ("const", "standard"))
    parts = [head + struct.pack("<iiQqqq", 2, 0, 1, 0, len(arcs), sum(map(len, arcs)))]
    at = 0
    for state, leaving in enumerate(arcs):
        parts.append(struct.pack("<fIIII", finals.get(state, math.inf), at, len(leaving), sum(not a[0] for a in leaving),
                                 sum(not a[1] for a in leaving)))
        at += len(leaving)
    parts += [struct.pack("<iifi", *arc) for leaving in arcs for arc in leaving]
    return b"".join(parts)
