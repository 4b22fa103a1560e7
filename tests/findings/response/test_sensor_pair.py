"""Two sensors on one event, against lags made by scipy."""

import numpy as np
import pytest
from gas_steps import SHOP_AIR, START_NS, block, gas, lagged, sampled
from laws import same_for_all_splits

from mixmon.findings.response.cuts import TraceStage
from mixmon.findings.response.sensors import compare
from mixmon.mixture.block import SampleState

STEP = ((0.0, -3.0), (3.0, SHOP_AIR))
BURST = ((0.0, -3.0), (3.0, 8.0), (3.09, -3.0))


def made(steps, taus, late_s=(0.04, 0.04, 0.04), noise=0.02, seed=1):
    rng = np.random.default_rng(seed)
    readings = []
    for tau, late in zip(taus, late_s, strict=True):
        reading = lagged(lagged(gas(6.0, steps, late), tau), 0.020)
        readings.append(reading + noise * np.repeat(rng.standard_normal(len(reading) // 10), 10))
    return block(sampled(readings, 600, (2_000_000, 5_000_000, 8_000_000)), {})


def trace(rows, at=3.0, pieces=None):
    stage = TraceStage(at)
    for piece in pieces or [slice(0, len(rows))]:
        stage.feed(rows.take(piece))
    return stage.result()


@pytest.mark.parametrize("steps", [STEP, BURST], ids=["a step", "a burst"])
def test_the_faster_sensor_predicts_the_slower(steps):
    found = compare(trace(made(steps, (0.300, 0.085, 0.085))), 0, 1)
    assert (found.fast, found.slow) == (1, 0)
    assert found.lag_s == pytest.approx(0.300 - 0.085, abs=0.015)  # the mean delays of two first-order lags
    assert found.tau_s == pytest.approx(0.300, rel=0.08)
    assert found.explained > 0.995
    assert found.residual < 0.08
    assert found.t == START_NS + 3_000_000_000


def test_what_a_slow_sensor_misses_of_a_burst():
    rows = made(BURST, (0.260, 0.085, 0.085), noise=0.0)
    found = compare(trace(rows), 0, 1)
    peaks = [float(np.max(rows.oxygen[:, j]) + 3.0) for j in (0, 1)]
    assert found.recovered == pytest.approx(peaks[0] / peaks[1], rel=0.01)
    assert found.missed > 0.5 * peaks[1]
    assert found.missed_area == pytest.approx(0.0, abs=0.15)  # a lag loses height, no area: 0.99 %s both


def test_sensors_alike_do_not_lag():
    found = compare(trace(made(STEP, (0.085, 0.085, 0.085), late_s=(0.04, 0.052, 0.04))), 0, 1)
    assert found.lag_s == pytest.approx(0.012, abs=0.004)
    assert found.explained > 0.999
    assert abs(found.recovered - 1.0) < 0.01


def test_the_lag_scatters_as_its_error_says():
    # fourteen pairs with noise of their own
    found = [compare(trace(made(STEP, (0.2, 0.085, 0.085), noise=0.3, seed=s)), 0, 1) for s in range(14)]
    z = np.array([(f.lag_s - np.mean([g.lag_s for g in found])) / f.lag_sd for f in found])
    assert 0.5 < np.std(z) < 1.8


def test_where_nothing_happens_or_nothing_is_measured_there_is_no_comparison():
    quiet = made(((0.0, -3.0),), (0.3, 0.085, 0.085))
    assert compare(trace(quiet), 0, 1) is None
    rows = made(STEP, (0.3, 0.085, 0.085))
    rows.state[:, 0] = SampleState.SILENT
    assert compare(trace(rows), 0, 1) is None
    assert trace(rows, at=60.0) is None


def test_splits_do_not_matter():
    rows = made(STEP, (0.3, 0.085, 0.085))
    found = same_for_all_splits(len(rows), lambda pieces: compare(trace(rows, pieces=pieces), 0, 2))
    assert found.slow == 0
