"""Whatever number a log may hold, gas functions give a number, an infinity or NaN, and no warning.

Warnings are errors in all tests of the project.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from mixmon.gas import analyser, exhaust, lag, reading, transport
from mixmon.gas.fuel import fuel_named

GASOLINE, ETHANOL = fuel_named("gasoline"), fuel_named("ethanol")
EXTREMES = np.array(
    [np.nan, np.inf, -np.inf, 0.0, -0.0, 1e308, -1e308, 1e-308, -1e-308, 5e-324, -1.0, 0.2, 1.0, 1e16, 1e17]
)
OF_ONE_QUANTITY: dict[str, Callable[[Any], Any]] = {
    "composition": lambda x: exhaust.composition(x, GASOLINE).co2,
    "dry composition": lambda x: exhaust.composition(x, GASOLINE).dry().co2,
    "oxygen balance": lambda x: exhaust.oxygen_balance(x, GASOLINE),
    "lambda from oxygen": lambda x: exhaust.lambda_from_oxygen(x, GASOLINE),
    "lambda from dry oxygen": lambda x: exhaust.lambda_from_dry_oxygen(x, GASOLINE),
    "afr": lambda x: analyser.lambda_to_afr(x, GASOLINE),
    "lambda from afr": lambda x: analyser.lambda_from_afr(x, GASOLINE),
    "five gas, co": lambda x: analyser.five_gas_lambda(x, x, x, x, x),
    "missed charge": lambda x: reading.missed_charge_oxygen(x, GASOLINE),
    "pump signal": lambda x: reading.pump_signal(x, GASOLINE),
    "other fuel": lambda x: reading.reading_on_other_fuel(x, ETHANOL, GASOLINE),
    "other fuel, weighted": lambda x: reading.reading_on_other_fuel(x, ETHANOL, GASOLINE, reading.MOLECULAR),
    "true lambda": lambda x: reading.true_lambda(x, ETHANOL, GASOLINE, gain=1.04),
    "pressure gain": lambda x: reading.pressure_gain(x, 0.3),
    "pressure gain, fine pores": lambda x: reading.pressure_gain(x, np.inf),
    "cycle": transport.cycle_s,
    "charge": lambda x: transport.charge(x, x).eta_v,
    "charge by pressure": lambda x: transport.charge(x, x, "map_kpa").exhaust_k,
    "transit": lambda x: transport.transit_cycles(x, x, x),
    "delay": lambda x: transport.valve_to_sensor_delay_s(x, x),
    "diffusion layer": lag.diffusion_layer_step,
}


@pytest.mark.parametrize("name", OF_ONE_QUANTITY)
def test_no_number_is_too_much(name: str) -> None:
    function = OF_ONE_QUANTITY[name]
    together = function(EXTREMES.copy())
    assert together.shape == EXTREMES.shape
    assert np.isnan(together[0])
    for i, one in enumerate(EXTREMES.tolist()):
        np.testing.assert_array_equal(function(one), together[i])


def test_a_lag_takes_whatever_comes_and_keeps_it_in_its_column() -> None:
    x = np.ones((len(EXTREMES), 3))
    x[:, 0] = EXTREMES[::-1]
    y = lag.FirstOrderLag(0.01, [0.1, 0.1, 0.0], [0.2, 0.1, 0.0]).feed(x)
    assert np.isfinite(y[:, 1:]).all()
    shortest = lag.FirstOrderLag(0.01, [5e-324], start=[0.0])
    assert shortest.feed(np.ones((1, 1)))[0, 0] == 1.0


def test_what_lies_beyond_gas_is_air_or_unknown() -> None:
    assert exhaust.oxygen_balance(1e308, GASOLINE) == pytest.approx(20.95, rel=1e-12)
    assert exhaust.lambda_from_oxygen(np.inf, GASOLINE) == np.inf
    assert np.isnan(exhaust.lambda_from_oxygen(-np.inf, GASOLINE))
    assert np.isnan(exhaust.oxygen_balance(-np.inf, GASOLINE))
    assert transport.cycle_s(np.inf) == 0.0
