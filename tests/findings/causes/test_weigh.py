"""Causes of one cylinder, on needs whose cause is known, and what the demo engine's cells can separate."""

from __future__ import annotations

import numpy as np
import pytest
from weighed_needs import LEAK, PULSE, RPM, SYNC, weighed

from mixmon.findings.causes.notes import PossibleCause
from mixmon.findings.causes.shapes import Conditions, variance_inflation
from mixmon.findings.causes.weigh import LEVEL_CAUSES
from mixmon.gas.accuracy import gain_effect


def test_variance_inflation_is_the_diagonal_of_the_inverse_correlation_matrix() -> None:
    """As in any textbook of regression."""
    columns = np.random.default_rng(1).normal(size=(9, 3)) @ np.array([[1, 0.8, 0], [0, 1, 0.4], [0, 0, 1]])
    expected = np.diag(np.linalg.inv(np.corrcoef(columns.T)))
    for k in range(3):
        others = [columns[:, i] for i in range(3) if i != k]
        assert variance_inflation(columns[:, k], others, np.ones(9)) == pytest.approx(expected[k])


def test_the_cells_of_the_demo_engine_inflate_leak_and_throttle_some_hundred_times() -> None:
    """Planted shapes, each beside the other and the dead time; the design of the demo gives 576 and 470."""
    flow = (RPM * PULSE) ** -1.0
    leak = variance_inflation(flow, [SYNC, 1 / PULSE], np.ones(8))
    sync = variance_inflation(SYNC, [flow, 1 / PULSE], np.ones(8))
    assert 400 < leak < 700
    assert 400 < sync < 700
    assert variance_inflation(SYNC, [2 * SYNC + 1], np.ones(8)) == np.inf
    few = [column[:3] for column in (flow, 1 / PULSE)]
    assert variance_inflation(SYNC[:3], few, np.ones(3)) == np.inf  # a line through three points and more


def test_a_gain_bends_a_reading_as_the_table_says() -> None:
    """d lambda / d ln gain: -0.170 at 0.80, -0.093 at 0.90, 0 at 1, +0.238 at 1.20 (computed, gasoline)."""
    lam = np.array([0.8, 0.9, 1.0, 1.2])
    assert (gain_effect(lam) * lam).round(2).tolist() == [-0.17, -0.09, 0.0, 0.24]


@pytest.mark.parametrize("seed", range(4))
def test_a_leak_is_a_leak_or_a_throttle_out_of_step_and_not_a_late_injector(seed: int) -> None:
    one = weighed(np.log1p(LEAK), seed)
    assert one.p_change < 1e-6
    assert one.not_separated == (LEVEL_CAUSES, (PossibleCause.LEAK, PossibleCause.SYNC))
    assert min(one.share(PossibleCause.LEAK), one.share(PossibleCause.SYNC)) > 0.3
    assert one.share(PossibleCause.DEAD_TIME) < 0.3
    assert one.inflation[PossibleCause.LEAK] > 10
    alone = weighed(np.log1p(LEAK), seed, own=False)
    assert alone.share(PossibleCause.LEAK) > 0.9  # one throttle for all cylinders cannot be out of step


def test_a_leak_never_makes_a_reading_rich() -> None:
    one = weighed(-0.04 * SYNC)
    assert one.share(PossibleCause.LEAK) < 0.02
    assert one.share(PossibleCause.SYNC) > 0.3
    assert all(PossibleCause.LEAK not in group for group in one.not_separated)


def test_a_late_injector_is_among_the_causes_and_never_alone_by_steady_readings() -> None:
    one = weighed(0.060 / PULSE)
    assert one.share(PossibleCause.DEAD_TIME) > 0.3
    assert {PossibleCause.DEAD_TIME, PossibleCause.SYNC} <= set(one.not_separated[1])
    alone = next(e for e in one.changes if e.causes == (PossibleCause.DEAD_TIME,))
    assert alone.sizes[0] == pytest.approx(0.060, abs=0.03)


def test_a_weak_injector_is_likelier_than_such_air_or_such_a_sensor() -> None:
    one = weighed(np.full(8, 0.06))
    assert one.level == pytest.approx(0.06, abs=0.002)
    assert one.p_change > 0.01
    assert one.share(PossibleCause.FLOW) > 0.9
    assert one.share(PossibleCause.AIR) < 0.6
    assert one.not_separated[0] == LEVEL_CAUSES
    assert sum(e.chance for e in one.levels) == pytest.approx(1)
    assert sum(e.chance for e in one.changes) == pytest.approx(1)


def test_a_sensor_whose_bias_is_known_is_not_to_blame() -> None:
    unknown, known = (weighed(np.full(8, 0.012), sensor_error=s) for s in (None, 0.001))
    assert unknown.share(PossibleCause.SENSOR) > 0.3
    assert known.share(PossibleCause.SENSOR) == 0
    assert known.share(PossibleCause.FLOW) > unknown.share(PossibleCause.FLOW)


def test_nothing_is_found_where_nothing_is() -> None:
    runs = [weighed(np.zeros(8), seed) for seed in range(100)]
    assert np.mean([one.p_change < 0.05 for one in runs]) < 0.12
    assert np.mean([one.changes[0].causes == () for one in runs]) > 0.9


def test_cells_that_part_the_speed_from_the_opening_part_a_leak_from_a_throttle() -> None:
    """The same opening at several speeds, which an operator can drive."""
    rpm = np.tile([1500.0, 3000.0, 6000.0], 3)
    opening, pulse = np.repeat([5.0, 20.0, 60.0], 3), np.repeat([3.0, 6.0, 9.0], 3)
    at = Conditions(rpm * pulse, opening, pulse, np.full(9, 0.9))
    leak = at.flow.min() / at.flow
    one = weighed(0.08 * leak, at=at)
    assert one.share(PossibleCause.LEAK) > 0.9
    assert one.inflation[PossibleCause.LEAK] < 10
    assert PossibleCause.GAIN not in one.inflation  # one lambda everywhere bends nothing
