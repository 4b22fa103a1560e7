"""Findings as JSON: one object, stable order, nothing that JSON cannot say."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from enum import Enum
from pathlib import PurePath
from typing import Any

FORMAT = 1
"""Goes up when a field is renamed or changes its meaning, never when one is added."""


def to_json(findings: Mapping[str, Any]) -> str:
    r"""The findings as one line of JSON that begins with its format number.

    Keys keep the order in which they were put in; the text is ASCII, so that the bytes do not
    depend on the terminal. NaN and infinities have no name in JSON (RFC 8259, section 6) and
    become null.

    >>> to_json({"rate_hz": 100.0, "gap_s": float("nan")})
    '{"format": 1, "rate_hz": 100.0, "gap_s": null}\n'
    """
    return json.dumps(plain({"format": FORMAT, **findings}), allow_nan=False) + "\n"


def plain(value: Any) -> Any:
    """The value in JSON's own types: records become objects, arrays lists, states their names.

    Raises:
        TypeError: a value of a type that nobody thought of.
    """
    if isinstance(value, Enum):
        return value.name.lower().replace("_", " ")
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, (int, float)):
        return value if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # NumPy's arrays and scalars, without importing NumPy for them
        return plain(value.tolist())
    return _plain_compound(value)


def _plain_compound(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, PurePath):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no form in JSON")
