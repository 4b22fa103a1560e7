"""The mixtures that somebody writes on the command line, as lambda; refused where no exhaust gas is so."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from mixmon.errors import UsageError
from mixmon.gas.fuel import Fuel
from mixmon.report.conversion import Sensor, scales

_ANALYSER = ("co", "co2", "o2", "hc_ppm", "no")
_PPM_PER_PERCENT = 1e4
_LAST_DIGIT = 1e-9
_LEANEST = 1000.0  # above it the gas is air to a fiftieth of a per cent of oxygen


class Gas(NamedTuple):
    """The fuel, whether it is a guess, and moles of water per mole of the dry intake air."""

    fuel: Fuel
    assumed: bool
    water: float


def lambdas(quantity: str, values: Sequence[str], gas: Gas, shown_by: Sensor | None) -> list[float]:
    """True lambda of every value, in order.

    shown_by: the sensor, if the values are what it shows; None if they are true.

    Raises:
        UsageError: a value that is no number, or that no exhaust gas of the fuel has.
    """
    if shown_by is not None and quantity in {"dry-oxygen", "five-gas"}:
        raise UsageError(
            f"--as-shown: found {quantity}, which is an analyser's; expected lambda, phi, afr or oxygen; "
            "leave --as-shown out"
        )
    if quantity == "five-gas":
        return [_five_gas(values, gas)]
    numbers = [number(quantity, text) for text in values]
    if quantity == "afr" and gas.assumed:
        raise UsageError(
            f"afr: {numbers[0]:g} is {scales(numbers[0])}; expected the fuel of its scale; "
            "name it by --fuel, --formula or --stoich"
        )
    return [_lambda(quantity, value, gas, shown_by) for value in numbers]


def number(where: str, text: str) -> float:
    """A finite number.

    Raises:
        UsageError: it is none.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{where}: found {text!r}; expected a number; correct it")
    return value


def _lambda(quantity: str, value: float, gas: Gas, shown_by: Sensor | None) -> float:
    """Lambda of one number of that quantity."""
    if quantity == "oxygen":
        return _from_oxygen(value if shown_by is None else value / shown_by.gain, gas)
    if quantity == "dry-oxygen":
        return _from_dry_oxygen(value, gas)
    lam = _from_ratio(quantity, value, gas.fuel)
    if shown_by is not None:
        from mixmon.gas.reading import true_lambda

        lam = true_lambda(lam, gas.fuel, shown_by.curve, gas.water, gain=shown_by.gain)
    return _burnt(quantity, f"{value:g}", lam, gas)


def _from_ratio(quantity: str, value: float, fuel: Fuel) -> float:
    from mixmon.gas.afr import lambda_from_afr

    if not value > 0.0:
        raise UsageError(f"{quantity}: found {value:g}; expected a number above zero; correct it")
    if quantity == "afr":
        return lambda_from_afr(value, fuel)
    return value if quantity == "lambda" else 1.0 / value


def _from_oxygen(value: float, gas: Gas) -> float:
    from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance, richest

    air = oxygen_balance(math.inf, gas.fuel, gas.water)
    least = oxygen_balance(richest(gas.fuel, gas.water), gas.fuel, gas.water)
    if not least <= value <= air + _LAST_DIGIT:
        raise UsageError(
            f"oxygen: found {value:g} %; expected {least:.3f} (all carbon as CO, all hydrogen as H2) to "
            f"{air:.3f} % (the intake air alone) for {gas.fuel.name}; correct it"
        )
    return lambda_from_oxygen(value, gas.fuel, gas.water)


def _from_dry_oxygen(value: float, gas: Gas) -> float:
    from mixmon.gas.exhaust import lambda_from_dry_oxygen, oxygen_balance

    air = oxygen_balance(math.inf, gas.fuel)
    if not 0.0 < value <= air + _LAST_DIGIT:
        raise UsageError(
            f"dry-oxygen: found {value:g} %; expected above 0, as rich gas has none whatever its lambda, "
            f"and at most the {air:.3f} % of air; correct it, or give oxygen or five-gas"
        )
    return lambda_from_dry_oxygen(value, gas.fuel)


def _burnt(quantity: str, found: str, lam: float, gas: Gas) -> float:
    """The lambda, if the formulas of burnt gas hold for it."""
    from mixmon.gas.exhaust import richest

    least = richest(gas.fuel, gas.water)
    if not least <= lam <= _LEANEST:
        told = found if quantity == "lambda" else f"{found}, which is lambda {lam:.4g}"
        raise UsageError(
            f"{quantity}: found {told}; expected lambda {least:.3f} (all carbon as CO, all hydrogen as H2) "
            f"to {_LEANEST:g} (air) for {gas.fuel.name}; correct it, or name another fuel"
        )
    return lam


def _five_gas(values: Sequence[str], gas: Gas) -> float:
    """Lambda of an analysis."""
    from mixmon.gas.analyser import five_gas_lambda

    co, co2, o2, hc_ppm, no = _analysis(values)
    total = co + co2 + o2 + no + hc_ppm / _PPM_PER_PERCENT
    if total > 100.0:
        raise UsageError(
            f"five-gas: found gases that add up to {total:g} %; expected at most 100; "
            "give percent of dried gas, hc_ppm in ppm"
        )
    if not co + co2 > 0.0:
        raise UsageError(
            "five-gas: found neither co nor co2; expected burnt gas; let the analyser draw from the exhaust"
        )
    lam = five_gas_lambda(co, co2, o2, hc_ppm, no, fuel=gas.fuel)
    return _burnt("five-gas", "an analysis", lam, gas)


def _analysis(values: Sequence[str]) -> list[float]:
    """The five gases from `name=number` words, in the order of the equation; no HC or NO is zero."""
    found: dict[str, float] = {}
    for word in values:
        name, _, text = word.partition("=")
        if name not in _ANALYSER:
            raise UsageError(
                f"five-gas: found {word!r}; expected {'=, '.join(_ANALYSER)}= with a number each; correct it"
            )
        if name in found:
            raise UsageError(f"five-gas: {name}: found twice; expected once; leave one out")
        found[name] = number(f"five-gas: {name}", text)
        if found[name] < 0.0:
            raise UsageError(f"five-gas: {name}: found {text}; expected zero or more; correct it")
    missing = [name for name in ("co", "co2", "o2") if name not in found]
    if missing:
        raise UsageError(
            f"five-gas: {' and '.join(missing)} not given; expected co, co2 and o2 in percent of dried gas; "
            "add what is missing"
        )
    return [found.get(name, 0.0) for name in _ANALYSER]
