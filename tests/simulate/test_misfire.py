"""Missed cycles: what a wide-range sensor shows of them."""

from dataclasses import replace

import pytest

from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate
from mixmon.simulate.truth import truth_of

ALDER = load_scenario("alder8")


def seen(cycles, tau):
    """What the truth says of a burst at 6800 rpm for a sensor of that time constant without bias."""
    sensors = replace(ALDER.sensors, lean_s=(tau,) * 8, rich_s=(tau,) * 8, bias_percent=(0.0,) * 8)
    faults = tuple(replace(f, cycles=cycles) for f in ALDER.faults if getattr(f, "during", "") == "pull 2")
    truth = truth_of(simulate(replace(ALDER, sensors=sensors, faults=faults), seed=1))
    return next(event for event in truth["events"] if event["kind"] == "misfire")


# The short form is within 5 % of the fuel's own balance; a peak of +0.060 is that near to +0.05.
LAST_S = 0.006


# Computed by hand with the short form: rise over the reading before, ms above +0.05 and +0.10.
@pytest.mark.parametrize(
    ("cycles", "tau", "rise", "above_5", "above_10"),
    [
        (1, 0.085, 0.060, 51, 0),
        (3, 0.085, 0.19, 172, 103),
        (5, 0.085, 0.33, 236, 168),
        (1, 0.260, 0.02, 0, 0),
        (3, 0.260, 0.08, None, 0),
        (5, 0.260, 0.13, None, None),
    ],
)
def test_bursts_peak_and_last_as_computed(cycles, tau, rise, above_5, above_10):
    found = seen(cycles, tau)
    assert found["peak_lambda"] - found["lambda_before"] == pytest.approx(
        rise, abs=0.006 if rise < 0.3 else 0.01
    )
    if above_5 is not None:
        assert found["above_0.05_s"] == pytest.approx(above_5 / 1000, abs=LAST_S)
    if above_10 is not None:
        assert found["above_0.10_s"] == pytest.approx(above_10 / 1000, abs=LAST_S)


def test_the_burst_of_the_demo_comes_when_and_where_the_truth_says():
    found = seen(5, 0.085)
    # 645 rpm/s from 2480 at 450 s: 6800 rpm after 6.70 s; five sparks lie four cycles apart
    assert found["t_s"] == pytest.approx(450 + (6800 - 2480) / 645.24, abs=0.02)
    assert found["to_s"] - found["t_s"] == pytest.approx(4 * 120 / 6800, rel=0.02)
    assert found["peak_lambda"] == pytest.approx(1.20, abs=0.01)
    assert (found["cylinder"], found["cycles"]) == (7, 5)
    assert 0 <= found["seen_s"] - found["t_s"] < 0.010
