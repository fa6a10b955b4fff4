"""vosk's own scores, number by number, against a Viterbi search of the test's own over the network in numpy.

vosk tells of each sentence it considered -(0.9 graph cost + acoustic cost) of its best path; that best path is chosen with the
whole graph cost. Largest difference measured in 106 scores of the random network (5 to 230) 0.00002, in 116 of a trained one
of 2.1 M parameters (5 to 500) 0.0003: numpy's features differ from Kaldi's in the last bits, and vosk adds up in 32 bits.
"""

import itertools
import json
import math
import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import vosk

from models import strict
from models.grammar import UNKNOWN
from models.locate import SHIPPED
from models.strict import Acceptor
from models.training import kaldi, vosk_folder
from models.training.numpy_network import Network
from models.training.vosk_folder import Costs
from models.wav import RATE, read, to_pcm, to_sound
from tests.outside.test_vosk_folder import arcs_of
from tests.own_network import fbank, log_probs
from tests.unit.test_kaldi import small_network

TRAINED = Path(os.environ.get("BOWLSIDE_OWN_MODEL", SHIPPED))
SEEN = 0.002
"""Largest difference allowed: some times what was measured, and 50 times less than the smallest cost in a graph."""

GRAPH_SCALE = 0.9
"""vosk's, of what the graph costs."""

LATTICE_BEAM = 40.0
WIDE = strict.NO_SPLIT | {"--beam": "300", "--max-active": "100000", "--lattice-beam": str(LATTICE_BEAM)}
"""So wide that vosk drops no path that we look at: here its numbers are asked for, not its speed."""

LEXICON = {"zero": [("Z", "IH", "R", "OW")], "oh": [("OW",)], "one": [("W", "AH", "N"), ("W", "AA", "N")], "two": [("T", "UW")],
           "three": [("TH", "R", "IY"), ("T", "R", "IY")], "point": [("P", "OY", "N", "T")], "yes": [("Y", "EH", "S")],
           "no": [("N", "OW")], "nine": [("N", "AY", "N")], "noon": [("N", "UW", "N")],
           "shh": [("SH", "SH", "AH")]}
GRAMMARS = {"one or two words": [["one"], ["two", "two"], ["zero", "oh"], ["oh", "zero"]],
            "yes or no": [[], ["yes"], ["no"], [UNKNOWN]],
            "readings": [[a, "point", b] for a in ("oh", "two", "three") for b in ("one", "zero", "nine", "two")]}


@dataclass(frozen=True)
class Model:
    folder: Path
    network: Network
    graph: tuple[list, set]
    """HCLr.fst as arcs and final states."""

    ids: Mapping[str, int]


def _opened(folder: Path) -> Model:
    ids = dict(line.split() for line in (folder / "graph/words.txt").read_text("utf-8").splitlines())
    return Model(folder, kaldi.read_network(folder / "am/final.mdl"), arcs_of((folder / "graph/HCLr.fst").read_bytes()),
                 {word: int(number) for word, number in ids.items()})


def _random_network() -> Network:
    """Weights so small that many sentences come near the best."""
    sounds = sorted({sound for ways in LEXICON.values() for way in ways for sound in way})
    network = small_network(channels=24, units=1 + len(sounds))
    return replace(network, units=("blank", *sounds), output_weight=network.output_weight * 0.02)


@pytest.fixture(scope="module", params=["random", "trained"])
def model(request, tmp_path_factory):
    if request.param == "trained":
        return _opened(TRAINED)
    folder = tmp_path_factory.mktemp("random")
    vosk_folder.write(folder, _random_network(), LEXICON, Costs(unknown=0.7, other_way=1.3, blank=0.2))
    return _opened(folder)


