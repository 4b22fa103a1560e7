"""What the search for events takes from the rows: a handful of columns that can be joined and cut."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.mixture.block import CylinderBlock, SampleState

Table = dict[str, NDArray[Any]]
"""Columns of equal length by name.

t        int64[k]       ns
oxygen   float64[k, n]  oxygen balance, percent; NaN where the node did not measure
lam      float64[k, n]  the same as lambda
age      int64[k, n]    ns since the sample was sent
state    uint8[k, n]    SampleState
rpm, load, throttle   float64[k]  NaN where not known
valve_rpm, valve_load  float64[k, n]  the same when the gas now at each sensor left its valve
target   float64[k, n]  lambda asked for, at the same moment; NaN where not known
fuel_cut, spark_cut   bool[k, n]  claims of the engine control for the gas now at each sensor
asked    bool[k, n]     a target is known
"""

TURNING_RPM = 300.0
"""Below this the engine is cranked or stands; what is in its pipes is no exhaust (common practice, no
source)."""

NOT_MEASURING = (
    SampleState.WARMING,
    SampleState.SILENT,
    SampleState.SUSPECT,
    SampleState.LEFT_OUT,
)
"""States in which the number held is not what the gas is. A sample at a limit of its range still
says that the gas is beyond, and one in a cut is true."""

_NOT_MEASURING = np.isin(np.arange(len(SampleState)), NOT_MEASURING)


def observed(block: CylinderBlock) -> Table:
    """The columns of a block."""
    shape = block.lam.shape
    measuring = ~_NOT_MEASURING[block.state] & np.isfinite(block.oxygen)
    target = _shifted(block, "target")
    return {
        "t": block.t,
        "oxygen": np.where(measuring, block.oxygen, np.nan),
        "lam": block.lam,
        "age": block.age,
        "state": block.state,
        **{name: block.now.get(name, np.full(shape[0], np.nan)) for name in ("rpm", "load", "throttle")},
        "valve_rpm": _shifted(block, "rpm"),
        "valve_load": _shifted(block, "load"),
        "target": target,
        "fuel_cut": np.nan_to_num(_shifted(block, "fuel_cut")) > 0,
        "spark_cut": np.nan_to_num(_shifted(block, "spark_cut")) > 0,
        "asked": ~np.isnan(target),
    }


def _shifted(block: CylinderBlock, name: str) -> NDArray[np.float64]:
    return block.shifted.get(name, np.full(block.lam.shape, np.nan))


def joined(first: Table, second: Table) -> Table:
    """Rows of the first, then rows of the second; the first may be without columns."""
    return {name: np.concatenate([first[name], second[name]]) for name in second} if first else second


def part(table: Table, begin: int, end: int) -> Table:
    """Rows from `begin` up to but without `end`."""
    return {name: column[begin:end] for name, column in table.items()}
