"""What labels answer where the readings cannot tell it."""

import numpy as np
import pytest

from mixmon.findings.identity.answers import BIN_S, StepWindow, measure_answers


def window(moves, *, seen=slice(None)):
    """Forty seconds of one label that answers nothing; moves: ln fuel by the share of the time."""
    time = np.arange(800) * BIN_S
    lam = np.full((len(time), 1), np.nan)
    lam[seen, 0] = 1e-3 * np.random.default_rng(1).normal(size=len(time))[seen]
    return StepWindow(lam, np.stack([move(time / time[-1]) for move in moves], axis=1))


def step(share):
    return 0.05 * (share > 0.7)


@pytest.mark.parametrize("part", range(16))
def test_directions_that_move_together_while_a_label_is_valid_are_not_solved(part):
    """Whether their matrix is singular to the last bit is a matter of the machine and of the numbers."""
    seen = slice(400, 800)
    moves = [step, lambda x: 0.03 * (x < 0.2) + (0.3 + part / 10) * step(x)]
    found = measure_answers([window(moves, seen=seen)], (0.0, 2.0))
    assert not found.known.any()


def test_a_label_that_saw_no_step_is_not_known():
    found = measure_answers([window([step], seen=slice(0, 400))], (0.0, 0.0))
    assert not found.known.any()
