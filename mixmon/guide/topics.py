"""The topics of the guide: which there are, what each is about, and the texts that are written by hand."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from mixmon.errors import UsageError, nearest
from mixmon.guide.markdown import as_table
from mixmon.report.text import paragraph

_FOLDER: Final = Path(__file__).parent

WRITTEN: Final = {
    "first-day": "the first day: without an engine, then at the dyno, in order",
    "own-engine": "a session file for your engine: cells, trims, low flow, limits",
    "own-dbc": "your own message definitions: buses, signals, what has to be mapped",
    "chain": "setting up the chain: sensors, power, bus; reading the census",
    "pull": "reading a pull, and what to think of what it shows",
    "fooled": "what fools the number: reading, truth, what to do",
    "when": "what to do when: alarms, silence, withheld trims, full disks",
    "hand-over": "handing over the result: one page to print and sign, and what stands in it",
    "scripts": "in a script: JSON, exit statuses, Python",
}
"""Topics that are texts, in the order of a newcomer; each is a file of that name in this folder."""

WRITTEN_REFERENCES: Final = {
    "glossary": "every word as it is used here",
    "sources": "what numbers and methods rest on",
    "changes": "what is new",
}
"""The same for what is looked up."""


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic.

    write    its text, or that of one part of it
    parts    names of parts that can be asked for
    as_is    the text of its parts, or its own where it has none, is for a program
    """

    about: str
    write: Callable[[str | None], str]
    parts: Callable[[], Iterable[str]] = tuple
    as_is: bool = False

    def is_for_a_program(self, part: str | None) -> bool:
        """Whether the text is printed as it is: neither laid out nor broken into lines."""
        return self.as_is and (part is not None or not any(True for _ in self.parts()))


def written_text(name: str) -> str:
    """The Markdown of a text that is written by hand."""
    return (_FOLDER / f"{name}.md").read_text(encoding="utf-8")


def written_topic(name: str, about: str) -> Topic:
    """A text that is written by hand."""
    return Topic(about, lambda _: written_text(name))


def glossary_topic(about: str) -> Topic:
    """The glossary, or those of its words in which a part stands."""

    def write(part: str | None) -> str:
        text = written_text("glossary")
        if part is None:
            return text
        head, rule, *rows = [line for line in text.splitlines() if line.startswith("|")]
        return "\n".join([head, rule, *[row for row in rows if part in _words_of(row)]]) + "\n"

    return Topic(about, write, lambda: (word for row in _glossary_rows() for word in _words_of(row)))


def _glossary_rows() -> list[str]:
    return [line for line in written_text("glossary").splitlines() if line.startswith("|")][2:]


def _words_of(row: str) -> list[str]:
    """The words that a row of the glossary explains."""
    return [word.strip() for word in row.split("|")[1].split(",")]


# The schemas of what commands give with --json; tools/make_schemas.py writes them from the code.

_SCHEMAS: Final = _FOLDER / "schemas"


def schema_names() -> list[str]:
    """Commands whose JSON has a schema."""
    return sorted(path.stem for path in _SCHEMAS.glob("*.json"))


def schema_text(command: str) -> str:
    """The JSON Schema of what a command gives with --json."""
    return (_SCHEMAS / f"{command}.json").read_text(encoding="utf-8")


def schemas_topic(about: str) -> Topic:
    """The schemas of all commands: their fields in short, or one schema as it is."""

    def write(part: str | None) -> str:
        if part is not None:
            return schema_text(part)
        rows = [
            [f"`{name}`", ", ".join(_fields_of(json.loads(schema_text(name))))] for name in schema_names()
        ]
        return (
            "# JSON\n\n`--json` gives one object on one line. `format` goes up when a field is renamed or "
            "changes its meaning, never when one is added. Numbers may be null: NaN has no name in JSON. "
            "`mixmon guide json COMMAND` is a JSON Schema (draft 2020-12) with every field.\n\n"
            + as_table(["command", "fields"], rows)
        )

    return Topic(about, write, schema_names, as_is=True)


def _fields_of(schema: Mapping[str, Any]) -> dict[str, None]:
    """The fields of an object, of all its shapes."""
    shapes = schema.get("anyOf", [schema])
    return dict.fromkeys(name for shape in shapes for name in shape["properties"])


def topics_text(topics: Mapping[str, Topic]) -> str:
    """The list of topics, in Markdown."""
    rows = [[f"`{name}`", topic.about] for name, topic in topics.items()]
    return (
        "# The guide\n\n"
        "`mixmon guide TOPIC` shows a topic; `mixmon guide WORD` looks up a command, a session key or a "
        "word. `mixmon guide TOPIC | less` turns pages.\n\n" + as_table(["topic", "about"], rows)
    )


_FEWEST_LETTERS: Final = 3  # our choice: shorter ones stand everywhere


def find_places(word: str) -> list[tuple[str, str]]:
    """Topics and lines of the texts in which a word stands, whatever its case, the texts in their order."""
    if len(word) < _FEWEST_LETTERS:
        return []
    sought = re.compile(rf"(?<!\w){re.escape(word)}(?!\w)", re.IGNORECASE)
    return [
        (name, " ".join(line.split()))
        for name in (*WRITTEN, *WRITTEN_REFERENCES)
        for line in _sentences_of(written_text(name))
        if sought.search(line)
    ]


def _sentences_of(text: str) -> list[str]:
    """Paragraphs, points and rows of tables; what is to be typed is none of them."""
    texts = re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    pieces = re.split(r"\n\s*\n|\n(?=- |\d+\. |\|)", texts)
    return [
        ": ".join(filter(None, map(str.strip, piece.strip().lstrip("- |").rstrip("|").split("|"))))
        for piece in pieces
    ]


def places_text(word: str, known: Iterable[str]) -> str:
    """Where a word stands that has no entry of its own, in Markdown; `known` have one."""
    rows = [[f"`{name}`", line] for name, line in find_places(word)]
    near = f"No entry of its own; {nearest(word, known)}it stands here:"
    return f"# {word}\n\n{near}\n\n{as_table(['topic', 'line'], rows)}"


def part_not_found(name: str, part: str, guess: str) -> UsageError:
    """The refusal of a part that a topic does not have."""
    found = f"mixmon guide {name}: found {paragraph(part, 10_000).strip()!r}"
    return UsageError(f"{found}; expected one of its parts; {guess}mixmon guide {name} shows all of it")
