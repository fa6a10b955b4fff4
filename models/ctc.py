"""How likely a row of sounds is, and which moment belongs to which sound: connectionist temporal classification in numpy.

Graves, Fernández, Gomez and Schmidhuber 2006 (from memory; checked against torch's own in tests/unit/test_ctc.py). Unit 0 is
the blank. All is in logarithms, so that a long sentence that fits badly still has a likelihood.
"""

from collections.abc import Sequence

import numpy as np

BLANK = 0
NEVER = -1e30
"""The logarithm of no chance at all: finite, so that differences of two stay numbers."""


def loss(log_probs: np.ndarray, steps: np.ndarray, said: Sequence[Sequence[int]]) -> np.ndarray:
    """-log likelihood of each item, shape (items,); infinite where its steps are too few for what was said.

    log_probs: (items, steps, units), each step's summing to 1 when raised; steps: how many of them each item has;
    said: the units of each, without blanks.
    """
    lattice = _Lattice(said)
    emitted = lattice.emitted(log_probs)
    return lattice.loss(lattice.forward(emitted, steps)[-1])


def occupancy(log_probs: np.ndarray, steps: np.ndarray, said: Sequence[Sequence[int]]) -> tuple[np.ndarray, np.ndarray]:
    """The loss, and how likely each unit holds at each step given what was said: (items, steps, units), summing to 1 over
    the units of a step that the item has, else 0.

    The gradient of the loss by the scores before the softmax is exp(log_probs) - occupancy.
    """
    lattice = _Lattice(said)
    emitted = lattice.emitted(log_probs)
    forward = lattice.forward(emitted, steps)
    backward = lattice.backward(emitted, steps)
    total = -lattice.loss(forward[-1])
    possible = np.isfinite(total)
    held = np.exp(forward + backward - np.where(possible, total, 0)[:, None]).transpose(1, 0, 2)
    held[~possible] = 0
    held *= (np.arange(held.shape[1]) < np.asarray(steps)[:, None])[..., None]
    return -total, held @ (lattice.path[..., None] == np.arange(log_probs.shape[2]))


class _Lattice:
    """For each item the states blank, first, blank, second ... blank; a state is entered from itself, from the one before,
    and from the one before that where a blank between may be left out: never between equal units."""

    def __init__(self, said: Sequence[Sequence[int]]) -> None:
        states = 2 * max(map(len, said)) + 1
        self.path = np.full((len(said), states), BLANK)
        for row, units in zip(self.path, said, strict=True):
            row[1:2 * len(units):2] = units
        self._last = np.array([2 * len(units) for units in said])
        self._there = np.arange(states) <= self._last[:, None]
        self._skips = np.zeros((len(said), states), bool)
        self._skips[:, 2:] = (self.path[:, 2:] != BLANK) & (self.path[:, 2:] != self.path[:, :-2])

    def emitted(self, log_probs: np.ndarray) -> np.ndarray:
        """(steps, items, states)"""
        return np.where(self._there, np.take_along_axis(log_probs, self.path[:, None, :], 2).transpose(1, 0, 2), NEVER)

    def forward(self, emitted: np.ndarray, steps: np.ndarray) -> np.ndarray:
        """Log likelihood of all ways up to and with a step that end in each state; behind an item's last step it stands."""
        now = np.where(np.arange(emitted.shape[2]) < 2, emitted[0], NEVER)
        ways = [now]
        for step in range(1, len(emitted)):
            reached = _log_sum(now, _moved(now, 1), np.where(self._skips, _moved(now, 2), NEVER))
            now = np.where((step < steps)[:, None], np.maximum(reached + emitted[step], NEVER), now)
            ways.append(now)
        return np.array(ways)

    def backward(self, emitted: np.ndarray, steps: np.ndarray) -> np.ndarray:
        """The same of all ways from each state to the end, without the step itself."""
        states = np.arange(emitted.shape[2])
        now = np.where((states >= self._last[:, None] - 1) & self._there, 0.0, NEVER)
        ways = [now]
        for step in range(len(emitted) - 1, 0, -1):
            ahead = np.maximum(now + emitted[step], NEVER)
            reached = _log_sum(ahead, _moved(ahead, -1), _moved(np.where(self._skips, ahead, NEVER), -2))
            now = np.where((step < steps)[:, None], reached, now)
            ways.append(now)
        return np.array(ways[::-1])

    def loss(self, ended: np.ndarray) -> np.ndarray:
        rows = np.arange(len(ended))
        blank = ended[rows, self._last]
        unit = np.where(self._last > 0, ended[rows, self._last - 1], NEVER)
        total = np.logaddexp(blank, unit)
        return np.where(total > NEVER / 2, -total, np.inf)


def _moved(values: np.ndarray, by: int) -> np.ndarray:
    """Each item's states moved up (down, if negative); NEVER moves in."""
    moved = np.full_like(values, NEVER)
    if by > 0:
        moved[:, by:] = values[:, :-by]
    else:
        moved[:, :by] = values[:, -by:]
    return moved


def _log_sum(*parts: np.ndarray) -> np.ndarray:
    most = np.maximum.reduce(parts)
    return most + np.log(sum(np.exp(part - most) for part in parts))
