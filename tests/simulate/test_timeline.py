"""Crank angle and its inverse against numerical integration."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import cumulative_trapezoid

from mixmon.simulate.timeline import Crank

T = np.array([0.0, 1.0, 1.0, 4.0, 12.4, 12.45, 15.0, 16.0])
RPM = np.array([0.0, 250.0, 250.0, 1100.0, 7900.0, 7780.0, 900.0, 0.0])


def test_angle_is_the_integral_of_speed():
    crank, grid = Crank(T, RPM), np.linspace(0, 16, 200_001)
    expected = cumulative_trapezoid(6.0 * np.interp(grid, T, RPM), grid, initial=0)
    assert np.abs(crank.angle(grid) - expected).max() <= 1e-2


@given(st.floats(0.01, 15.9))
def test_time_is_the_inverse_of_angle(t):
    crank = Crank(T, RPM)
    assert crank.time(crank.angle(np.array([t])))[0] == pytest.approx(t, abs=1e-6)


def test_an_engine_at_rest_never_gets_there():
    assert Crank(T, RPM).time(np.array([1e9]))[0] == np.inf


def test_constant_speed_goes_on_after_the_last_point():
    crank = Crank(np.array([0.0]), np.array([1000.0]))
    assert crank.angle(np.array([0.12]))[0] == pytest.approx(720)
    assert crank.time(np.array([7200.0]))[0] == pytest.approx(1.2)
