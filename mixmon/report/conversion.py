"""One mixture in every way in which it is written, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mixmon.gas.analyser import Mixture, basis_of, meanings, mixture_at
from mixmon.gas.fuel import Fuel
from mixmon.gas.reading import BentSensor, Shown
from mixmon.report.text import Cell, Column, table, to_json

_DRY_GASES = ("co2", "co", "o2", "h2")

_LEGEND = """
balance: oxygen less what CO and H2 take to burn, percent of wet gas
CO2, CO, O2, H2: percent of dried gas; H2O: percent of wet gas; no unburnt fuel, no NO
"""

_SHOWN = """
by balance: CO and H2 count alike; by pump current: as they diffuse. Sensors lie between the two.
"""


@dataclass(frozen=True, slots=True)
class Conversion:
    """What was converted, and on what ground.

    lambdas     one a value asked for; NaN where the value has none
    fuel        what burns
    assumed     nobody named the fuel: air-fuel ratios stay out
    water       moles of water per mole of dry intake air
    free_air    percent of oxygen in that air, where its humidity was told
    ratios      the values, where they were air-fuel ratios
    sensor      whose readings are shown too, if asked for
    """

    lambdas: Sequence[float]
    fuel: Fuel
    assumed: bool
    water: float = 0.0
    free_air: float | None = None
    ratios: Sequence[float] = ()
    sensor: BentSensor | None = None

    def shown(self, lam: float) -> Shown | None:
        """What the sensor shows, if there is one."""
        return None if self.sensor is None else self.sensor.shows(lam, self.fuel, self.water)

    def mixtures(self) -> list[Mixture]:
        """Every mixture in every way."""
        return [mixture_at(lam, self.fuel, self.water) for lam in self.lambdas]


def conversion_json(conversion: Conversion) -> str:
    """The mixtures as one JSON object; air-fuel ratios are null where the fuel is assumed."""
    fuel = conversion.fuel
    return to_json(
        {
            "fuel": {
                "name": fuel.name,
                "formula": fuel.formula,
                "stoich_afr": fuel.stoich_afr,
                "assumed": conversion.assumed,
            },
            "air": {
                "water_per_dry_air": conversion.water,
                "free_air_oxygen_percent": conversion.free_air,
            },
            "sensor": _sensor_json(conversion.sensor),
            "mixtures": [
                _mixture_json(m, conversion.shown(m.lam), assumed=conversion.assumed)
                for m in conversion.mixtures()
            ],
            "afr_on_other_scales": [
                {"afr": ratio, "scale": m.basis.name, "stoich_afr": m.basis.stoich_afr, "lambda": m.lam}
                for ratio in conversion.ratios
                for m in meanings(ratio)
            ],
        }
    )


def _sensor_json(sensor: BentSensor | None) -> dict[str, object] | None:
    if sensor is None:
        return None
    return {"curve": sensor.curve.name, "pressure_bar": sensor.pressure_bar, "pressure_gain": sensor.gain}


def _mixture_json(mixture: Mixture, shown: Shown | None, *, assumed: bool) -> dict[str, object]:
    return {
        "lambda": mixture.lam,
        "phi": mixture.phi,
        "afr": None if assumed else mixture.afr,
        "oxygen_balance_percent": mixture.balance,
        "dry_percent": {gas: getattr(mixture.dry, gas) for gas in _DRY_GASES},
        "water_percent": mixture.water,
        "shown_lambda": None if shown is None else shown.balance,
        "shown_lambda_by_pump_current": None if shown is None else shown.pump,
    }


def conversion_text(conversion: Conversion) -> str:
    """The mixtures as a table, one a row, under what they rest on."""
    columns = [Column("lambda", 4), Column("phi", 4), Column("AFR", 2), Column("balance", 3, signed=True)]
    columns += [Column(gas.upper(), 3) for gas in _DRY_GASES] + [Column("H2O", 3)]
    rows = [_mixture_row(mixture) for mixture in conversion.mixtures()]
    if conversion.assumed:
        columns, rows = columns[:2] + columns[3:], [row[:2] + row[3:] for row in rows]
    return (
        _heading_text(conversion)
        + table(columns, rows)
        + _LEGEND
        + _shown_table(conversion)
        + _other_scales(conversion.ratios)
    )


def _mixture_row(mixture: Mixture) -> list[Cell]:
    gases = [getattr(mixture.dry, gas) for gas in _DRY_GASES]
    return [mixture.lam, mixture.phi, mixture.afr, mixture.balance, *gases, mixture.water]


def _heading_text(conversion: Conversion) -> str:
    fuel = conversion.fuel
    told = f"fuel {fuel.name} ({fuel.formula})"
    ground = "assumed; no AFR until a fuel is named" if conversion.assumed else str(basis_of(fuel))
    damp = ""
    if conversion.free_air is not None:
        damp = f"damp intake air: a sensor in it reads {conversion.free_air:.3f} % oxygen\n"
    return f"{told}, {ground}\n{damp}\n"


def _shown_table(conversion: Conversion) -> str:
    """What the sensor makes of every mixture, in a table of its own."""
    if conversion.sensor is None:
        return ""
    columns = [Column("true", 4), Column("by balance", 4), Column("by pump current", 4)]
    pairs = [(lam, conversion.shown(lam)) for lam in conversion.lambdas]
    rows: list[list[Cell]] = [[lam, shown.balance, shown.pump] for lam, shown in pairs if shown is not None]
    return f"\nlambda that {_sensor_words(conversion.sensor)} shows\n\n{table(columns, rows)}{_SHOWN}"


def _sensor_words(sensor: BentSensor) -> str:
    at = (
        "" if sensor.pressure_bar is None else f" at {sensor.pressure_bar:g} bar, current x {sensor.gain:.4f}"
    )
    return f"a sensor with the curve of {sensor.curve.name}{at}"


def _other_scales(ratios: Sequence[float]) -> str:
    return "".join(f"{ratio:g} on other scales: {scales(ratio)}\n" for ratio in ratios)


def scales(ratio: float) -> str:
    """What lambda an air-fuel ratio is on the usual scales, in words.

    >>> scales(12.5)
    'lambda 0.850 at stoich 14.70 (gauge convention), 0.892 at 14.01 (E10), 1.276 at 9.80 (E85)'
    """
    first, *rest = meanings(ratio)
    others = [f", {m.lam:.3f} at {m.basis.stoich_afr:.2f} ({m.basis.name})" for m in rest]
    return f"lambda {first.lam:.3f} at {first.basis}{''.join(others)}"
