"""A question on the last line, and the answer as it is typed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from mixmon.dashboard.view_text import Row, clean, fit_row
from mixmon.dashboard.view_text import width as cells


class Asked(Enum):
    """What the answer is for."""

    NOTE = "note"
    SHELVE = "shelve"
    SERVICE = "out of service"
    FIND = "find"
    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"
    RECORD_OFF = "record off"
    LEAVE = "leave"


LONGEST = 200


@dataclass(frozen=True, slots=True)
class Prompt:
    """A question; `typed` is the answer so far. Without `words`, y alone means yes."""

    asked: Asked
    question: str
    words: bool = True
    typed: str = ""

    def press(self, key: str) -> Prompt:
        """The answer with one more key, or one less."""
        if key == "backspace":
            return replace(self, typed=self.typed[:-1])
        if key == "ctrl+u":
            return replace(self, typed="")
        if len(key) == 1 and key.isprintable() and len(self.typed) < LONGEST:
            return replace(self, typed=self.typed + key)
        return self


def prompt_row(prompt: Prompt, width: int) -> Row:
    """Question and answer; of a long answer the end is seen."""
    asked = clean(prompt.question)
    if not prompt.words:
        return fit_row([(f" {asked}  y yes, any other key no", "prompt")], width, "prompt")
    question, hint = f" {asked}: ", "  enter keeps, esc leaves "
    typed = clean(prompt.typed)
    room = width - cells(question) - 1
    if cells(typed) + cells(hint) > room:
        hint = ""
    while typed and cells(typed) > room:
        typed = typed[1:]
    return fit_row([(f"{question}{typed}_", "prompt"), (hint, "prompt")], width, "prompt")


def message_row(words: str, width: int) -> Row:
    """What the program answers to a key."""
    return fit_row([(f" {clean(words)}", "prompt")], width, "prompt")
