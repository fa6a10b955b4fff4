"""Writes a folder that vosk loads: a network of ours, how words are said, and a graph that knows CTC's rule.

The graph (graph/HCLr.fst) turns transition ids into words. A sound is its unit once or more, then the blank as often as it
likes. Between two equal sounds a blank must stand, else "zero" could be heard as "zero oh" at no cost: so there is a place
between words for each sound that came last. A word's label is on its first arc, so composing it with a grammar has no dead ends.
"""

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from models import fst, kaldi
from models.grammar import UNKNOWN
from models.network import BINS, HIGH_HZ, LOW_HZ, Network

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

    def blank(self, frm: int) -> int:
        """The state behind one or more blanks."""
        to = self.state()
        self.arc(frm, to, kaldi.move(BLANK))
        self.arc(to, to, kaldi.stay(BLANK))
        return to


def graph_bytes(units: Sequence[str], lexicon: Lexicon, ids: Mapping[str, int], unknown_cost: float | None) -> bytes:
    """HCLr.fst. unknown_cost: what each sound of `[unk]`, any row of sounds, costs (natural logarithm); None: no such word."""
    number = {name: unit for unit, name in enumerate(units)}
    graph = _Graph()
    start = graph.state()
    between = {unit: graph.state() for unit in range(1, len(units))}       # a word ended with this sound just now
    quiet = graph.blank(start)
    for unit in between:
        graph.arc(between[unit], quiet, kaldi.move(BLANK))
    places = {None: start, 0: quiet, **between}

    def sound(frm: Iterable[int], unit: int, word: int = 0, cost: float = 0.0) -> int:
        to = graph.state()
        for state in frm:
            graph.arc(state, to, kaldi.move(unit), word, cost)
        graph.arc(to, to, kaldi.stay(unit))
        return to

    for word, ways in sorted(lexicon.items()):
        for way in ways:
            first = number[way[0]]
            at = sound([state for came, state in places.items() if came != first], first, ids[word])
            for before, name in zip(way, way[1:], strict=False):
                rested = graph.blank(at)
                at = sound([rested] if name == before else [at, rested], number[name])
            graph.arc(at, between[number[way[-1]]])
    if unknown_cost is not None:
        # Any row of sounds; that equal ones may touch makes no other word of it.
        inside = graph.state()
        for unit in between:
            graph.arc(sound(places.values(), unit, ids[UNKNOWN], unknown_cost), inside)
            at = sound([inside], unit, cost=unknown_cost)
            graph.arc(at, inside)
            graph.arc(at, between[unit])
        graph.arc(graph.blank(inside), inside)
    return _transducer(graph.arcs, {state: 0.0 for state in places.values()})


def write(folder: Path, network: Network, lexicon: Lexicon, *, unknown_cost: float | None = 3.0,
          blank_log_prior: float = 0.0, settings: Mapping[str, str] = MODEL_CONF) -> None:
    """A whole folder for vosk. lexicon: every word that can be heard. blank_log_prior: taken from the blank's score.

    Raises KeyError for a sound that is no unit of the network, OSError.
    """
    words = sorted({*lexicon, *([UNKNOWN] if unknown_cost is not None else [])})
    ids = {word: number for number, word in enumerate(words, 1)}
    for name in ("am", "conf", "graph/phones"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    priors = None
    if blank_log_prior:
        priors = np.zeros(len(network.units))
        priors[BLANK] = blank_log_prior
    kaldi.write_network(folder / "am/final.mdl", network, priors)
    any_word = math.log(len(words) + 1)
    files = {"conf/fbank.conf": FBANK_CONF, "conf/model.conf": "".join(f"{name}={value}\n" for name, value in settings.items()),
             "graph/words.txt": "<eps> 0\n" + "".join(f"{word} {number}\n" for word, number in ids.items()),
             "graph/disambig_tid.int": "",
             "graph/phones/word_boundary.int": "1 nonword\n" + "".join(f"{phone} singleton\n"
                                                                        for phone in range(2, len(network.units) + 1)),
             "lexicon.txt": "".join(f"{word} {' '.join(way)}\n" for word in sorted(lexicon) for way in lexicon[word])}
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "graph/HCLr.fst").write_bytes(graph_bytes(network.units, lexicon, ids, unknown_cost))
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
