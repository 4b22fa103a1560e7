"""The conditions of a run: what the engine reported while samples counted, and where it was in each cell.

Means over the rows in which any sample counts; of speed and load over those that are steady in a cell. Bands
are our choice, about what moves the mixture of an engine without feedback by half a percent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from mixmon.arrays import Ints
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import NOWHERE, Cell, Steady
from mixmon.session.model import Session

BANDS: Final[Mapping[str, float]] = {"coolant_c": 5.0, "intake_c": 5.0, "oil_c": 10.0, "baro_kpa": 1.0}
"""The conditions that are compared, each with the difference from which it is told: our choice. Intake air 5
degrees warmer is 1.7 % thinner, 1 kPa of 100 is 1 %; an engine control corrects most of it."""

CLOSED_LOOP = "closed_loop"
"""What is taken with the conditions: the share of the rows in which the engine control reported that it
corrects the mixture by its own sensor."""

_TAKEN = (*BANDS, CLOSED_LOOP)

_PARTS = 1000
"""Parts of a unit in which values are summed, as whole numbers: a sum does not depend on how rows were
split."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition in both runs; NaN where it is not known.

    alike  whether they differ by no more than the band; None where not known
    """

    quantity: str
    before: float
    after: float
    band: float
    alike: bool | None


class ConditionStage:
    """Takes the rows of a run; `result` gives the mean of each condition that was reported."""

    def __init__(self) -> None:
        self._sums = dict.fromkeys(_TAKEN, 0)
        self._counts = dict.fromkeys(_TAKEN, 0)

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows."""
        counted = (block.state == SampleState.VALID).any(axis=1)
        for name in _TAKEN:
            if name in block.now:
                values = block.now[name][counted]
                values = values[np.isfinite(values)]
                self._sums[name] += int(np.rint(values * _PARTS).astype(np.int64).sum())
                self._counts[name] += len(values)

    def result(self) -> dict[str, float]:
        """Mean by quantity; NaN where none was reported."""
        return {
            name: self._sums[name] / _PARTS / count if count else np.nan
            for name, count in self._counts.items()
        }


class PlaceStage:
    """Takes the rows of a run; `result` gives the mean speed and load in each cell, where it was steady."""

    def __init__(self, session: Session) -> None:
        self._steady = Steady(session.axes, session.validity, session.injection.staging)
        self._sums: dict[int, Ints] = {}
        self._rows: dict[int, int] = {}

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows, of one stretch of time."""
        cells = self._steady.feed(block)
        cells = np.where((block.state == SampleState.VALID).any(axis=1), cells, NOWHERE)
        unknown = np.full(len(block), np.nan)
        values = np.array([block.now.get(name, unknown) for name in ("rpm", "load")])
        parts = np.rint(np.nan_to_num(values) * _PARTS).astype(np.int64)
        for cell in np.unique(cells[cells != NOWHERE]).tolist():
            rows = cells == cell
            self._sums[cell] = self._sums.get(cell, np.zeros(2, np.int64)) + parts[:, rows].sum(axis=1)
            self._rows[cell] = self._rows.get(cell, 0) + int(rows.sum())

    def result(self) -> dict[Cell, Cell]:
        """By cell, the place in it; an axis that is not used has none."""
        places = {}
        for number, sums in self._sums.items():
            cell, means = self._steady.grid.cell(number), (sums / _PARTS / self._rows[number]).tolist()
            places[cell] = Cell(
                None if cell.rpm is None else means[0], None if cell.load is None else means[1]
            )
        return places


def compare_conditions(before: Mapping[str, float], after: Mapping[str, float]) -> tuple[Condition, ...]:
    """Each condition in both runs."""
    return tuple(
        Condition(
            name,
            (one := before.get(name, np.nan)),
            (other := after.get(name, np.nan)),
            band,
            bool(abs(other - one) <= band) if np.isfinite(other - one) else None,
        )
        for name, band in BANDS.items()
    )
