"""How likely a meaning is, given the sound: a grammar over words as one graph, searched by all its ways at once.

A network says at each step how likely each sound of English is. A sentence is a row of words, a word a row of sounds, and a
row of sounds is heard on many ways: each sound one or more steps long, blanks between them, and one blank at least between
two equal ones (connectionist temporal classification, Graves et al. 2006, from memory). `best` finds the one best way
(Viterbi); `log_sum` adds up all ways of all sentences. The share that the sentences of one meaning have in the sum over
everything that may have been said, talk that is none of ours among it, is what that meaning is worth believing.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from models.strict import Acceptor

NEVER = -1e9
"""The logarithm of no chance at all: finite, so that differences of two stay numbers."""

OTHER_WAY = 1.0
"""Cost, a natural logarithm, of a word said in any but the first of its ways: as in models/training/vosk_folder.py."""


class Graph:
    """The sentences of an acceptor. Its nodes: a blank for each state, where a word may begin or the sentence end; then for each
    word that leaves a state its sounds, with a blank between each two."""

    def __init__(self, sentences: Acceptor, lexicon: Mapping[str, Sequence[tuple[int, ...]]]) -> None:
        """lexicon: word -> ways to say it, each a row of units; unit 0 is the blank."""
        self._states = len(sentences.arcs)
        nodes: list[tuple[int, int, int, int]] = []
        cost: list[float] = []
        self._word: list[str | None] = []

        def node(unit: int, after: int = -1, past: int = -1, frm: int = -1, costs: float = 0.0, word: str | None = None) -> int:
            nodes.append((unit, after, past, frm))
            cost.append(costs)
            self._word.append(word)
            return len(nodes) - 1

        for state in range(self._states):
            node(0, frm=state)
        ends = []
        for state, leaving in enumerate(sentences.arcs):
            for word, to in leaving:
                for order, way in enumerate(lexicon[word]):
                    at = node(way[0], frm=state, costs=OTHER_WAY if order else 0.0, word=word)
                    for last, this in zip(way, way[1:], strict=False):
                        rest = node(0, at)
                        at = node(this, rest, -1 if this == last else at)
                    ends.append((to, way[-1], at))
        ends.sort()
        self._end_state, self._end_unit, self._end_node = (np.array([end[part] for end in ends], int) for part in range(3))
        self._unit, self._before, self._skipped, self._entered = (np.array(row) for row in zip(*nodes, strict=True))
        self._units = 1 + int(self._unit.max())
        key = self._end_state * self._units + self._end_unit
        self._groups = np.flatnonzero(np.diff(key, prepend=-1))
        self._group_keys = key[self._groups]
        self._finals = np.array(sorted(sentences.finals))
        self._first = np.flatnonzero((self._entered >= 0) & (self._unit > 0))
        self._first_state, self._first_unit = self._entered[self._first], self._unit[self._first]
        self._first_cost = np.array(cost, np.float32)[self._first]
        self._inner = np.flatnonzero(self._before >= 0)
        self._two = np.flatnonzero(self._skipped >= 0)
        self._inner_before, self._two_before = self._before[self._inner], self._skipped[self._two]

    def __len__(self) -> int:
        return len(self._unit)

    def log_sum(self, log_probs: np.ndarray) -> float:
        """Natural logarithm of the sum over all ways of all sentences."""
        chances = np.exp(log_probs.astype(np.float64))
        factor = np.exp(-self._first_cost.astype(np.float64))
        now = np.zeros(len(self))
        now[0] = 1
        begins = self._first[self._first_state == 0]
        now[begins] = factor[self._first_state == 0]
        now *= chances[0][self._unit]
        total = 0.0
        for step in chances[1:]:
            size = now.sum()
            if size <= 0:
                return NEVER
            total += np.log(size)
            was = now / size
            now = was.copy()
            now[self._inner] += was[self._inner_before]
            now[self._two] += was[self._two_before]
            ended = self._ended(was, np.add, 0.0)
            arrived = ended.sum(1)
            now[:self._states] += arrived
            now[self._first] += np.maximum(0, was[self._first_state] + arrived[self._first_state]
                                           - ended[self._first_state, self._first_unit]) * factor
            now *= step[self._unit]
        last = now[self._finals].sum() + self._ended(now, np.add, 0.0)[self._finals].sum()
        return total + float(np.log(last)) if last > 0 else NEVER

    def best(self, log_probs: np.ndarray) -> tuple[str, ...]:
        """The words of the likeliest sentence: none of the empty one, or where no sentence can be."""
        scores = np.empty((len(log_probs), len(self)), np.float32)
        now = np.full(len(self), NEVER, np.float32)
        now[0] = 0
        begins = self._first_state == 0
        now[self._first[begins]] = -self._first_cost[begins]
        scores[0] = now + log_probs[0][self._unit]
        rows = np.arange(self._states)
        for step in range(1, len(log_probs)):
            was = scores[step - 1]
            now = was.copy()
            now[self._inner] = np.maximum(now[self._inner], was[self._inner_before])
            now[self._two] = np.maximum(now[self._two], was[self._two_before])
            ended = self._ended(was, np.maximum, NEVER)
            unit = ended.argmax(1)
            most = ended[rows, unit]
            ended[rows, unit] = NEVER
            second = ended.max(1)                           # for a word that begins with the sound just heard
            now[:self._states] = np.maximum(now[:self._states], most)
            came = np.where(unit[self._first_state] != self._first_unit, most[self._first_state], second[self._first_state])
            came = np.maximum(was[self._first_state], came) - self._first_cost
            now[self._first] = np.maximum(now[self._first], came)
            scores[step] = now + log_probs[step][self._unit]
        return self._back(scores)

    def _ended(self, values: np.ndarray, join: np.ufunc, none: float) -> np.ndarray:
        """(states, units): what comes into each state from words that ended with each sound."""
        ended = np.full(self._states * self._units, none, values.dtype)
        if len(self._groups):
            ended[self._group_keys] = join.reduceat(values[self._end_node], self._groups)
        return ended.reshape(self._states, self._units)

    def _into(self, values: np.ndarray, state: int, barred: int = -1) -> tuple[float, int]:
        """The best node that ends a word into `state`, not with the sound `barred`."""
        nodes = self._end_node[(self._end_state == state) & (self._end_unit != barred)]
        if not len(nodes):
            return NEVER, -1
        best = nodes[values[nodes].argmax()]
        return float(values[best]), int(best)

    def _back(self, scores: np.ndarray) -> tuple[str, ...]:
        last = scores[-1]
        score, at = max([(float(last[state]), int(state)) for state in self._finals]
                        + [self._into(last, int(state)) for state in self._finals])
        if score <= NEVER / 2:
            return ()
        words: list[str] = []
        first_cost = dict(zip(self._first.tolist(), self._first_cost.tolist(), strict=True))
        for step in range(len(scores) - 1, 0, -1):
            was = scores[step - 1]
            ways: list[tuple[float, int, str | None]] = [(float(was[at]), at, None)]
            ways += [(float(was[frm]), int(frm), None) for frm in (self._before[at], self._skipped[at]) if frm >= 0]
            if at < self._states:
                ways.append((*self._into(was, at), None))
            elif at in first_cost:
                state, word = int(self._entered[at]), self._word[at]
                other, node = self._into(was, state, int(self._unit[at]))
                ways += [(float(was[state]) - first_cost[at], state, word), (other - first_cost[at], node, word)]
            _, at, word = max(ways, key=lambda way: way[0])
            if word is not None:
                words.append(word)
        if at in first_cost:
            words.append(self._word[at] or "")
        return tuple(words[::-1])


def any_talk(log_probs: np.ndarray, follows: np.ndarray) -> float:
    """Natural logarithm of the sum over all rows of sounds, weighted by how likely people say each after another.

    follows: (units, units), natural logarithms: row 0 how likely each sound is the first, row n which follows sound n.
    """
    chances = np.exp(log_probs.astype(np.float64))
    after = np.exp(follows.astype(np.float64))
    after[:, 0] = 0
    other = after.copy()
    np.fill_diagonal(other, 0)                              # a sound follows itself only behind a blank
    units = len(after)
    sounds, blanks = after[0] * chances[0], np.zeros(units)
    blanks[0] = chances[0, 0]
    total = 0.0
    for step in chances[1:]:
        size = sounds.sum() + blanks.sum()
        total += np.log(size)
        sounds, blanks = sounds / size, blanks / size
        blanks, sounds = (blanks + sounds) * step[0], (sounds + sounds @ other + blanks @ after) * step
    return total + float(np.log(sounds.sum() + blanks.sum()))
