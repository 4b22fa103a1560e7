"""What a table is: its fields, each with its unit, and columns of values.

A column is one of four kinds, and says by its kind where nothing is known:

    number  float64[k], NaN
    whole   int64[k], or a list with None
    word    `Words`, an index below zero
    text    a list with None
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from numpy.typing import NDArray


class ColumnKind(StrEnum):
    """What the values of a column are."""

    NUMBER = "number"
    WHOLE = "whole"
    WORD = "word"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class TableField:
    """One column of a table.

    about  what its values are, in words
    words  of a column of words: those that can stand in it, where they are known beforehand
    """

    name: str
    kind: ColumnKind = ColumnKind.NUMBER
    unit: str = ""
    about: str = ""
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """A column of words: int[k], each an index into `words`; below zero where there is none."""

    index: NDArray[Any]
    words: Sequence[str]


Columns = Mapping[str, Any]
"""The columns of some rows, by the names of the fields."""


@dataclass(frozen=True, slots=True)
class TableForm:
    """A table without its values.

    of_time  its first field is the time of each row, in seconds from the log's first frame
    """

    name: str
    fields: tuple[TableField, ...]
    about: str
    of_time: bool


NO, YES = 0, 1
NO_YES = ("no", "yes")
"""The words of a column that is true or false, by their index."""
