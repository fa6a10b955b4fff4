"""A folder of ours, loaded by vosk itself; and CTC's rule in the graph, walked by a small search of the test's own."""

import struct
from dataclasses import replace

import numpy as np

from models.grammar import UNKNOWN
from models.training import kaldi, vosk_folder
from models.training.vosk_folder import Costs
from models.vosk_engine import VoskEngine
from tests.unit.test_kaldi import small_network

UNITS = ("blank", "Z", "IH", "R", "OW")
SAID = {"zero": [("Z", "IH", "R", "OW")], "oh": [("OW",)]}
SOUNDS = tuple(f"sound{number}" for number in range(1, 40))
IDS = {"oh": 1, "zero": 2, UNKNOWN: 3}


def arcs_of(data: bytes):
    """States of a "const" FST as lists of (transition, word, cost, next), and the final ones."""
    at = 4 + 4 + len("const") + 4 + len("standard")
    _, _, _, _, states, count = struct.unpack_from("<iiQqqq", data, at)
    at += struct.calcsize("<iiQqqq")
    table = [struct.unpack_from("<fIIII", data, at + 20 * state) for state in range(states)]
    arcs = [struct.unpack_from("<iifi", data, at + 20 * states + 16 * number) for number in range(count)]
    return [arcs[first:first + many] for _, first, many, _, _ in table], {s for s, row in enumerate(table) if row[0] < 1e30}


def _said(frames: list[str]) -> set[tuple[int, ...]]:
    """Every row of words whose path through the graph reads exactly these units, one a frame."""
    arcs, finals = arcs_of(vosk_folder.graph_bytes(UNITS, SAID, IDS, Costs(unknown=None)))
    reads = {kaldi.stay(unit): unit for unit in range(len(UNITS))}

    def without_frames(at):
        found, rest = set(at), list(at)
        while rest:
            state, words = rest.pop()
            for transition, word, _, to in arcs[state]:
                new = (to, words + ((word,) if word else ()))
                if not transition and new not in found:
                    found.add(new)
                    rest.append(new)
        return found

    at = without_frames({(0, ())})
    for name in frames:
        at = without_frames({(to, words + ((word,) if word else ())) for state, words in at
                             for transition, word, _, to in arcs[state] if transition and reads[transition] == UNITS.index(name)})
    return {words for state, words in at if state in finals}


def test_a_long_sound_is_one_sound_and_two_equal_ones_need_a_blank_between():
    assert _said("Z IH R OW OW OW".split()) == {(2,)}
    assert _said("blank Z Z blank IH R OW blank OW blank".split()) == {(2, 1)}
    assert _said("OW Z IH R OW".split()) == {(1, 2)}
    assert _said("OW blank blank".split()) == {(1,)}
    assert _said("Z IH OW".split()) == set()


def test_vosk_loads_it_and_our_strict_grammar_goes_over_it(tmp_path):
    network = small_network(units=40)
    words = {word: [SOUNDS[number:number + 2]] for number, word in enumerate(
        "zero oh one two three four five six seven eight nine point".split())}
    vosk_folder.write(tmp_path / "own", replace(network, units=("blank", *SOUNDS)), words)
    engine = VoskEngine(tmp_path / "own", second=False, cache=tmp_path / "cache")
    assert engine.has_unknown and engine.strict_model is not None
    for seed in range(3):
        heard = engine.hear_strictly(np.random.default_rng(seed).normal(0, 0.1, 16000).astype(np.float32))
        assert heard == "" or engine.accepts.accepts(heard.split())
