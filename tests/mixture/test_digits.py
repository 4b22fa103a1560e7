"""The step of readings and the end of a range, found in the readings themselves."""

from __future__ import annotations

import numpy as np
import pytest
from laws import same_for_all_splits
from scipy.signal import lfilter

from mixmon.mixture.digits import EndSearch, RestSearch, StepSearch


def noisy(seed: int, deviation: float, step: float, k: int = 3000) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.round((0.8 + deviation * rng.standard_normal((k, 3))) / step) * step


@pytest.mark.parametrize("step", [0.0001, 0.005, 0.01])
def test_the_step_is_the_smallest_change_and_changes_are_counted_to_three(step: float) -> None:
    readings = noisy(1, 2 * step, step)
    found, moves = StepSearch(3).feed(readings)
    assert found[-1] == pytest.approx(step)
    count = np.cumsum(np.abs(np.diff(readings, axis=0, prepend=readings[:1])) > 0, axis=0)
    assert (moves == np.minimum(count, 3)).all()
    assert (np.isinf(found) == (count == 0)).all()


def at_rest(common: float, noise: float, step: float, end: float = np.inf) -> np.ndarray:
    """Rows in which node 0 stands still for 1.5 s and more although others of six moved by steps of it."""
    rng = np.random.default_rng(3)
    fade = np.exp(-0.01 / 0.5)
    drift = lfilter([1], [1, -fade], rng.standard_normal(3000)) * np.sqrt(1 - fade**2)
    lam = 0.98 * (1 + common * drift[:, None] + noise * rng.standard_normal((3000, 6)))
    lam[:, 0] = np.minimum(lam[:, 0] + 0.02, end)
    lam = np.round(lam / step) * step
    begins = np.maximum.accumulate(
        np.where(np.diff(lam, axis=0, prepend=0.0) != 0, np.arange(3000)[:, None], 0)
    )
    rest = np.arange(3000)[:, None] - begins
    none = np.zeros(lam.shape, np.bool_)
    outdone = RestSearch(6).feed(lam, np.full(lam.shape, step), rest >= 25, none)
    return (outdone & (rest >= 150)).sum(axis=0)


@pytest.mark.parametrize("step", [0.005, 0.01])
def test_a_rest_at_an_end_is_told_from_one_of_a_quiet_engine(step: float) -> None:
    end = at_rest(0.01, 0.003, step, 0.98)
    assert end[0] > 800
    assert not end[1:].any()
    for noise in (0.05, 0.3):
        for common in (0.05, 0.3):
            assert not at_rest(common * step, noise * step, step).any()


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
    ("deviation", "step"), [(0.003, 0.0001), (0.003, 0.001), (0.003, 0.005), (0.0005, 0.01), (0.004, 0.01)]
)
def test_rounded_noise_has_no_end(deviation: float, step: float) -> None:
    for seed in range(10):
        readings = noisy(seed, deviation, step)
        steps = StepSearch(3).feed(readings)[0]
        assert np.isnan(EndSearch(3).feed(readings, steps)).all()


def test_an_end_at_which_half_of_coarse_readings_rest_is_seen_by_how_the_others_move() -> None:
    for seed in range(4):
        rng = np.random.default_rng(seed)
        gas = 0.95 + 0.005 * rng.standard_normal((3000, 6))
        gas[:, 0] = np.minimum(gas[:, 0], 0.949)
        readings = np.round(gas / 0.01) * 0.01
        ends = EndSearch(6).feed(readings, np.full(readings.shape, 0.01))
        assert ends[-1, 0] == pytest.approx(0.95)
        assert np.isnan(ends[:, 1:]).all()


def test_a_loop_that_swings_has_no_end() -> None:
    t = np.arange(3000) / 100
    for step in (0.01, 0.005):
        readings = np.round((1.0 + 0.02 * np.sin(2 * np.pi * 1.5 * t))[:, None] / step) * step
        assert np.isnan(EndSearch(1).feed(readings, np.full(readings.shape, step))).all()


def test_what_is_found_does_not_depend_on_the_split() -> None:
    readings = np.minimum(noisy(4, 0.003, 0.001, 1200), 0.801)
    readings[700:, 2] += 0.02
    readings[300:340, 0] = np.nan
    rough = np.round(noisy(7, 0.007, 0.01, 1200) / 0.01) * 0.01
    rough[:, 1] = np.minimum(rough[:, 1], 0.8)
    rough[900:1000, 1] = 0.8 + 0.01 * np.arange(100)  # on and on beyond what was its end

    def run(pieces: list[slice]) -> object:
        steps, ends = StepSearch(3), EndSearch(3)
        coarse = EndSearch(3)
        rests, resting = RestSearch(3), np.repeat([False, True, False], [5, 900, 295])[:, None]
        found = []
        for p in pieces:
            step, moves = steps.feed(readings[p])
            still = np.broadcast_to(resting[p], step.shape)
            outdone = rests.feed(readings[p], step, still, step > 0.002)
            found.append(
                (
                    step,
                    moves,
                    outdone,
                    ends.feed(readings[p], step),
                    coarse.feed(rough[p], np.full_like(step, 0.01)),
                )
            )
        return [np.concatenate(part).tobytes() for part in zip(*found, strict=True)]

    same_for_all_splits(len(readings), run)
