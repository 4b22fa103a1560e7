"""SignalBlock: the decoded frames of one message as columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bytes, Floats, Ints
from mixmon.messages.plan import MessagePlan


@dataclass(frozen=True, slots=True, eq=False)
class SignalBlock:
    """m frames of one message on one bus, in the order in which they arrived.

    message          the plan they were decoded by
    bus              the bus index the decoder was built with
    names            s signal names, in the order of the rows below
    t        int64[m]        nanoseconds
    values   float64[s, m]   physical values, one contiguous row a signal; NaN where not GOOD or TWO_SENDERS
    quality  uint8[s, m]     Quality
    raw      tuple of s int64[m], uint64[m] or float64[m]: raw values as sent (unsigned, signed
             or IEEE float signals), 0 where MISSING; exact where float64 is not (above 2**53)
    rows     int64[m]        which rows of the decoded FrameBlock they were
    """

    message: MessagePlan
    bus: int
    names: tuple[str, ...]
    t: Ints
    values: Floats
    quality: Bytes
    raw: tuple[Ints | NDArray[np.uint64] | Floats, ...]
    rows: Ints

    def __post_init__(self) -> None:
        shape = (len(self.names), len(self.t))
        if self.values.shape != shape or self.quality.shape != shape:
            raise ValueError(f"SignalBlock: {self.values.shape} and {self.quality.shape}, expected {shape}")

    def __len__(self) -> int:
        return len(self.t)
