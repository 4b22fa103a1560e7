"""What the formulas of this room take and give: one number, or an array of them.

A function that is given a float gives a float; given an array it gives a new float64 array
of the same shape and leaves the one it was given alone. NaN stays NaN, and what is beyond the
range of numbers becomes an infinity or NaN: the result says so itself, so NumPy is kept silent.
What runs on streams of samples uses + - * / and square roots only, so that an element comes out
the same to the last bit wherever it stands in whatever array.
"""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from mixmon.errors import RangeError

FloatArray = NDArray[np.float64]
Quantity = TypeVar("Quantity", float, FloatArray)


def as_given(given: Quantity, value: Any) -> Quantity:
    """`value` in the form of `given`: a float for a float, else the array."""
    if isinstance(given, (int, float)):
        return float(value)
    return np.asarray(value, np.float64)


def need_not_negative(where: str, name: str, value: float) -> None:
    """Nothing, for a parameter that is zero or more.

    Raises:
        RangeError: it is negative or not a number.
    """
    if not value >= 0.0:
        raise RangeError(f"{where}: {name} = {value:g}; expected zero or more; check the setting")


def need_positive(where: str, name: str, value: float) -> None:
    """Nothing, for a parameter above zero.

    Raises:
        RangeError: it is zero, negative or not a number.
    """
    if not value > 0.0:
        raise RangeError(f"{where}: {name} = {value:g}; expected more than zero; check the setting")
