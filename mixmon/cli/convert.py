"""`mixmon convert`: one mixture in every way in which it is written."""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Sequence
from typing import NamedTuple

from mixmon.cli.console import result
from mixmon.cli.options import add_json
from mixmon.errors import UsageError
from mixmon.gas.fuel import REFERENCE_PETROL, Fuel, from_atoms, from_stoich_afr, fuel_named, fuel_names

NAME = "convert"
HELP = "one mixture as lambda, phi, air-fuel ratio, oxygen and exhaust gas"

_QUANTITIES = ("lambda", "phi", "afr", "oxygen", "dry-oxygen", "five-gas")
_ANALYSER = ("co", "co2", "o2", "hc_ppm", "no")


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
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Does the work and gives the exit status."""
    from mixmon.report.conversion import Conversion, conversion_json, conversion_text

    fuel, air = _fuel(arguments), _intake_air(arguments)
    by_default = REFERENCE_PETROL if arguments.quantity == "five-gas" else fuel_named("gasoline")
    conversion = Conversion(
        lambdas=_lambdas(arguments, fuel or by_default, air.water, assumed=fuel is None),
        fuel=fuel or by_default,
        assumed=fuel is None,
        water=air.water,
        free_air=air.oxygen,
        ratios=[float(text) for text in arguments.values] if arguments.quantity == "afr" else [],
    )
    result(conversion_json(conversion) if arguments.json else conversion_text(conversion))
    return 0


def _fuel(arguments: argparse.Namespace) -> Fuel | None:
    """The fuel that the options tell; None if they tell none."""
    if arguments.fuel is not None:
        return fuel_named(arguments.fuel)
    if arguments.formula is not None:
        return _from_formula(arguments.formula)
    if arguments.stoich is not None:
        return from_stoich_afr(_number("--stoich", arguments.stoich))
    return None


def _from_formula(formula: str) -> Fuel:
    parts = re.findall(r"([CHON])(\d*\.?\d*)", formula)
    if "".join(symbol + count for symbol, count in parts) != formula or not formula:
        raise UsageError(
            f"--formula: found {formula!r}; expected the symbols C, H, O, N, each followed by its count, "
            "such as CH1.87 or C2H6O"
        )
    atoms = dict.fromkeys("chon", 0.0)
    for symbol, count in parts:
        atoms[symbol.lower()] += _number("--formula", count) if count else 1.0
    return from_atoms(**atoms, name=formula)


class _IntakeAir(NamedTuple):
    """Moles of water per mole of dry air, and percent of oxygen in the air as it is; dry by default."""

    water: float = 0.0
    oxygen: float | None = None


def _intake_air(arguments: argparse.Namespace) -> _IntakeAir:
    from mixmon.gas.air import STANDARD_KPA, free_air_oxygen, water_per_dry_air

    given = [option for option in ("celsius", "humidity", "kpa") if getattr(arguments, option) is not None]
    if not given:
        return _IntakeAir()
    if "celsius" not in given or "humidity" not in given:
        raise UsageError(
            f"--{' and --'.join(given)}: given alone; expected --celsius and --humidity together, "
            "with or without --kpa; give both, or none for dry air"
        )
    kpa = STANDARD_KPA if arguments.kpa is None else _number("--kpa", arguments.kpa)
    air = (_number("--celsius", arguments.celsius), _number("--humidity", arguments.humidity), kpa)
    return _IntakeAir(water_per_dry_air(*air), free_air_oxygen(*air))


def _lambdas(arguments: argparse.Namespace, fuel: Fuel, water: float, *, assumed: bool) -> list[float]:
    from mixmon.gas.analyser import five_gas_lambda

    if arguments.quantity == "five-gas":
        return [five_gas_lambda(*_analysis(arguments.values), fuel=fuel)]
    numbers = [_number(arguments.quantity, text) for text in arguments.values]
    if arguments.quantity == "afr" and assumed:
        raise _needs_fuel(numbers[0])
    return [_lambda(arguments.quantity, number, fuel, water) for number in numbers]


def _lambda(quantity: str, number: float, fuel: Fuel, water: float) -> float:
    """Lambda of one number of that quantity."""
    from mixmon.gas.afr import lambda_from_afr
    from mixmon.gas.exhaust import lambda_from_dry_oxygen, lambda_from_oxygen

    if quantity == "oxygen":
        return lambda_from_oxygen(number, fuel, water)
    if quantity == "dry-oxygen":
        return lambda_from_dry_oxygen(number, fuel)
    if not number > 0.0:
        raise UsageError(f"{quantity}: found {number:g}; expected a number above zero")
    if quantity == "afr":
        return lambda_from_afr(number, fuel)
    return number if quantity == "lambda" else 1.0 / number


def _needs_fuel(ratio: float) -> UsageError:
    from mixmon.report.conversion import scales

    return UsageError(
        f"afr: {ratio:g} is {scales(ratio)}; expected the fuel of its scale; "
        "name it by --fuel, --formula or --stoich"
    )


def _analysis(values: Sequence[str]) -> list[float]:
    """The five gases from `name=number` words, in the order of the equation; no HC or NO is zero."""
    found = {"hc_ppm": 0.0, "no": 0.0}
    for word in values:
        name, _, number = word.partition("=")
        if name not in _ANALYSER:
            raise UsageError(
                f"five-gas: found {word!r}; expected {'=, '.join(_ANALYSER)}= with a number each"
            )
        found[name] = _number(f"five-gas: {name}", number)
        if found[name] < 0.0:
            raise UsageError(f"five-gas: {name}: found {number}; expected zero or more")
    missing = [name for name in _ANALYSER if name not in found]
    if missing:
        raise UsageError(
            f"five-gas: {' and '.join(missing)} not given; expected co, co2 and o2 in percent of dried gas"
        )
    return [found[name] for name in _ANALYSER]


def _number(where: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"{where}: found {text!r}; expected a number")
    return value
