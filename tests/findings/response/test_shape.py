"""The shape of elements: porous layers by the series of erfc, not by the package's sum of exponentials."""

import numpy as np
import pytest
import scipy.signal
import scipy.special
from gas_steps import FINE_S, block, commands, gas, lagged, sampled

from mixmon.findings.response.cuts import ResponseStage
from mixmon.findings.response.sensors import ElementShape, choose_shape, sensor_responses
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


def measured(make, noise, seed=1):
    """Cuts and sensors of six alike."""
    rng = np.random.default_rng(seed)
    course = gas(8.0, STEPS, 0.045)
    noises = [np.repeat(noise * rng.standard_normal(len(course) // 10), 10) for _ in NODES]
    held = sampled(
        [make(course) + one for one in noises], 800, [int(a) for a in rng.integers(1, 10, 6) * 10**6]
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


@pytest.mark.parametrize("t63_s", [0.1, 0.3])
def test_elements_that_are_layers_are_seen_as_such_and_their_t63_is_unbiased(t63_s):
    def make(course):
        return behind_layer(course, t63_s, 0.020)

    cuts, sensors = measured(make, 0.03)
    assert choose_shape(cuts) is ElementShape.LAYER
    for one in sensors:
        assert one.t63_s == pytest.approx(true_t63(make), rel=0.05)


def test_where_the_shape_is_open_the_interval_holds_both():
    def make(course):
        return behind_layer(course, 0.085, 0.0)

    cuts, sensors = measured(make, 0.1)
    assert choose_shape(cuts) is ElementShape.OPEN
    for one in sensors:
        assert abs(one.lean.t63_s - true_t63(make)) < one.lean.half_s
        assert one.lean.own_half_s < one.lean.half_s


def test_a_first_order_sensor_is_not_taken_for_one_with_a_filter():
    cuts, sensors = measured(lambda course: lagged(course, 0.085), 0.03)
    assert choose_shape(cuts) is ElementShape.LAGS
    assert np.mean([one.t63_s for one in sensors]) == pytest.approx(0.085, rel=0.05)
    for one in sensors:
        assert abs(one.t63_s - 0.085) < one.lean.half_s
