"""Intervals with the sensors' own errors, against drawn sensors whose errors are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from mixmon.arrays import Floats
from mixmon.findings.balance.cells import CellFit
from mixmon.findings.balance.needs import CellResult
from mixmon.findings.balance.total import (
    TotalErrors,
    mean_error,
    peer_error,
    sensor_error_percent,
    widened,
)
from mixmon.findings.stats import Estimate
from mixmon.gas.accuracy import usual_error_percent
from mixmon.session.model import Sensors
from mixmon.simulate.load import load_scenario

NORMAL = 1.959964  # 97.5 % point, from tables of the normal distribution
SESSION = load_scenario("plain", 8).session


def drawn(own: Floats, count: int = 200_000) -> Floats:
    """Errors of sensors with these 95 % half-widths; float64[count, n]."""
    return np.random.default_rng(3).standard_normal((count, len(own))) * own / NORMAL


def half(errors: Floats) -> Floats:
    """The half-width of the middle 95 % of each column."""
    return np.asarray(np.quantile(np.abs(errors), 0.95, axis=0))


OWN = np.array([1.0, 1.0, 2.0, 0.5, 1.0, 1.5])
WEIGHTS = np.array([1.0, 1.0, 2.0, 1.0, 1.0, 1.0])
KNOWN = np.array([True, True, True, True, True, False])


def test_needs_against_peers() -> None:
    errors, share = drawn(OWN), np.where(KNOWN, WEIGHTS, 0) / WEIGHTS[KNOWN].sum()
    against = errors - (errors * share).sum(axis=1, keepdims=True)
    assert peer_error(OWN, WEIGHTS, KNOWN) == pytest.approx(half(against), rel=0.01)


@pytest.mark.parametrize("count", [2, 4, 8, 16])
def test_sensors_that_are_alike(count: int) -> None:
    """bias * sqrt(1 - 1/n) against the mean of n, bias / sqrt(n) for the mean itself."""
    own, ones, known = np.full(count, 1.5), np.ones(count), np.ones(count, np.bool_)
    assert peer_error(own, ones, known) == pytest.approx(1.5 * np.sqrt(1 - 1 / count))
    assert mean_error(own, ones, known) == pytest.approx(1.5 / np.sqrt(count))


def test_the_whole_engine() -> None:
    errors = drawn(OWN)
    share = np.where(KNOWN, WEIGHTS, 0) / WEIGHTS[KNOWN].sum()
    assert mean_error(OWN, WEIGHTS, KNOWN) == pytest.approx(
        float(half((errors * share).sum(axis=1))), rel=0.01
    )


def test_nothing_known_gives_nothing() -> None:
    nobody = np.zeros(6, np.bool_)
    assert np.isnan(mean_error(OWN, WEIGHTS, nobody))


def cell(lam: float, seconds: Floats) -> CellResult:
    none, zero = Estimate(0.0, 0.002, 0.001, 30.0), np.zeros(len(seconds))
    needs, everyone = (none,) * len(seconds), np.ones(len(seconds), np.bool_)
    fit = CellFit(0, (), needs, seconds, zero, zero, zero, zero > 0, zero.astype(np.int64), zero, zero)
    return CellResult(fit, needs, none, lam, everyone, ~everyone, needs, one_reference=True, spared=~everyone)


def test_the_total_interval_holds_the_truth_where_that_of_repeatability_does_not() -> None:
    """Eight cylinders at lambda 0.87, readings with noise and sensors of their own error; 4000 engines."""
    rng, n, engines = np.random.default_rng(5), 8, 4000
    noise = 0.002
    error = usual_error_percent(np.full(n, 0.87)) / 100 / NORMAL
    readings = rng.standard_normal((engines, n)) * np.hypot(noise, error)
    needs = readings - readings.mean(axis=1, keepdims=True)
    total = TotalErrors(SESSION, np.ones(n), [cell(0.87, np.full(n, 10.0))], [True], "peers")
    repeats = Estimate(0.0, NORMAL * noise * np.sqrt(1 - 1 / n), noise * np.sqrt(1 - 1 / n), 100.0)
    halves = np.array([each.half for each in total.needs([repeats] * n)])
    assert np.mean(np.abs(needs) < halves) == pytest.approx(0.95, abs=0.01)
    assert np.mean(np.abs(needs) < repeats.half) < 0.5


def test_a_sensor_has_one_error_in_all_cells() -> None:
    """By the time used, over the cells that count; a node without any has none."""
    seconds = np.array([10.0, 30.0, 0.0])
    cells = [cell(0.8, seconds), cell(1.0, seconds[::-1].copy()), cell(1.3, np.ones(3))]
    total = TotalErrors(SESSION, np.ones(3), cells, [True, True, False], "target")
    assert total.own_percent == pytest.approx([2.0, 1.5, 1.0])


def test_what_the_session_says_prevails() -> None:
    lam = np.array([0.7, 1.0, 1.5])
    said = replace(SESSION, sensors=Sensors(bias_percent=0.4))
    assert sensor_error_percent(said, lam).tolist() == [0.4] * 3
    assert sensor_error_percent(SESSION, lam) == pytest.approx(usual_error_percent(lam))


def test_no_interval_stays_none() -> None:
    unknown = Estimate(np.nan, np.nan, np.nan, 0.0)
    assert np.isnan(widened([unknown], np.array([1.0]))[0].half)


# dλ/d ln g of a gain error, equilibrium of isooctane and air: a table made without this program.
BY_GAIN = {
    0.70: -0.233,
    0.80: -0.170,
    0.85: -0.133,
    0.90: -0.093,
    1.00: 0,
    1.10: 0.109,
    1.20: 0.238,
    1.50: 0.734,
}


@pytest.mark.parametrize(("lam", "moves"), BY_GAIN.items())
def test_the_usual_error_is_that_of_an_offset_and_a_gain(lam: float, moves: float) -> None:
    """1 % at lambda 1 and 2 % at 0.8, the upper ends of what is known."""
    gain = np.sqrt(2**2 - 1) / (0.170 / 0.80)
    expected = np.hypot(1.0, gain * moves / lam)
    assert usual_error_percent(np.array([lam]))[0] == pytest.approx(expected, rel=0.03)


def test_a_cell_that_was_only_touched_takes_no_total_interval_away() -> None:
    """Seconds of no sensor in a cell without a lambda: the other cells still say how sure the needs are."""
    session = load_scenario("plain", 8).session
    cells = [cell(0.9, np.full(8, 20.0)), cell(np.nan, np.zeros(8))]
    total = TotalErrors(session, np.ones(8), cells, [True, True], "peers")
    assert np.isfinite(total.own_percent).all()
