"""What the program says about a result: a code that a script can match, and the values beside it.

A note holds no English. `report/words` has one sentence for every code, so that a text can be bettered
or translated without touching what was found.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

Value = float | int | str | tuple[int | float | str | tuple[int, ...], ...] | None


class NoteCode(StrEnum):
    """Base of the codes of a room; a room derives its own, whose values are what scripts match."""


@dataclass(frozen=True, slots=True)
class Note:
    """One thing to know about a result.

    code    member of a room's own `NoteCode`
    values  the numbers and names that its sentence needs, in the order of the JSON object
    """

    code: NoteCode
    values: tuple[tuple[str, Value], ...] = ()


def note(code: NoteCode, **values: Value) -> Note:
    """A note of that code with its values by name."""
    return Note(code, tuple(values.items()))