@pytest.fixture(scope="module")
def sounds():
    dice = np.random.default_rng(7)
    made = {"noise": dice.normal(0, 0.1, RATE), "a short noise": dice.normal(0, 0.02, 6001), "silence": np.zeros(RATE // 2),
            "a tone": 0.3 * np.sin(np.arange(RATE) * 0.2) + dice.normal(0, 0.001, RATE)}
    if shutil.which("espeak-ng"):
        for text in ("two point nine", "yes", "no no"):
            with tempfile.NamedTemporaryFile(suffix=".wav") as wav:
                subprocess.run(["espeak-ng", "-v", "en-us", "-w", wav.name, text], check=True, timeout=30)
                made[text] = to_sound(*read(Path(wav.name)))
    return {name: np.frombuffer(to_pcm(sound), "<i2").astype(np.float32) / 32768 for name, sound in made.items()}


def _acceptor(sentences: Sequence[Sequence[str]]) -> Acceptor:
    """A tree of these sentences."""
    numbers: dict[tuple[str, ...], int] = {(): 0}
    arcs: list[dict[str, int]] = [{}]
    for said in sentences:
        for end in range(1, len(said) + 1):
            begun = tuple(said[:end])
            if begun not in numbers:
                numbers[begun] = len(arcs)
                arcs[numbers[begun[:-1]]][begun[-1]] = len(arcs)
                arcs.append({})
    return Acceptor(tuple(tuple(sorted(row.items())) for row in arcs), frozenset(numbers[tuple(said)] for said in sentences))


def _best(logs: np.ndarray, model: Model, said: Sequence[str]) -> tuple[float, float] | None:
    """(graph cost, acoustic cost) of the cheapest path through the graph that says exactly these words; None: there is none.

    A plain Viterbi over (state of the graph, words said): all frames are read, none is dropped.
    """
    arcs, finals = model.graph
    wanted = [model.ids[word] for word in said]

    def following(state: int, done: int, frame: bool):
        for transition, word, cost, to in arcs[state]:
            if bool(transition) == frame and (not word or done < len(wanted) and word == wanted[done]):
                yield transition, cost, (to, done + bool(word))

    def rested(at: dict) -> dict:
        rest = list(at)
        while rest:
            here = rest.pop()
            graph, acoustic = at[here]
            for _, cost, to in following(*here, frame=False):
                if to not in at or graph + cost + acoustic < sum(at[to]):
                    at[to] = graph + cost, acoustic
                    rest.append(to)
        return at

    at = rested({(0, 0): (0.0, 0.0)})
    for row in logs.astype(float).tolist():
        after: dict = {}
        for here, (graph, acoustic) in at.items():
            for transition, cost, to in following(*here, frame=True):
                new = graph + cost, acoustic - row[(transition - 1) // 2]           # both transitions of a phone, one unit
                if to not in after or sum(new) < sum(after[to]):
                    after[to] = new
        at = rested(after)
    return min((costs for (state, done), costs in at.items() if state in finals and done == len(wanted)), key=sum, default=None)


def _vosk(loaded: vosk.Model, sound: np.ndarray) -> list[tuple[tuple[str, ...], float]]:
    recogniser = vosk.KaldiRecognizer(loaded, RATE)
    recogniser.SetMaxAlternatives(1000)
    recogniser.AcceptWaveform((sound * 32768).astype("<i2").tobytes())
    return [(tuple(one["text"].split()), one["confidence"]) for one in json.loads(recogniser.FinalResult())["alternatives"]]


@pytest.mark.parametrize("grammar", GRAMMARS)
def test_every_sentence_has_the_score_that_we_calculate(model, sounds, grammar, tmp_path):
    vosk.SetLogLevel(-1)
    sentences = [tuple(said) for said in GRAMMARS[grammar]]
    loaded = vosk.Model(str(strict.strict_model(model.folder, _acceptor(sentences), model.ids, WIDE, tmp_path)))
    for name, sound in sounds.items():
        logs = log_probs(model.network, fbank(sound))
        ours = {said: _best(logs, model, said) for said in sentences}
        possible = {said: costs for said, costs in ours.items() if costs is not None}
        least = min(map(sum, possible.values()))
        theirs = _vosk(loaded, sound)
        for said, score in theirs:
            graph, acoustic = possible[said]
            assert abs(score + GRAPH_SCALE * graph + acoustic) < SEEN, (name, said, score, graph, acoustic)
        near = {said for said, costs in possible.items() if sum(costs) < least + LATTICE_BEAM - 0.1}
        assert near <= {said for said, _ in theirs} and len(theirs) == len({said for said, _ in theirs}), name
        first = min(near, key=lambda said: GRAPH_SCALE * possible[said][0] + possible[said][1])
        assert theirs[0][0] == first, name


def _by_ctc(logs: np.ndarray, way: Sequence[int], blank: float) -> tuple[float, float]:
    """(graph cost, acoustic cost) of the best row of units that is `way` by CTC's rule (Graves 2006): blanks between, needed
    between equal sounds. blank: the graph's cost of each frame of it."""
    labels = [0, *itertools.chain.from_iterable((unit, 0) for unit in way)]
    at = [(0.0, 0.0)] + [(math.inf, math.inf)] * (len(labels) - 1)              # as if a blank had been before the sound
    for row in logs.astype(float).tolist():
        for state in reversed(range(len(labels))):
            skips = state > 1 and labels[state] and labels[state] != labels[state - 2]
            graph, acoustic = min(at[max(0, state - 2 if skips else state - 1):state + 1], key=sum)
            at[state] = graph + (0.0 if labels[state] else blank), acoustic - row[labels[state]]
    return min(at[-2:], key=sum)


def test_the_graph_costs_what_ctc_says(sounds, tmp_path):
    """The same without any graph: vosk's one sentence is the cheapest row of units that reads as it."""
    vosk.SetLogLevel(-1)
    network = _random_network()
    vosk_folder.write(tmp_path / "model", network, LEXICON, Costs(unknown=None, other_way=1.3, blank=0.2))
    ids = _opened(tmp_path / "model").ids
    for said in (("zero", "oh"), ("no", "one"), ("nine", "noon", "three"), ("one", "shh", "one")):
        loaded = vosk.Model(str(strict.strict_model(tmp_path / "model", _acceptor([said]), ids, WIDE, tmp_path / "cache")))
        for name, sound in sounds.items():
            logs = log_probs(network, fbank(sound))
            found = []
            for ways in itertools.product(*(range(len(LEXICON[word])) for word in said)):
                row = [network.units.index(unit) for word, way in zip(said, ways, strict=True) for unit in LEXICON[word][way]]
                graph, acoustic = _by_ctc(logs, row, 0.2)
                found.append((graph + 1.3 * sum(way > 0 for way in ways), acoustic))
            graph, acoustic = min(found, key=sum)
            scores = dict(_vosk(loaded, sound))
            assert abs(scores[said] + GRAPH_SCALE * graph + acoustic) < SEEN, (name, said)
