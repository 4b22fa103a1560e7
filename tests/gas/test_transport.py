"""Delay from the injector to the sensor, against tables computed from typical operating points."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.errors import RangeError, UsageError
from mixmon.gas.transport import (
    charge,
    cycle_s,
    pipe_volume_l,
    transit_cycles,
    valve_to_sensor_delay_s,
)

# 300 mm of 40 mm bore, 0.5 l: rpm, throttle that gives it in the model, charge, gas kelvin, transit
# in ms and cycles, with 1.25 cycles before it in ms. Computed; charge and kelvin are assumptions.
POINTS = [
    (900, 1, 0.25, 750, 154.8, 1.16, 321),
    (1500, 11, 0.45, 850, 45.5, 0.57, 146),
    (2000, 100, 0.85, 980, 15.7, 0.26, 91),
    (3000, 100, 0.95, 1080, 8.5, 0.21, 58),
    (6000, 100, 1.02, 1200, 3.6, 0.18, 29),
]

# 0.499 l a cylinder, 44 mm bore: rpm, throttle, distance mm, transit ms (whole ms). Computed from
# assumed gas temperatures.
DEMO = [
    (1100, 3, 100, 43),
    (1100, 3, 320, 137),
    (1100, 3, 600, 257),
    (3000, 18, 100, 8),
    (3000, 18, 320, 27),
    (3000, 18, 600, 50),
    (2500, 100, 100, 5),
    (2500, 100, 320, 15),
    (2500, 100, 600, 28),
    (4500, 100, 100, 2),
    (4500, 100, 320, 7),
    (4500, 100, 600, 13),
    (7500, 100, 100, 1),
    (7500, 100, 320, 4),
    (7500, 100, 600, 7),
]

speeds = st.floats(300.0, 18_000.0)
throttles = st.floats(0.0, 100.0)


@pytest.mark.parametrize("point", POINTS, ids=lambda p: f"{p[0]} rpm")
def test_transit_formula(point: tuple[float, ...]) -> None:
    rpm, _, eta_v, kelvin, ms, cycles, with_cycles = point
    found = transit_cycles(pipe_volume_l(300, 40) / 0.5, eta_v, kelvin)
    assert found == pytest.approx(cycles, abs=6e-3)
    assert 1e3 * found * cycle_s(rpm) == pytest.approx(ms, abs=0.06)
    assert 1e3 * (found + 1.25) * cycle_s(rpm) == pytest.approx(with_cycles, abs=0.6)


def test_transit_to_four_digits() -> None:
    ratio = pipe_volume_l(300, 40) / 0.5
    assert 1e3 * transit_cycles(ratio, 0.25, 750) * cycle_s(900.0) == pytest.approx(154.77, abs=0.01)
    assert 1e3 * transit_cycles(ratio, 1.02, 1200) * cycle_s(6000.0) == pytest.approx(3.56, abs=0.01)


def test_pipe_volume() -> None:
    """320 mm of 44 mm bore are 487 cm3."""
    assert 1e3 * pipe_volume_l(320, 44) == pytest.approx(487, abs=0.5)


@pytest.mark.parametrize("point", POINTS, ids=lambda p: f"{p[0]} rpm")
def test_typical_charge_is_near_the_assumed_points(point: tuple[float, ...]) -> None:
    rpm, throttle, eta_v, kelvin, ms, *_ = point
    found = charge(rpm, throttle)
    assert found.eta_v == pytest.approx(eta_v, rel=0.07)
    assert found.exhaust_k == pytest.approx(kelvin, rel=0.02)
    delay = valve_to_sensor_delay_s(rpm, throttle, 300, 40, 0.5, cycles_before=0.0)
    assert 1e3 * delay == pytest.approx(ms, rel=0.07)


@pytest.mark.parametrize(("rpm", "throttle", "distance", "ms"), DEMO)
def test_transit_in_an_individual_throttle_engine(
    rpm: float, throttle: float, distance: float, ms: float
) -> None:
    delay = valve_to_sensor_delay_s(rpm, throttle, distance, 44, 0.499, cycles_before=0.0)
    assert 1e3 * delay == pytest.approx(ms, abs=max(0.55, 0.05 * ms))


@pytest.mark.parametrize(
    ("rpm", "throttle", "seconds"), [(1100, 3, 0.22), (3000, 18, 0.06), (7500, 100, 0.02)]
)
def test_whole_delay(rpm: float, throttle: float, seconds: float) -> None:
    delay = valve_to_sensor_delay_s(rpm, throttle, 320, 44, 0.499)
    assert delay == pytest.approx(seconds, abs=0.005)


@given(speeds, throttles, throttles)
def test_more_throttle_is_more_charge_and_less_delay(rpm: float, one: float, other: float) -> None:
    less, more = sorted((one, other))
    assert charge(rpm, less).eta_v <= charge(rpm, more).eta_v
    assert 0.02 < charge(rpm, less).eta_v < 1.1
    assert 690.0 < charge(rpm, more).exhaust_k < 1300.0
    assert valve_to_sensor_delay_s(rpm, less) >= valve_to_sensor_delay_s(rpm, more)


@given(throttles, st.lists(speeds, min_size=2, max_size=2))
def test_delay_falls_with_speed(throttle: float, pair: list[float]) -> None:
    slow, fast = sorted(pair)
    at_slow, at_fast = (valve_to_sensor_delay_s(rpm, throttle) for rpm in (slow, min(fast, 9000.0)))
    assert at_fast <= at_slow + 1e-12 or slow > 9000.0


@given(speeds, st.floats(20.0, 250.0))
def test_charge_goes_with_manifold_pressure(rpm: float, kpa: float) -> None:
    at_outside = charge(rpm, 100.0, "map_kpa").eta_v
    assert charge(rpm, kpa, "map_kpa").eta_v == pytest.approx(at_outside * kpa / 100.0, rel=1e-12)


def test_a_shut_throttle_and_a_vacuum_still_pass_some_gas() -> None:
    assert charge(7000.0, -2.0) == charge(7000.0, 0.0)
    assert charge(3000.0, 0.0, "map_kpa").eta_v == charge(3000.0, 10.0, "map_kpa").eta_v > 0.05


def test_unknown_geometry_is_a_usual_one() -> None:
    by_default = valve_to_sensor_delay_s(3000.0, 18.0)
    assert by_default == valve_to_sensor_delay_s(3000.0, 18.0, 320.0, 40.0, 0.5, cycles_before=0.8)
    assert valve_to_sensor_delay_s(3000.0, 18.0, distance_mm=600.0) > by_default


@given(
    st.lists(st.tuples(speeds, throttles), min_size=1, max_size=30),
    st.lists(st.floats(50, 900), min_size=1, max_size=16),
)
def test_arrays_give_the_bits_of_scalars(points: list[tuple[float, float]], distances: list[float]) -> None:
    rpm, load = np.array(points).T
    whole = valve_to_sensor_delay_s(rpm[:, None], load[:, None], np.array(distances), 44.0, 0.499)
    assert whole.shape == (len(points), len(distances))
    singles = [[valve_to_sensor_delay_s(r, v, d, 44.0, 0.499) for d in distances] for r, v in points]
    np.testing.assert_array_equal(whole, singles)


def test_cycles() -> None:
    assert cycle_s(900.0) == pytest.approx(0.13333, abs=1e-5)
    assert cycle_s(6000.0, strokes=2) == 0.01
    np.testing.assert_array_equal(
        cycle_s(np.array([0.0, -5.0, np.nan, 3000.0])), [np.nan, np.nan, np.nan, 0.04]
    )


def test_unknown_operating_points_have_no_delay() -> None:
    delay = valve_to_sensor_delay_s(np.array([0.0, np.nan, 3000.0]), np.array([10.0, 10.0, np.nan]))
    assert np.isnan(delay).all()


def test_impossible_setups() -> None:
    with pytest.raises(RangeError, match="primary bore in mm = 0"):
        valve_to_sensor_delay_s(3000.0, 18.0, 320.0, 0.0)
    with pytest.raises(RangeError, match="cylinder volume in l = -1"):
        valve_to_sensor_delay_s(3000.0, 18.0, cylinder_volume_l=-1.0)
    with pytest.raises(RangeError, match=r"sensor distance \[320.0, -1.0\] mm"):
        valve_to_sensor_delay_s(3000.0, 18.0, [320.0, -1.0])
    with pytest.raises(RangeError, match="cycles from injection to exhaust = -1"):
        valve_to_sensor_delay_s(3000.0, 18.0, cycles_before=-1.0)
    with pytest.raises(UsageError, match="3 strokes"):
        cycle_s(3000.0, strokes=3)
    with pytest.raises(UsageError, match="load signal 'pedal'; expected throttle or map_kpa"):
        charge(3000.0, 18.0, "pedal")
