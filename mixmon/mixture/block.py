"""CylinderBlock: what the cylinders did, on one time grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any

import numpy as np

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.errors import UsageError
from mixmon.result import ask_forms


class SampleState(IntEnum):
    """Why a sample may or may not be counted: one reason each. Only VALID ones are counted."""

    VALID = 0
    COLD = 1
    WARMING = 2
    SETTLING = 3
    HELD = 4
    SILENT = 5
    AT_RICH_LIMIT = 6
    AT_LEAN_LIMIT = 7
    OVERRUN = 8
    SPARK_CUT = 9
    SUSPECT = 10
    LEFT_OUT = 11
    DUPLICATE_NODE = 12

    @property
    def word(self) -> str:
        """The state in words, as shown and as written to JSON."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, slots=True, eq=False)
class CylinderBlock:
    """k rows on the time grid, n nodes of the chain (one column a node, in session order).

    t          int64[k]       row times in ns, rising, a grid period apart from the first row of a stretch on
    stretch    int64[k]       number of the unbroken stretch of time a row belongs to
    lam        float64[k, n]  lambda held from the newest sample at or before the row; NaN if none
    oxygen     float64[k, n]  oxygen balance in percent, wet, negative when rich; NaN if unknown
    age        int64[k, n]    ns since that sample; -1 if there never was one
    fresh      bool[k, n]     a new sample arrived since the row before
    state      uint8[k, n]    SampleState
    shifted    name -> float64[k, n]  engine quantities as they were when the gas now at each
               sensor left its valve (rpm, load, throttle, map_kpa, target as lambda, ...); the target is that
               of the node's own cylinders
    now        name -> float64[k]     the same at the row's own time; the target is the engine's
    aux        name -> float64[k, n]  node quantities: supply, heater, resets; over_temperature (1 yes, 0 no)
               where a node sends it; own_target (over the engine's) where cylinders are meant to differ;
               arrived, the samples since the row before, of which the newest is held
    """

    t: Ints
    stretch: Ints
    lam: Floats
    oxygen: Floats
    age: Ints
    fresh: Bools
    state: Bytes
    shifted: Mapping[str, Floats]
    now: Mapping[str, Floats]
    aux: Mapping[str, Floats]

    def __post_init__(self) -> None:
        shape = self.lam.shape
        if self.t.shape != shape[:1] or self.stretch.shape != shape[:1]:
            raise ValueError(f"CylinderBlock.t: {self.t.shape}, expected {shape[:1]}")
        for name in ("oxygen", "age", "fresh", "state"):
            if getattr(self, name).shape != shape:
                raise ValueError(f"CylinderBlock.{name}: {getattr(self, name).shape}, expected {shape}")

    def __len__(self) -> int:
        return len(self.t)

    def __repr__(self) -> str:
        rows, nodes = self.lam.shape
        return f"<CylinderBlock: {rows} rows of {nodes} nodes>"

    @property
    def comparable(self) -> Floats:
        """Lambda that can be compared across cylinders: over what the own target is of the engine's."""
        own = self.aux.get("own_target")
        return self.lam if own is None else self.lam / own

    def to_arrow(self, of: Any, first_ns: int | None = None) -> Any:
        """The rows as a pyarrow.Table, which pandas, polars and DuckDB take without a copy.

        Columns as in the table `rows` of `mixmon export`: times `t_s` and `t_ns`, the engine's quantities,
        and of every sensor its lambda, state and the rest, with its cylinder at the end (`lambda_3`). Every
        sample is there; only those whose state is `valid` count.

        Args:
            of: the `Run` or the `Watch` that these rows are of; it knows the cylinder of each node.
            first_ns: stamp from which `t_s` counts; None: that of the first row.

        Raises:
            UsageError: pyarrow is not installed (pip install 'mixmon[arrow]'), or there is no row.
        """
        if not len(self):
            raise UsageError("to_arrow: no row; expected at least one; ask for the rows of a later moment")
        zero = int(self.t[0]) if first_ns is None else first_ns
        return ask_forms("rows_table", of.binding, [self], zero)

    def with_one_target(self) -> CylinderBlock:
        """The rows as if every cylinder had the engine's target; these rows where all have it."""
        own = self.aux.get("own_target")
        if own is None:
            return self
        target = {"target": self.shifted["target"] / own} if "target" in self.shifted else {}
        return replace(self, lam=self.comparable, shifted={**self.shifted, **target})

    def take(self, rows: slice) -> CylinderBlock:
        """Some of the rows, as views."""
        return CylinderBlock(
            self.t[rows],
            self.stretch[rows],
            self.lam[rows],
            self.oxygen[rows],
            self.age[rows],
            self.fresh[rows],
            self.state[rows],
            {name: column[rows] for name, column in self.shifted.items()},
            {name: column[rows] for name, column in self.now.items()},
            {name: column[rows] for name, column in self.aux.items()},
        )


def join_blocks(blocks: Sequence[CylinderBlock]) -> CylinderBlock:
    """Blocks that follow each other as one, of the same columns; at least one block."""
    if len(blocks) == 1:
        return blocks[0]

    def join_named(name: str) -> dict[str, Floats]:
        return {
            column: np.concatenate([getattr(block, name)[column] for block in blocks])
            for column in getattr(blocks[0], name)
        }

    return CylinderBlock(
        np.concatenate([block.t for block in blocks]),
        np.concatenate([block.stretch for block in blocks]),
        np.concatenate([block.lam for block in blocks]),
        np.concatenate([block.oxygen for block in blocks]),
        np.concatenate([block.age for block in blocks]),
        np.concatenate([block.fresh for block in blocks]),
        np.concatenate([block.state for block in blocks]),
        join_named("shifted"),
        join_named("now"),
        join_named("aux"),
    )
