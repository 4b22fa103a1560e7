"""The step of readings and the end of a range, found in the readings themselves."""

from __future__ import annotations

import numpy as np
import pytest
from laws import same_for_all_splits

from mixmon.mixture.digits import EndSearch, StepSearch


def noisy(seed: int, deviation: float, step: float, k: int = 3000) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.round((0.8 + deviation * rng.standard_normal((k, 3))) / step) * step


@pytest.mark.parametrize("step", [0.0001, 0.005, 0.01])
def test_the_step_is_the_smallest_change_and_known_after_three(step: float) -> None:
    readings = noisy(1, 2 * step, step)
    found = StepSearch(3).feed(readings)
    assert found[-1] == pytest.approx(step)
    moves = np.cumsum(np.abs(np.diff(readings[:, 0], prepend=readings[0, 0])) > 0)
    assert (np.isinf(found[:, 0]) == (moves < 3)).all()


def test_a_value_that_moves_once_has_no_known_step() -> None:
    readings = np.repeat([[0.8], [0.9]], 300, axis=0)
    assert np.isinf(StepSearch(1).feed(readings)).all()


@pytest.mark.parametrize("step", [0.0001, 0.001])
def test_readings_cut_off_at_a_value_end_there_until_one_goes_beyond(step: float) -> None:
    readings = np.minimum(noisy(2, 0.003, step), 0.801)
    readings[2500, 1] = 0.82
    steps = np.full(readings.shape, step)
    ends = EndSearch(3).feed(readings, steps)
    assert ends[2499] == pytest.approx(0.801)
    assert np.isnan(ends[2500:, 1]).all()
    first = int(np.isfinite(ends[:, 0]).argmax())
    assert 8 < first < 400  # within four seconds, and never by looking ahead


@pytest.mark.parametrize(
    ("deviation", "step"), [(0.003, 0.0001), (0.003, 0.001), (0.003, 0.005), (0.0005, 0.01)]
)
def test_rounded_noise_has_no_end(deviation: float, step: float) -> None:
    for seed in range(10):
        readings = noisy(seed, deviation, step)
        steps = StepSearch(3).feed(readings)
        assert np.isnan(EndSearch(3).feed(readings, steps)).all()


def test_a_loop_that_swings_has_no_end() -> None:
    t = np.arange(3000) / 100
    for step in (0.01, 0.005):
        readings = np.round((1.0 + 0.02 * np.sin(2 * np.pi * 1.5 * t))[:, None] / step) * step
        assert np.isnan(EndSearch(1).feed(readings, np.full(readings.shape, step))).all()


def test_what_is_found_does_not_depend_on_the_split() -> None:
    readings = np.minimum(noisy(4, 0.003, 0.001, 1200), 0.801)
    readings[700:, 2] += 0.02
    readings[300:340, 0] = np.nan

    def run(pieces: list[slice]) -> object:
        steps, ends = StepSearch(3), EndSearch(3)
        found = [(s := steps.feed(readings[p]), ends.feed(readings[p], s)) for p in pieces]
        return [np.concatenate(part).tobytes() for part in zip(*found, strict=True)]

    same_for_all_splits(len(readings), run)
