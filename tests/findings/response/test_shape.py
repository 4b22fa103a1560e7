"""The shape of elements: porous layers by the series of erfc, not by the package's sum of exponentials."""

import dataclasses

import numpy as np
import pytest
import scipy.signal
import scipy.special
from gas_steps import FINE_S, block, commands, gas, lagged, sampled

from mixmon.findings.response.cuts import ResponseStage
from mixmon.findings.response.sensors import (
    ElementShape,
    choose_shape,
    layer_probability,
    sensor_responses,
    with_shape,
)
from mixmon.gas.lag import layer_response, time_63_of
from mixmon.session.model import Node

STEPS = ((0.0, -2.8), (3.003, 20.7), (5.208, -2.8))
NODES = tuple(Node(j + 1, (j + 1,), None) for j in range(6))


def layer_step(t, diffusion_s):
    """The inverse transform of 1/(s cosh(sqrt(s t_D))): 2 (-1)^k erfc((2k + 1)/2/sqrt(t/t_D)), added up."""
    root = np.sqrt(np.maximum(t, 1e-12) / diffusion_s)
    return sum(2 * (-1) ** k * scipy.special.erfc((2 * k + 1) / (2 * root)) for k in range(60))


def behind_layer(course, t63_s, filter_s):
    """A gas behind a layer with that T63 (0.503 of its diffusion time), and then behind a filter."""
    t = np.arange(len(course)) * FINE_S
    moves = np.diff(course, prepend=course[0])
    element = course[0] + scipy.signal.fftconvolve(moves, layer_step(t, t63_s / 0.5032))[: len(course)]
    return lagged(element, filter_s) if filter_s else element


def true_t63(make):
    """Read off the answer to a step of one."""
    step = make(np.where(np.arange(4001) > 0, 1.0, 0.0))[1:]
    first = int(np.argmax(step >= 1 - np.exp(-1)))
    return float(
        np.interp(1 - np.exp(-1), step[first - 1 : first + 1], FINE_S * np.array([first - 1, first]))
    )


