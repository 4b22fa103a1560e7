"""mixmon guide: the guide and the references, offline, laid out for the terminal."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping
from functools import cache
from importlib.metadata import version
from typing import Final

from mixmon.cli.console import result
from mixmon.cli.main import COMMANDS, DONE, EXIT_STATUSES, parser_of
from mixmon.cli.options import add_json
from mixmon.errors import UsageError, nearest
from mixmon.guide.commands import (
    COMPLETIONS,
    Argument,
    Command,
    commands_text,
    completion_text,
    man_page,
    statuses_text,
)
from mixmon.guide.keys import key_parts, keys_text
from mixmon.guide.markdown import laid_out
from mixmon.guide.topics import (
    WRITTEN,
    WRITTEN_REFERENCES,
    Topic,
    find_places,
    glossary_topic,
    part_not_found,
    places_text,
    schemas_topic,
    topics_text,
    written_topic,
)
from mixmon.report.text import to_json
from mixmon.simulate.load import scenario_names


def configure(parser: argparse.ArgumentParser) -> None:
    """TOPIC, and a part of it."""
    parser.add_argument(
        "topic",
        metavar="TOPIC",
        nargs="?",
        help="a topic, or a command, a session key or a word to look up; without it, the list of topics",
    )
    parser.add_argument(
        "part", metavar="PART", nargs="?", help="a part of a topic, such as the name of a key"
    )
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Prints the topic, its Markdown as JSON, or the list of topics."""
    topics = guide_topics()
    name, part = _look_up(arguments.topic, arguments.part, topics)
    if name is None and part is None:
        text, as_is = topics_text(topics), False
    elif name is None:
        text, as_is = places_text(part or "", _entries(topics)), False
    else:
        text, as_is = topics[name].write(part), topics[name].is_for_a_program(part)
    if arguments.json:
        result(to_json({"topic": name, "part": part, "topics": list(topics), "text": text}))
    else:
        result(text if as_is else laid_out(text))
    return DONE


def guide_topics() -> dict[str, Topic]:
    """Every topic by its name, in the order of the list."""
    return {
        **{name: written_topic(name, about) for name, about in WRITTEN.items()},
        "keys": Topic(
            "keys of the session file: values, unit, default, who reads them", keys_text, key_parts
        ),
        "commands": Topic(
            "commands and their options",
            lambda part: commands_text(described_commands(), part, EXIT_STATUSES),
            lambda: COMMANDS,
        ),
        "statuses": Topic("exit statuses", lambda _: statuses_text(EXIT_STATUSES)),
        "json": schemas_topic("fields of --json: a JSON Schema for each command"),
        **_code_topics(),
        "glossary": glossary_topic(WRITTEN_REFERENCES["glossary"]),
        **{name: written_topic(name, WRITTEN_REFERENCES[name]) for name in ("sources", "changes")},
        "completion": Topic(
            f"completion of the command line: {', '.join(COMPLETIONS)}",
            lambda part: completion_text(described_commands(), part),
            lambda: COMPLETIONS,
            as_is=True,
        ),
        "man": Topic(
            "the man page, for man(1)",
            lambda _: man_page(described_commands(), EXIT_STATUSES, version("mixmon")),
            as_is=True,
        ),
    }


def _code_topics() -> dict[str, Topic]:
    """Topics written from parts of the program that take time to load."""

    def alarms(_: str | None) -> str:
        from mixmon.guide.references import alarms_text

        return alarms_text()

    def run_folder(_: str | None) -> str:
        from mixmon.guide.references import run_folder_text

        return run_folder_text()

    def python(part: str | None) -> str:
        from mixmon.guide.references import python_text

        return python_text(part)

    def names() -> list[str]:
        import mixmon

        return list(mixmon.__all__)

    return {
        "alarms": Topic("conditions of alarms: kinds of limit, when, suppress_when", alarms),
        "run-folder": Topic("the folder of a run, file by file", run_folder),
        "python": Topic("every public name of the package", python, names),
    }


_LOOKED_UP: Final = ("commands", "keys", "glossary", "python")
"""Topics whose parts are looked up by their names alone."""


def _entries(topics: Mapping[str, Topic]) -> dict[str, None]:
    """Every word that has an entry, once."""
    return dict.fromkeys([*topics, *(part for name in _LOOKED_UP for part in topics[name].parts())])


def _look_up(
    word: str | None, part: str | None, topics: Mapping[str, Topic]
) -> tuple[str | None, str | None]:
    """Topic and part that two words mean; a topic first, then whatever has a part of that name.

    No topic and a part: a word that only stands in the texts.

    Raises:
        UsageError: there is nothing of that name.
    """
    if word is None:
        return None, None
    if word in topics:
        if part is None or part in topics[word].parts():
            return word, part
        raise part_not_found(word, part, nearest(part, topics[word].parts()))
    for name in _LOOKED_UP:
        if part is None and word in topics[name].parts():
            return name, word
    if part is None and find_places(word):
        return None, word
    raise UsageError(
        f"mixmon guide: found {word!r}; expected a topic, a command, a key or a word; "
        f"{nearest(word, _entries(topics))}mixmon guide lists the topics"
    )


@cache
def described_commands() -> tuple[Command, ...]:
    """Every command as its parser has it."""
    return tuple(_described_command(name, about) for name, about in COMMANDS.items())


def _described_command(name: str, about: str) -> Command:
    parser = parser_of(name)
    arguments = []
    for action in parser.actions():
        text = (action.help or "") % {**vars(action), "prog": parser.prog}
        choices = _offered_words(name, action)
        arguments.append(Argument(tuple(action.option_strings), _value_of(action), text, choices))
    usage = " ".join(parser.format_usage().removeprefix("usage: ").split())
    return Command(name, about, usage, tuple(arguments), _parts_of_topics() if name == "guide" else {})


_PLAIN_WORD: Final = re.compile(r"[a-z]+")


def _offered_words(command: str, action: argparse.Action) -> tuple[str, ...]:
    """Words that an argument may be: all, or those among which anything else may stand as well."""
    if action.choices is not None:
        return tuple(map(str, action.choices))
    if (command, action.dest) == ("guide", "topic"):
        return (*guide_topics(), *COMMANDS)
    if (command, action.dest) == ("simulate", "scenario"):
        return tuple(scenario_names())
    if isinstance(action.metavar, str) and "|" in action.metavar:
        return tuple(filter(_PLAIN_WORD.fullmatch, action.metavar.split("|")))
    return ()


def _parts_of_topics() -> dict[str, tuple[str, ...]]:
    """The parts of each topic; of the glossary none, as its words have blanks."""
    parts = {name: tuple(topic.parts()) for name, topic in guide_topics().items() if name != "glossary"}
    return {name: words for name, words in parts.items() if words}


def _value_of(action: argparse.Action) -> str:
    """What stands for the value of an argument in its help; empty where it takes none."""
    if action.nargs == 0:
        return ""
    if action.metavar is not None:
        value = action.metavar if isinstance(action.metavar, str) else " ".join(action.metavar)
    elif action.choices is not None:
        value = f"{{{','.join(map(str, action.choices))}}}"
    else:
        value = action.dest.upper()
    return f"{value} ..." if action.nargs in {"*", "+"} else value
