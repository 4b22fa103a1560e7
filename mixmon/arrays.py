"""The array types of all columns, and the unit of all times."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

Times = NDArray[np.int64]
"""Moments or lengths of time in whole nanoseconds."""

SECOND_NS: Final = 1_000_000_000
"""Nanoseconds in a second."""

DATED_FROM_NS: Final = 946_684_800 * SECOND_NS
"""Stamps before the year 2000 count from a start of their own, and are no date: our choice."""