def measured(make, noise, seed=1, every=1):
    """Cuts and sensors of six alike."""
    rng = np.random.default_rng(seed)
    course = gas(8.0, STEPS, 0.045)
    noises = [np.repeat(noise * rng.standard_normal(len(course) // 10), 10) for _ in NODES]
    held = sampled(
        [make(course) + one for one in noises], 800, [int(a) for a in rng.integers(1, 10, 6) * 10**6], every
    )
    now = {
        "rpm": np.full(800, 5000.0),
        "load": np.full(800, 1.0),
        "fuel_cut": commands(800, [(0.0, 0.0), (3.003, 1.0), (5.208, 0.0)]),
    }
    stage = ResponseStage()
    cuts = stage.feed(block(held, now)) + stage.flush()
    return cuts, sensor_responses(NODES, cuts, (), np.full(6, np.nan))


@pytest.mark.parametrize("still", [1e-6, 0.02])
def test_the_layer_s_response_is_that_of_the_erfc_series(still):
    t = np.arange(1, 1500) * 1e-3
    fine = np.arange(15_000) * 1e-4
    expected = layer_step(fine, 0.2)
    if still > 1e-4:
        keep = np.exp(-1e-4 / still)
        expected = scipy.signal.lfilter([1 - keep], [1, -keep], expected)
    found = layer_response(t, 0.2, still)
    assert found.share == pytest.approx(np.interp(t, fine, expected), abs=0.004)
    assert found.share[20:] == pytest.approx(np.interp(t, fine, expected)[20:], abs=0.003)
    for name, arguments in {"by_t": (1e-6, 0, 0), "by_tau": (0, 1e-6, 0), "by_filter": (0, 0, 1e-6)}.items():
        d = np.array(arguments)
        more, less = (
            layer_response(t[30:] + s * d[0], 0.2 + s * d[1], 0.02 + s * d[2]).share for s in (1, -1)
        )
        slope = getattr(layer_response(t[30:], 0.2, 0.02), name)
        assert slope == pytest.approx((more - less) / 2e-6, abs=1e-3)


def test_its_t63_is_half_a_diffusion_time():
    assert float(time_63_of(layer_response, np.array(0.1), np.array(0.2), np.array(1e-6))) == pytest.approx(
        0.5032 * 0.2, rel=2e-3
    )


LAYERS = [(0.1, 0.020, 0.03), (0.3, 0.020, 0.03), (0.085, 0.020, 0.1), (0.3, 0.050, 0.1)]
UNFILTERED = [(0.085, 0.0, 0.1), (0.15, 0.0, 0.03), (0.3, 0.0, 0.1)]


def errors_of_t63(make, noise, seeds):
    """By which share the mean T63 of six sensors is off, over some seeds, and how many intervals hold."""
    true = true_t63(make)
    sensors = [one for seed in seeds for one in measured(make, noise, seed)[1]]
    ways = [way for one in sensors for way in (one.lean, one.rich)]
    holds = [abs(way.t63_s - true) < way.half_s for way in ways]
    return np.mean([way.t63_s for way in ways]) / true - 1.0, np.mean(holds)


@pytest.mark.parametrize(("t63_s", "filter_s", "noise"), LAYERS + UNFILTERED)
def test_t63_of_layers_is_unbiased_with_and_without_a_filter(t63_s, filter_s, noise):
    off, holds = errors_of_t63(lambda course: behind_layer(course, t63_s, filter_s), noise, (1, 2))
    assert abs(off) < 0.05
    assert holds == 1.0


@pytest.mark.parametrize(("t63_s", "filter_s", "noise"), LAYERS)
def test_elements_that_are_layers_are_not_taken_for_lags(t63_s, filter_s, noise):
    cuts, sensors = measured(lambda course: behind_layer(course, t63_s, filter_s), noise)
    assert layer_probability(cuts) > (0.95 if noise < 0.1 else 0.7)
    for one in sensors:  # two lags in gas that comes spread would look the same
        assert one.lean.half_s > 0.1 * one.lean.t63_s


@pytest.mark.parametrize("noise", [0.03, 0.1])
def test_two_lags_behind_spread_gas_are_within_the_interval_of_a_layer(noise):
    # gas that mixes with a time constant of 10 ms on its way is no part of the sensor
    _, sensors = measured(lambda course: lagged(lagged(lagged(course, 0.010), 0.3), 0.020), noise)
    sensor = true_t63(lambda course: lagged(lagged(course, 0.3), 0.020))
    assert all(abs(one.lean.t63_s - sensor) < one.lean.half_s for one in sensors)


def test_where_the_readings_tell_nothing_t63_is_between_both_shapes_and_the_interval_holds_both():
    for make in (
        lambda course: behind_layer(course, 0.085, 0.020),
        lambda course: lagged(lagged(course, 0.085), 0.020),
    ):
        cuts, sensors = measured(make, 0.5)
        assert choose_shape(cuts) is ElementShape.OPEN
        off = np.mean([one.t63_s for one in sensors]) / true_t63(make) - 1.0
        assert abs(off) < 0.12
        assert all(abs(one.lean.t63_s - true_t63(make)) < one.lean.half_s for one in sensors)
        assert all(one.lean.own_half_s < one.lean.half_s for one in sensors)


def test_one_way_alone_never_speaks_for_a_layer():
    cuts, _ = measured(lambda course: behind_layer(course, 0.1, 0.020), 0.03)
    assert layer_probability(cuts) > 0.95
    assert layer_probability([dataclasses.replace(cut, rich=None) for cut in cuts]) <= 0.5
    assert layer_probability([]) == 0.5


def test_dead_time_and_t63_move_together():
    cuts, _ = measured(lambda course: behind_layer(course, 0.1, 0.020), 0.03)
    (before,), (after,) = cuts, with_shape(cuts)
    until = [one.lean.fit.dead_s + one.lean.fit.t63_s for one in (before, after)]
    assert until[1] == pytest.approx(until[0], abs=1e-9)
    assert (after.lean.fit.t63_s > 1.1 * before.lean.fit.t63_s).all()


def test_a_first_order_sensor_is_not_taken_for_one_with_a_filter():
    cuts, sensors = measured(lambda course: lagged(course, 0.085), 0.03)
    assert choose_shape(cuts) is ElementShape.LAGS
    assert np.mean([one.t63_s for one in sensors]) == pytest.approx(0.085, rel=0.05)
    for one in sensors:
        assert abs(one.t63_s - 0.085) < one.lean.half_s


def test_what_happens_between_two_samples_is_in_the_interval_or_withheld():
    # twenty samples a second, no filter: of an element of 30 ms no sample shows the beginning
    _, sensors = measured(lambda course: lagged(course, 0.085), 0.03, every=5)
    known = [one.lean for one in sensors if np.isfinite(one.lean.t63_s)]
    assert known
    assert all(abs(one.t63_s - 0.085) < one.half_s for one in known)
    for noise in (0.03, 0.5):
        cuts, _ = measured(lambda course: lagged(course, 0.030), noise, every=5)
        assert not any(cut.lean.followed.any() for cut in cuts)
