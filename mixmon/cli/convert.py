"""mixmon convert: one mixture as lambda, phi, air-fuel ratio, oxygen and exhaust gas.

Every value is turned into true lambda first, with the fuel and the intake air that the options name, and
is refused if no exhaust gas of that fuel can have it; `report.conversion` writes lambda in every unit.
"""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Sequence
from typing import NamedTuple

from mixmon.cli.console import result
from mixmon.cli.options import add_json
from mixmon.errors import UsageError
from mixmon.gas.analyser import five_gas_lambda, lambda_from_afr
from mixmon.gas.exhaust import (
    STANDARD_KPA,
    free_air_oxygen,
    lambda_from_dry_oxygen,
    lambda_from_oxygen,
    oxygen_balance,
    richest,
    water_per_dry_air,
)
from mixmon.gas.fuel import REFERENCE_PETROL, Fuel, from_atoms, from_stoich_afr, fuel_named, fuel_names
from mixmon.gas.reading import BentSensor, pressure_gain
from mixmon.report.conversion import Conversion, conversion_json, conversion_text, scales

_ANALYSER = ("co", "co2", "o2", "hc_ppm", "no")
"""The gases of an analysis, in the order of `five_gas_lambda`."""
_PPM_PER_PERCENT = 1e4  # by definition
_ROUNDING_PERCENT = 1e-9  # our choice: far above the rounding of float64, far below any digit shown
_LEANEST_LAMBDA = 1000.0  # our choice: from there on the gas is air to a fiftieth of a percent of oxygen
_QUANTITIES = ("lambda", "phi", "afr", "oxygen", "dry-oxygen", "five-gas")
_BARS = ("pressure", "pressure-k", "reference")


