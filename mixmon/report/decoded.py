"""Decoded frames in the order in which they came, for whoever writes them down."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.messages.block import SignalBlock
from mixmon.messages.plan import Quality

WORDS = {q.value: q.name.lower().replace("_", " ") for q in Quality}
"""Quality in words, as written to files."""


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """One message's frames out of a block of frames.

    channel          the interface's name in the log
    rows  int64[m]   where in the block each frame stood
    block            their signals
    """

    channel: str
    rows: NDArray[np.int64]
    block: SignalBlock


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """One signal's values of m frames, MISSING ones left out.

    rows     int64[m]    where in the block each frame stood
    values   float64[m]  NaN where not good
    quality  uint8[m]    Quality
    raw                  raw values, in their own type
    """

    channel: str
    message: str
    signal: str
    unit: str
    rows: NDArray[np.int64]
    values: NDArray[np.float64]
    quality: NDArray[np.uint8]
    raw: NDArray[np.int64] | NDArray[np.uint64] | NDArray[np.float64]


def columns(decoded: Decoded, chosen: Iterable[str] | None = None) -> list[Values]:
    """The message's signals, each with what it carries; `chosen` names those that are wanted."""
    block = decoded.block
    wanted = set(block.names if chosen is None else chosen)
    taken = []
    for k, name in enumerate(block.names):
        if name in wanted:
            there = block.quality[k] != Quality.MISSING
            keep = slice(None) if there.all() else there
            unit = block.message.signal(name).unit
            fields = (decoded.rows, block.values[k], block.quality[k], block.raw[k])
            taken.append(
                Values(decoded.channel, block.message.name, name, unit, *(f[keep] for f in fields))  # type: ignore[arg-type]
            )
    return taken


def in_order(columns_of_block: list[Values]) -> NDArray[np.int64]:
    """The order, int64[v], that puts the values of all columns, laid end to end, as they came.

    By frame, and within a frame by the order of the columns.
    """
    rows = np.concatenate([c.rows for c in columns_of_block])
    return np.argsort(rows, kind="stable")
