"""Predicted spread of single cells: with little data in them, and where a cell really is different."""

from __future__ import annotations

import numpy as np
import pytest

from mixmon.findings.balance.balance import CellNeed, CellSpread, cell_spreads, predicted_spread
from mixmon.findings.stats import Estimate
from mixmon.simulate.truth import spread as true_spread

SURE, VAGUE = 0.001, 0.006  # standard errors over many cells, and in a cell of three seconds


def told(read: np.ndarray, error: float) -> tuple[Estimate, ...]:
    return tuple(Estimate(float(x), 2 * error, error, 20.0) for x in read - read.mean())


def predictions(
    cylinders: int, extra: float, *, vague: float = VAGUE
) -> list[tuple[float, float, float, float]]:
    """Predicted value, its interval, and the truth of 60 cells of engines whose injectors differ by +-5 %.

    The trims are made from all cells together; in this cell the first cylinder needs `extra` more.
    """
    found = []
    for seed in range(60):
        rng = np.random.default_rng([seed, cylinders])
        truth = rng.uniform(-0.05, 0.05, cylinders)
        over_cells = told(truth + SURE * rng.standard_normal(cylinders), SURE)
        moves = np.log1p(np.round(200 * np.expm1([e.mean for e in over_cells])) / 200)
        here = truth + np.where(np.arange(cylinders) == 0, extra, 0.0)
        cell = told(here + vague * rng.standard_normal(cylinders), vague)
        said = predicted_spread(cell, moves, over_cells)
        found.append((said.value, *said.interval95, true_spread(np.exp(here - moves))))
    return found


@pytest.mark.parametrize("cylinders", [4, 6, 8, 16])
def test_noise_of_a_short_cell_is_not_predicted_to_be_left_over(cylinders: int) -> None:
    value, low, high, truth = np.array(predictions(cylinders, 0.0)).T
    assert np.mean((low <= truth) & (truth <= high)) >= 0.93  # 95 %, less what chance may take of 60
    # the noise of so many needs alone has a range of 1.2 to 2.1 % (tables of the range of normal
    # values), what rounding leaves is half a per cent: the prediction must not follow the noise
    assert np.mean(value - truth) < 0.3


@pytest.mark.parametrize("vague", [SURE, 0.003])
def test_a_cylinder_that_differs_in_one_cell_stays_predicted_there(vague: float) -> None:
    value, low, high, truth = np.array(predictions(8, 0.05, vague=vague)).T
    assert truth.min() > 4.5
    assert np.mean((low <= truth) & (truth <= high)) >= 0.9
    assert np.mean(value) == pytest.approx(np.mean(truth), abs=0.5)


def test_a_node_that_is_known_in_one_cell_only_is_taken_as_it_is_there() -> None:
    cell = told(np.array([0.03, -0.01, -0.02]), SURE)
    nothing = Estimate(np.nan, np.nan, np.nan, 0.0)
    unmoved = np.zeros(3)
    alone = predicted_spread(cell, unmoved)
    assert predicted_spread(cell, unmoved, (nothing,) * 3).interval95 == pytest.approx(alone.interval95)
    assert predicted_spread((cell[0], nothing, nothing), unmoved, cell).cylinders_used == 0


def test_the_spread_of_a_cell_is_that_of_its_cylinders_with_an_interval():
    """Needs 3 and -2 have intervals, 9 has none; a cell with one such cylinder has no spread."""
    cells = [
        CellNeed(3000.0, 60.0, 1, 3.0, 0.3, 9.0, True),
        CellNeed(3000.0, 60.0, 2, -2.0, 0.3, 4.0, False),
        CellNeed(3000.0, 60.0, 3, 9.0, float("nan"), 1.0, True),
        CellNeed(4000.0, 60.0, 1, 3.0, 0.3, 9.0, True),
    ]
    assert cell_spreads(cells) == (CellSpread(3000.0, 60.0, 5.0, 4.0, True),)
