"""The sensor's closed form against a general solver of linear systems and of differential equations."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import lsim

from mixmon.simulate.sensor import ElementLag, step_time_s

RNG = np.random.default_rng(5)
STEP_S = 1e-3  # arrivals and samples lie on the reference's grid, where it is exact
ARRIVALS = np.cumsum(RNG.integers(10, 80, 40)) * STEP_S
GAS = RNG.uniform(-4.0, 12.0, 40)
SAMPLES = np.arange(0.0, 2.0, 0.01)


@pytest.mark.parametrize("tau", [0.085, 0.3, 0.020], ids=["usual", "slow", "equal to the filter"])
def test_two_equal_directions_are_two_linear_lags_in_a_row(tau):
    found = ElementLag(tau, tau, 0.020, 3.0).run(ARRIVALS, GAS, SAMPLES)
    grid = np.arange(2000) * STEP_S
    gas = np.concatenate([[3.0], GAS])[np.searchsorted(ARRIVALS, grid + STEP_S / 2)]
    system = ([1.0], np.polymul([tau, 1.0], [0.020, 1.0]))
    _, expected, _ = lsim(system, gas - 3.0, grid, interp=False)
    # equal constants are told apart by 1e-4 of their size, and cost that much
    assert found == pytest.approx(expected[::10] + 3.0, abs=2e-3 if tau == 0.020 else 1e-9)


def test_two_directions_against_an_integrator():
    lean, rich, filtered = 0.300, 0.220, 0.020

    def rate(t, y):
        gas = np.concatenate([[0.0], GAS])[np.searchsorted(ARRIVALS, t, "right")]
        tau = lean if gas > y[0] else rich
        return [(gas - y[0]) / tau, (y[0] - y[1]) / filtered]

    expected = solve_ivp(rate, (0, 2), [0.0, 0.0], t_eval=SAMPLES, max_step=1e-3, rtol=1e-6).y[1]
    found = ElementLag(lean, rich, filtered, 0.0).run(ARRIVALS, GAS, SAMPLES)
    assert found == pytest.approx(expected, abs=0.02)


def test_pieces_give_the_same_bits_as_the_whole():
    whole = ElementLag(0.3, 0.2, 0.02, 1.0).run(ARRIVALS, GAS, SAMPLES)
    lag, pieces = ElementLag(0.3, 0.2, 0.02, 1.0), []
    for begins, ends in [(0.0, 0.5), (0.5, 0.5), (0.5, 1.33), (1.33, 3.0)]:
        came, asked = ((x >= begins) & (x < ends) for x in (ARRIVALS, SAMPLES))
        pieces.append(lag.run(ARRIVALS[came], GAS[came], SAMPLES[asked]))
    assert np.array_equal(np.concatenate(pieces), whole)


@pytest.mark.parametrize(("tau", "filtered"), [(0.085, 0.02), (0.26, 0.02), (0.05, 0.05)])
def test_the_time_of_a_step(tau, filtered):
    t = step_time_s(tau, filtered)
    found = ElementLag(tau, tau, filtered, 0.0).run(np.zeros(1), np.ones(1), np.array([t]))
    assert found[0] == pytest.approx(1 - np.exp(-1), abs=1e-4)


def test_no_filter_to_speak_of_leaves_the_time_constant():
    assert step_time_s(0.1, 1e-9) == pytest.approx(0.1, rel=1e-6)