def configure(parser: argparse.ArgumentParser) -> None:
    """Adds the command's arguments."""
    parser.add_argument(
        "quantity",
        metavar="QUANTITY",
        choices=_QUANTITIES,
        help="what the values are: lambda; phi (1/lambda); afr (by mass, needs a fuel); oxygen (balance, "
        "percent of wet gas, negative when rich); dry-oxygen (percent of dried gas, lean); five-gas",
    )
    parser.add_argument(
        "values",
        metavar="VALUE",
        nargs="+",
        help="numbers; for five-gas co=1 co2=14 o2=1 hc_ppm=200 no=0: percent of dried gas, ppm n-hexane",
    )
    fuel = parser.add_mutually_exclusive_group()
    names = ", ".join(fuel_names())
    fuel.add_argument("--fuel", metavar="NAME", help=f"one of {names}; or another E or M blend")
    fuel.add_argument("--formula", metavar="CHON", help="the fuel's atoms, such as CH1.87 or C2H6O")
    fuel.add_argument("--stoich", metavar="AFR", help="its stoichiometric ratio, if nothing else is known")
    parser.add_argument("--celsius", metavar="C", help="temperature of the intake air; without it, dry air")
    parser.add_argument("--humidity", metavar="PERCENT", help="relative humidity of the intake air")
    parser.add_argument("--kpa", metavar="KPA", help="pressure of the intake air; without it, 101.325")
    sensor = parser.add_argument_group("what a sensor shows of it")
    sensor.add_argument("--curve", metavar="NAME", help="fuel for which the controller computes lambda")
    sensor.add_argument("--pressure", metavar="BAR", help="absolute pressure at the sensor")
    sensor.add_argument(
        "--pressure-k",
        metavar="BAR",
        help="how pressure acts on the sensor's type: the reading goes as p / (p + k); 0 is no effect",
    )
    sensor.add_argument("--reference", metavar="BAR", help="pressure at which it reads right; without it, 1")
    sensor.add_argument(
        "--as-shown", action="store_true", help="the values are what the sensor shows; gives what is true"
    )
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Converts the values and prints them."""
    fuel, air = _named_fuel(arguments), _intake_air(arguments)
    by_default = REFERENCE_PETROL if arguments.quantity == "five-gas" else fuel_named("gasoline")
    gas = FuelAndAir(fuel or by_default, fuel is None, air.water)
    sensor = _bent_sensor(arguments, gas.fuel)
    conversion = Conversion(
        lambdas=lambdas(arguments.quantity, arguments.values, gas, sensor if arguments.as_shown else None),
        fuel=gas.fuel,
        assumed=gas.assumed,
        water=air.water,
        free_air=air.oxygen,
        ratios=[float(text) for text in arguments.values] if arguments.quantity == "afr" else [],
        sensor=sensor,
    )
    result(conversion_json(conversion) if arguments.json else conversion_text(conversion))
    return 0


# What the options say of fuel, air and sensor.


def _bent_sensor(arguments: argparse.Namespace, fuel: Fuel) -> BentSensor | None:
    """The sensor whose reading is bent; None where no option names one."""
    given = {f"--{name}": getattr(arguments, name.replace("-", "_")) for name in _BARS}
    bars = {option: number(option, text) for option, text in given.items() if text is not None}
    if bars and not {"--pressure", "--pressure-k"} <= bars.keys():
        raise UsageError(
            f"{' and '.join(bars)}: given alone; expected --pressure and --pressure-k together, "
            "with or without --reference; give both, or none"
        )
    if not bars and arguments.curve is None:
        if arguments.as_shown:
            raise UsageError(
                "--as-shown: nothing bends the reading; expected --curve, or --pressure with --pressure-k; "
                "add one, or omit it"
            )
        return None
    curve = fuel if arguments.curve is None else fuel_named(arguments.curve)
    if not bars:
        return BentSensor(curve)
    if not bars["--pressure"] > 0.0:
        raise UsageError(
            f"--pressure: found {bars['--pressure']:g}; expected bar absolute, above zero; correct it"
        )
    gain = pressure_gain(bars["--pressure"], bars["--pressure-k"], bars.get("--reference", 1.0))
    return BentSensor(curve, bars["--pressure"], gain)


def _named_fuel(arguments: argparse.Namespace) -> Fuel | None:
    """The fuel that the options name; None if they name none."""
    if arguments.fuel is not None:
        return fuel_named(arguments.fuel)
    if arguments.formula is not None:
        return _parse_formula(arguments.formula)
    if arguments.stoich is not None:
        return from_stoich_afr(number("--stoich", arguments.stoich))
    return None


def _parse_formula(formula: str) -> Fuel:
    parts = re.findall(r"([CHON])(\d*\.?\d*)", formula)
    if "".join(symbol + count for symbol, count in parts) != formula or not formula:
        raise UsageError(
            f"--formula: found {formula!r}; expected the symbols C, H, O, N, each followed by its count, "
            "such as CH1.87 or C2H6O; correct it"
        )
    atoms = dict.fromkeys("chon", 0.0)
    for symbol, count in parts:
        atoms[symbol.lower()] += number("--formula", count) if count else 1.0
    return from_atoms(**atoms, name=formula)


class _IntakeAir(NamedTuple):
    """Moles of water per mole of dry air, and percent of oxygen in the air as it is; dry by default."""

    water: float = 0.0
    oxygen: float | None = None


def _intake_air(arguments: argparse.Namespace) -> _IntakeAir:

    given = [option for option in ("celsius", "humidity", "kpa") if getattr(arguments, option) is not None]
    if not given:
        return _IntakeAir()
    if "celsius" not in given or "humidity" not in given:
        raise UsageError(
            f"--{' and --'.join(given)}: given alone; expected --celsius and --humidity together, "
            "with or without --kpa; give both, or none for dry air"
        )
    kpa = STANDARD_KPA if arguments.kpa is None else number("--kpa", arguments.kpa)
    air = (number("--celsius", arguments.celsius), number("--humidity", arguments.humidity), kpa)
    return _IntakeAir(water_per_dry_air(*air), free_air_oxygen(*air))


# The values as lambda; refused where no exhaust gas has them.


class FuelAndAir(NamedTuple):
    """The fuel, whether it is assumed, and moles of water per mole of dry intake air."""

    fuel: Fuel
    assumed: bool
    water: float


def lambdas(
    quantity: str, values: Sequence[str], gas: FuelAndAir, shown_by: BentSensor | None
) -> list[float]:
    """True lambda of every value, in order.

    shown_by: the sensor, if the values are what it shows; None if they are true.

    Raises:
        UsageError: a value that is no number, or that no exhaust gas of the fuel has.
    """
    if shown_by is not None and quantity in {"dry-oxygen", "five-gas"}:
        raise UsageError(
            f"--as-shown: found {quantity}, which is an analyser's; expected lambda, phi, afr or oxygen; "
            "omit --as-shown"
        )
    if quantity == "five-gas":
        return [_lambda_from_analysis(values, gas)]
    numbers = [number(quantity, text) for text in values]
    if quantity == "afr" and gas.assumed:
        raise UsageError(
            f"afr: {numbers[0]:g} is {scales(numbers[0])}; expected the fuel of its scale; "
            "name it by --fuel, --formula or --stoich"
        )
    return [_lambda_of(quantity, value, gas, shown_by) for value in numbers]


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


def _lambda_of(quantity: str, value: float, gas: FuelAndAir, shown_by: BentSensor | None) -> float:
    """Lambda of one number of that quantity."""
    if quantity == "oxygen":
        return _lambda_from_oxygen(value if shown_by is None else shown_by.true_oxygen(value), gas)
    if quantity == "dry-oxygen":
        return _lambda_from_dry_oxygen(value, gas)
    lam = _lambda_from_ratio(quantity, value, gas.fuel)
    if shown_by is not None:
        lam = shown_by.true_lambda(lam, gas.fuel, gas.water)
    return _check_burnt(quantity, f"{value:g}", lam, gas)


def _lambda_from_ratio(quantity: str, value: float, fuel: Fuel) -> float:

    if not value > 0.0:
        raise UsageError(f"{quantity}: found {value:g}; expected a number above zero; correct it")
    if quantity == "afr":
        return lambda_from_afr(value, fuel)
    return value if quantity == "lambda" else 1.0 / value


def _lambda_from_oxygen(value: float, gas: FuelAndAir) -> float:

    air = oxygen_balance(math.inf, gas.fuel, gas.water)
    least = oxygen_balance(richest(gas.fuel, gas.water), gas.fuel, gas.water)
    if not least <= value <= air + _ROUNDING_PERCENT:
        raise UsageError(
            f"oxygen: found {value:g} %; expected {least:.3f} (all carbon as CO, all hydrogen as H2) to "
            f"{air:.3f} % (the intake air alone) for {gas.fuel.name}; correct it"
        )
    return lambda_from_oxygen(value, gas.fuel, gas.water)


def _lambda_from_dry_oxygen(value: float, gas: FuelAndAir) -> float:

    air = oxygen_balance(math.inf, gas.fuel)
    if not 0.0 < value <= air + _ROUNDING_PERCENT:
        raise UsageError(
            f"dry-oxygen: found {value:g} %; expected above 0, as rich gas has none whatever its lambda, "
            f"and at most the {air:.3f} % of air; correct it, or give oxygen or five-gas"
        )
    return lambda_from_dry_oxygen(value, gas.fuel)


def _check_burnt(quantity: str, found: str, lam: float, gas: FuelAndAir) -> float:
    """The lambda, if the formulas of burnt gas hold for it."""
    least = richest(gas.fuel, gas.water)
    if not least <= lam <= _LEANEST_LAMBDA:
        what = found if quantity == "lambda" else f"{found}, which is lambda {lam:.4g}"
        raise UsageError(
            f"{quantity}: found {what}; expected lambda {least:.3f} (all carbon as CO, all hydrogen as H2) "
            f"to {_LEANEST_LAMBDA:g} (air) for {gas.fuel.name}; correct it, or name another fuel"
        )
    return lam


def _lambda_from_analysis(values: Sequence[str], gas: FuelAndAir) -> float:
    """Lambda of an analysis."""
    co, co2, o2, hc_ppm, no = _read_analysis(values)
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
    return _check_burnt("five-gas", "an analysis", lam, gas)


def _read_analysis(values: Sequence[str]) -> list[float]:
    """The five gases from `name=number` words, in the order of the equation; no HC or NO is zero."""
    found: dict[str, float] = {}
    for word in values:
        name, _, text = word.partition("=")
        if name not in _ANALYSER:
            raise UsageError(
                f"five-gas: found {word!r}; expected {'=, '.join(_ANALYSER)}= with a number each; correct it"
            )
        if name in found:
            raise UsageError(f"five-gas: {name}: found twice; expected once; omit one")
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
