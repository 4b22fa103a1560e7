"""The newest rows of a stretch of time, addressed by their number from its first row.

A stage that finds something looks back at rows it has let pass. Here it asks for them by
number, and what it gets does not depend on the blocks in which they came.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

Columns = Mapping[str, NDArray[Any]]


class Recent:
    """Keeps columns by reference, block by block, until they are forgotten.

    end  number of the row that comes next
    """

    def __init__(self) -> None:
        self.end = 0
        self._blocks: list[tuple[int, Columns]] = []

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the columns."""
        return tuple(self._blocks[0][1])

    def add(self, columns: Columns, count: int) -> None:
        """Takes the next `count` rows, each column [count] or [count, n]."""
        self._blocks.append((self.end, columns))
        self.end += count

    def forget(self, before: int) -> None:
        """Lets go of rows below that number, where whole blocks of them are left."""
        while len(self._blocks) > 1 and self._blocks[1][0] <= before:
            del self._blocks[0]

    def part(self, begin: int, end: int) -> Recent:
        """A copy of the rows begin..end-1 alone, with all columns and under the same numbers."""
        part = Recent()
        part.end = begin
        part.add({name: self.rows(name, begin, end).copy() for name in self._blocks[0][1]}, end - begin)
        return part

    def rows(self, name: str, begin: int, end: int) -> NDArray[Any]:
        """One column of the rows begin..end-1, which must not have been forgotten.

        >>> recent = Recent()
        >>> recent.add({"t": np.array([5, 6])}, 2)
        >>> recent.add({"t": np.array([7])}, 1)
        >>> recent.rows("t", 1, 3).tolist()
        [6, 7]
        """
        assert begin >= self._blocks[0][0] or begin >= end, "rows that were forgotten"
        parts = []
        for first, columns in self._blocks:
            column = columns[name]
            part = column[max(begin - first, 0) : max(end - first, 0)]
            if len(part):
                parts.append(part)
        if not parts:
            return self._blocks[0][1][name][:0]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)
