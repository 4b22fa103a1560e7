"""English for the codes of notes: one sentence for each, and nothing else decides about words.

A sentence is a text with `{name}` for each value of the note, or a function of the values where the
words depend on them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from mixmon.note import Note, NoteCode

Sentence = str | Callable[[Mapping[str, Any]], str]

SENTENCES: Final[dict[NoteCode, Sentence]] = {}
"""One sentence for every code; a test looks for codes that have none."""


def sentence(told: Note) -> str:
    """The English of a note.

    Raises:
        KeyError: a code without a sentence.
    """
    words, values = SENTENCES[told.code], dict(told.values)
    return words.format_map(values) if isinstance(words, str) else words(values)


def note_object(told: Note) -> dict[str, Any]:
    """The note as JSON's object: code, text, and its values by name."""
    return {"code": told.code.value, "text": sentence(told), **dict(told.values)}
