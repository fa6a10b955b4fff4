"""The loss of a row of sounds and its gradient: against every way written out, finite differences, and torch."""

import itertools

import numpy as np
import pytest

from models import ctc

UNITS = 5


def made(seed: int, items: int = 4, steps: int = 14) -> tuple[np.ndarray, np.ndarray, list[list[int]]]:
    dice = np.random.default_rng(seed)
    scores = dice.normal(0, 2, (items, steps, UNITS))
    lasts = dice.integers(9, steps + 1, items)
    said = [list(dice.integers(1, UNITS, dice.integers(0, 4))) for _ in range(items)]
    return scores, lasts, [*said[:-1], [2, 2, 3, 3]]      # equal neighbours need a blank between


def log_softmax(scores: np.ndarray) -> np.ndarray:
    return scores - np.log(np.exp(scores).sum(-1, keepdims=True))


def collapsed(way: tuple[int, ...]) -> list[int]:
    return [unit for unit, _ in itertools.groupby(way) if unit != ctc.BLANK]


@pytest.mark.parametrize("said", [[], [1], [1, 1], [1, 2], [2, 1, 2]])
def test_the_loss_is_the_sum_over_every_way_of_saying_it(said):
    log_probs = log_softmax(np.random.default_rng(3).normal(0, 1, (5, 3)))
    ways = [way for way in itertools.product(range(3), repeat=5) if collapsed(way) == said]
    total = sum(np.exp(sum(log_probs[step, unit] for step, unit in enumerate(way))) for way in ways)
    assert ctc.loss(log_probs[None], np.array([5]), [said])[0] == pytest.approx(-np.log(total), abs=1e-9)


def test_the_gradient_is_that_of_finite_differences():
    scores, steps, said = made(1)
    _, held = ctc.occupancy(log_softmax(scores), steps, said)
    there = np.arange(scores.shape[1]) < steps[:, None]
    gradient = (np.exp(log_softmax(scores)) - held) * there[..., None]
    dice = np.random.default_rng(2)
    for _ in range(60):
        item, step, unit = dice.integers(len(said)), dice.integers(scores.shape[1]), dice.integers(UNITS)
        moved = [scores.copy(), scores.copy()]
        moved[0][item, step, unit] -= 1e-4
        moved[1][item, step, unit] += 1e-4
        low, high = (ctc.loss(log_softmax(one), steps, said).sum() for one in moved)
        assert gradient[item, step, unit] == pytest.approx((high - low) / 2e-4, abs=1e-6)


def test_occupancy_is_a_share_of_each_step_and_counts_each_sound():
    scores, steps, said = made(4)
    total, held = ctc.occupancy(log_softmax(scores), steps, said)
    assert total == pytest.approx(ctc.loss(log_softmax(scores), steps, said))
    for item, last in enumerate(steps):
        assert held[item, :last].sum(-1) == pytest.approx(np.ones(last))
        assert not held[item, last:].any()
        for unit in range(1, UNITS):
            assert held[item, :, unit].sum() >= said[item].count(unit) - 1e-9     # each at least for one step
            assert (held[item, :, unit].sum() > 0) == (unit in said[item])


def test_too_short_for_what_was_said_has_no_way():
    log_probs = log_softmax(np.zeros((2, 4, UNITS)))
    total, held = ctc.occupancy(log_probs, np.array([4, 3]), [[1, 1, 2], [1, 1, 2]])     # with the blank between: 4 steps
    assert np.isfinite(total[0]) and np.isinf(total[1]) and not held[1].any()


def test_a_long_sentence_that_does_not_fit_keeps_its_likelihood():
    """400 steps that each say another unit with 30 to 1 in logarithms: e to the -6000 is no number outside of logarithms."""
    scores = np.zeros((1, 400, UNITS))
    scores[..., 4] = 30
    total, held = ctc.occupancy(log_softmax(scores), np.array([400]), [[1, 2, 3] * 30])
    assert 5_000 < total[0] < 13_000 and held[0].sum(-1) == pytest.approx(np.ones(400))


def test_against_torch():
    torch = pytest.importorskip("torch", reason="torch is not installed (it is only needed to train); pip install torch")
    for seed in range(5):
        scores, steps, said = made(seed, items=6, steps=30)
        given = torch.tensor(scores, requires_grad=True)
        theirs = torch.nn.functional.ctc_loss(
            given.log_softmax(-1).transpose(0, 1), torch.tensor([unit for one in said for unit in one]), torch.tensor(steps),
            torch.tensor([len(one) for one in said]), reduction="none")
        theirs.sum().backward()
        ours, held = ctc.occupancy(log_softmax(scores), steps, said)
        there = np.arange(30) < steps[:, None]
        assert ours == pytest.approx(theirs.detach().numpy(), abs=1e-8)
        assert (np.exp(log_softmax(scores)) - held) * there[..., None] == pytest.approx(given.grad.numpy(), abs=1e-8)
