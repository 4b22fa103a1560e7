"""The law of chunks, checked the same way for every stage."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from itertools import pairwise
from typing import Any

import numpy as np


def splits(count: int, seed: int, most: int = 400) -> Iterator[list[slice]]:
    """Ways to cut `count` items: whole; one at a time, or in `most` pieces; at random, with empty ones."""
    chance = random.Random(seed)
    yield [slice(0, count)]
    one = max(1, count // most)
    yield [slice(i, min(i + one, count)) for i in range(0, count, one)]
    for _ in range(2):
        cuts = sorted(chance.choices(range(count + 1), k=chance.randint(1, 12)))
        yield [slice(a, b) for a, b in pairwise([0, 0, *cuts, count, count])]


def same_for_all_splits(
    count: int, run: Callable[[list[slice]], object], seed: int = 1, most: int = 400
) -> object:
    """What `run` gives for the whole; asserts that every other split gives equal bits.

    `most` is lower for whole analyses, each part of which is held to the law by a test of its own.
    """
    results = [run(pieces) for pieces in splits(count, seed, most)]
    for result in results[1:]:
        assert result == results[0]
    return results[0]


def everything(value: Any) -> str:
    """All that is in a value, to the last bit, where the `repr` of a result is a summary."""
    if is_dataclass(value) and not isinstance(value, type):
        inside = (
            f"{f.name}={everything(getattr(value, f.name))}" for f in fields(value) if f.name != "origin"
        )
        return f"{type(value).__name__}({', '.join(inside)})"
    if isinstance(value, np.ndarray) and value.dtype != object:
        return f"{value.dtype}{value.shape}{value.tolist()}"
    if isinstance(value, Mapping):
        return f"{{{', '.join(f'{key!r}: {everything(one)}' for key, one in value.items())}}}"
    if isinstance(value, tuple | list):
        return f"({', '.join(map(everything, value))})"
    return repr(value)
