"""How likely a meaning is: held against counting every way by hand."""

import itertools
import math

import numpy as np
import pytest

from models import grammar
from models.posterior import NEVER, OTHER_WAY, Graph, any_talk
from models.strict import Acceptor, acceptor

LEXICON = {"a": [(1,)], "b": [(2, 1), (2,)], "c": [(1, 1)]}
SENTENCES = Acceptor(arcs=((("a", 1), ("b", 1)), (("a", 2), ("c", 2)), ()), finals=frozenset({0, 2}))
STEPS, UNITS = 6, 3


def _chances(seed: int) -> np.ndarray:
    return np.log(np.random.default_rng(seed).dirichlet(np.ones(UNITS), STEPS)).astype(np.float32)


def _collapsed(path: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(unit for unit, _ in itertools.groupby(path) if unit)


def _by_hand(logs: np.ndarray) -> dict[tuple[str, ...], float]:
    """Each sentence -> the sum over all ways, each step's unit chosen freely."""
    rows: dict[tuple[int, ...], float] = {}
    for path in itertools.product(range(UNITS), repeat=STEPS):
        units = _collapsed(path)
        rows[units] = rows.get(units, 0.0) + math.exp(sum(logs[step, unit] for step, unit in enumerate(path)))
    found: dict[tuple[str, ...], float] = {(): rows[()]}
    for said in itertools.product("ab", "ac"):
        found[said] = 0.0
        for ways in itertools.product(*(enumerate(LEXICON[word]) for word in said)):
            units = tuple(unit for _, way in ways for unit in way)
            found[said] += rows.get(units, 0.0) * math.exp(-OTHER_WAY * sum(order > 0 for order, _ in ways))
    return found


@pytest.mark.parametrize("seed", range(4))
def test_the_sum_over_all_sentences_is_that_counted_by_hand(seed):
    logs = _chances(seed)
    assert Graph(SENTENCES, LEXICON).log_sum(logs) == pytest.approx(math.log(sum(_by_hand(logs).values())), abs=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_one_sentence_alone_has_its_own_sum(seed):
    logs = _chances(seed)
    only = Acceptor(arcs=((("b", 1),), (("c", 2),), ()), finals=frozenset({2}))
    assert Graph(only, LEXICON).log_sum(logs) == pytest.approx(math.log(_by_hand(logs)["b", "c"]), abs=1e-4)


def _clear(*units: int) -> np.ndarray:
    logs = np.full((len(units), UNITS), math.log(0.02))
    logs[range(len(units)), units] = math.log(0.96)
    return logs.astype(np.float32)


@pytest.mark.parametrize("path, words", [
    ((0, 0, 0, 0), ()), ((1, 0, 1, 0), ("a", "a")), ((2, 1, 0, 1), ("b", "a")), ((2, 2, 1, 1), ("b", "a")),
    ((1, 0, 1, 0, 1), ("a", "c")), ((2, 1, 0, 1, 0, 1), ("b", "c"))])
def test_the_best_sentence_is_what_was_said(path, words):
    assert Graph(SENTENCES, LEXICON).best(_clear(*path)) == words


def test_two_equal_sounds_need_a_blank_between_them():
    """Else "a" held long would be "a a"."""
    assert Graph(SENTENCES, LEXICON).best(_clear(2, 0, 1, 1, 1, 1)) == ("b", "a")
    one = Acceptor(arcs=((("a", 1),), (("a", 2),), ()), finals=frozenset({2}))
    held = _clear(1, 1, 1)
    held[:, 0] = NEVER
    assert Graph(one, LEXICON).log_sum(held) <= NEVER / 2 or Graph(one, LEXICON).best(held) == ()


def test_talk_is_the_sum_over_every_row_of_sounds():
    logs = _chances(7)
    follows = np.log(np.array([[1e-30, 0.6, 0.4], [1e-30, 0.3, 0.7], [1e-30, 0.8, 0.2]]))
    total = 0.0
    for path in itertools.product(range(UNITS), repeat=STEPS):
        units = (0, *_collapsed(path))
        weight = sum(follows[a, b] for a, b in itertools.pairwise(units))
        total += math.exp(weight + sum(logs[step, unit] for step, unit in enumerate(path)))
    assert any_talk(logs, follows) == pytest.approx(math.log(total), abs=1e-4)


def test_the_whole_grammar_fits_into_one_graph():
    ways = {word: [(1, 2)] for word in grammar.words_for(grammar.EVERYTHING)}
    assert len(Graph(acceptor(grammar.automaton(grammar.EVERYTHING)), ways)) < 5000
