"""`mixmon convert`: one mixture in every way in which it is written."""

from __future__ import annotations

import argparse
import re
from typing import TYPE_CHECKING, NamedTuple

from mixmon.cli.console import result
from mixmon.cli.options import add_json
from mixmon.errors import UsageError
from mixmon.gas.fuel import REFERENCE_PETROL, Fuel, from_atoms, from_stoich_afr, fuel_named, fuel_names

if TYPE_CHECKING:
    from mixmon.report.conversion import Sensor

NAME = "convert"
HELP = "one mixture as lambda, phi, air-fuel ratio, oxygen and exhaust gas"

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
    sensor.add_argument("--curve", metavar="NAME", help="fuel for which the controller reckons lambda")
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
    """Does the work and gives the exit status."""
    from mixmon.cli.mixtures import Gas, lambdas
    from mixmon.report.conversion import Conversion, conversion_json, conversion_text

    fuel, air = _fuel(arguments), _intake_air(arguments)
    by_default = REFERENCE_PETROL if arguments.quantity == "five-gas" else fuel_named("gasoline")
    gas = Gas(fuel or by_default, fuel is None, air.water)
    sensor = _sensor(arguments, gas.fuel)
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


def _sensor(arguments: argparse.Namespace, fuel: Fuel) -> Sensor | None:
    """What bends the readings; None where nothing was told."""
    from mixmon.cli.mixtures import number
    from mixmon.gas.reading import pressure_gain
    from mixmon.report.conversion import Sensor

    told = {f"--{name}": getattr(arguments, name.replace("-", "_")) for name in _BARS}
    bars = {option: number(option, text) for option, text in told.items() if text is not None}
    if bars and not {"--pressure", "--pressure-k"} <= bars.keys():
        raise UsageError(
            f"{' and '.join(bars)}: given alone; expected --pressure and --pressure-k together, "
            "with or without --reference; give both, or none"
        )
    if not bars and arguments.curve is None:
        if arguments.as_shown:
            raise UsageError(
                "--as-shown: nothing bends the reading; expected --curve, or --pressure with --pressure-k; "
                "add one, or leave it out"
            )
        return None
    curve = fuel if arguments.curve is None else fuel_named(arguments.curve)
    if not bars:
        return Sensor(curve)
    if not bars["--pressure"] > 0.0:
        raise UsageError(
            f"--pressure: found {bars['--pressure']:g}; expected bar absolute, above zero; correct it"
        )
    gain = pressure_gain(bars["--pressure"], bars["--pressure-k"], bars.get("--reference", 1.0))
    return Sensor(curve, bars["--pressure"], gain)


def _fuel(arguments: argparse.Namespace) -> Fuel | None:
    """The fuel that the options tell; None if they tell none."""
    if arguments.fuel is not None:
        return fuel_named(arguments.fuel)
    if arguments.formula is not None:
        return _from_formula(arguments.formula)
    if arguments.stoich is not None:
        from mixmon.cli.mixtures import number

        return from_stoich_afr(number("--stoich", arguments.stoich))
    return None


def _from_formula(formula: str) -> Fuel:
    from mixmon.cli.mixtures import number

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
    from mixmon.cli.mixtures import number
    from mixmon.gas.air import STANDARD_KPA, free_air_oxygen, water_per_dry_air

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
