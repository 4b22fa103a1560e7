"""All commands with their options: as a reference, as completion for three shells, and as a man page.

Everything here is made from the parsers that read the command line, so that none of it can say anything else.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from mixmon.guide.markdown import as_table


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument of a command.

    options  its names with their dashes; none where it goes by its place
    value    what stands for its value in help; empty where it takes none
    choices  words that its value may be; none where it is free
    """

    options: tuple[str, ...]
    value: str
    about: str
    choices: tuple[str, ...] = ()

    @property
    def written(self) -> str:
        """As it is written on a command line."""
        return " ".join(filter(None, [", ".join(self.options), self.value]))


@dataclass(frozen=True, slots=True)
class Command:
    """One command: its name, what it gives, its usage in one line, and its arguments.

    following  words that may follow a word of its own: the parts of a topic
    """

    name: str
    about: str
    usage: str
    arguments: tuple[Argument, ...]
    following: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def options(self) -> list[Argument]:
        """Those that go by name."""
        return [one for one in self.arguments if one.options]


def commands_text(commands: Sequence[Command], part: str | None, statuses: Mapping[int, str]) -> str:
    """The commands in short, or one in full."""
    if part is None:
        rows = [[f"`{one.name}`", one.about] for one in commands]
        return (
            "# Commands\n\n`mixmon guide commands COMMAND` has its options, as `mixmon COMMAND --help`.\n\n"
            + as_table(["command", "gives"], rows)
            + f"\n{statuses_text(statuses)}"
        )
    return "".join(_command_text(one) for one in commands if one.name == part)


def _command_text(command: Command) -> str:
    rows = [[f"`{one.written}`", one.about] for one in command.arguments]
    return (
        f"# mixmon {command.name}\n\n{command.about[0].upper()}{command.about[1:]}.\n\n"
        f"`{command.usage}`\n\n" + as_table(["argument", "meaning"], rows)
    )


def statuses_text(statuses: Mapping[int, str]) -> str:
    """What exit statuses mean."""
    rows = [[str(status), meaning] for status, meaning in statuses.items()]
    return (
        "## Exit statuses\n\n" + as_table(["status", "means"], rows) + "\n"
        "Status 1 needs a limit that was asked for, such as `--max-spread`, `--complete` or `--strict`; "
        "without one a finding of any size is 0. With status 2 one line on standard error says where, what "
        "was found, what was expected and what to do.\n"
    )


# Completion. The scripts hold words alone and start nothing, so that the tab key answers at once.

_TAKES_COMMANDS: Final = "help"

_KEPT_IN: Final = {
    "bash": "~/.local/share/bash-completion/completions/mixmon",
    "zsh": "~/.zfunc/_mixmon",
    "fish": "~/.config/fish/completions/mixmon.fish",
}
"""Where each shell looks for scripts of one's own; for zsh a folder that `fpath` has to name."""


def _keeping(shell: str) -> str:
    """The command that keeps the script of a shell."""
    return f"mixmon guide completion {shell} > {_KEPT_IN[shell]}"


def _words_of_bash(command: Command) -> str:
    names = " ".join(name for one in command.options for name in one.options)
    cases = "".join(
        f"                {'|'.join(one.options)}) words='{' '.join(one.choices)}' ;;\n"
        for one in command.options
        if one.choices
    ) + "".join(
        f"                {word}) words='{' '.join(words)}' ;;\n" for word, words in command.following.items()
    )
    places = " ".join(word for one in command.arguments if not one.options for word in one.choices)
    return (
        f"        {command.name})\n            options='{names}'\n            places='{places}'\n"
        f'            case "$before" in\n{cases}                *) ;;\n            esac ;;\n'
    )


def bash_completion(commands: Sequence[Command]) -> str:
    """Completion for bash: commands, options, words of options and places, else files."""
    names = " ".join(one.name for one in commands)
    return (
        "# Completion of mixmon for bash. To keep it:\n"
        f"#   {_keeping('bash')}\n"
        "_mixmon() {\n"
        '    local word="${COMP_WORDS[COMP_CWORD]}" before="${COMP_WORDS[COMP_CWORD-1]}"\n'
        "    local options= places= words=\n"
        "    COMPREPLY=()\n"
        "    if (( COMP_CWORD == 1 )); then\n"
        f"        COMPREPLY=($(compgen -W '{names} {_TAKES_COMMANDS}' -- \"$word\"))\n"
        "        return\n    fi\n"
        '    case "${COMP_WORDS[1]}" in\n'
        + "".join(_words_of_bash(one) for one in commands)
        + f"        {_TAKES_COMMANDS}) words='{names}' ;;\n"
        "    esac\n"
        '    if [[ -n "$words" ]]; then\n'
        '        COMPREPLY=($(compgen -W "$words" -- "$word"))\n'
        '    elif [[ "$word" == -* ]]; then\n'
        '        COMPREPLY=($(compgen -W "$options" -- "$word"))\n'
        '    elif [[ -n "$places" ]]; then\n'
        '        COMPREPLY=($(compgen -W "$places" -- "$word"))\n'
        "    fi\n}\n"
        "complete -o default -F _mixmon mixmon\n"
    )


def _quote_zsh(text: str) -> str:
    """Text within the description of an argument, within single quotes."""
    return re.sub(r"([\[\]:\\])", r"\\\1", text).replace("'", "'\\''")


def _zsh_arguments(command: Command) -> str:
    specs = []
    for one in command.options:
        value = ""
        if one.value:
            value = f":{_quote_zsh(one.value)}:" + (f"({' '.join(one.choices)})" if one.choices else "_files")
        names = f"({' '.join(one.options)})"
        specs += [f"'{names}{name}[{_quote_zsh(one.about)}]{value}'" for name in one.options]
    places = [word for one in command.arguments if not one.options for word in one.choices]
    if command.following:
        parts = dict.fromkeys(word for words in command.following.values() for word in words)
        specs += [f"'1:word:({' '.join(places)})'", f"'2:word:({' '.join(parts)})'"]
    else:
        specs.append(f"'*:word:({' '.join(places)})'" if places else "'*:file:_files'")
    return "".join(f" \\\n            {spec}" for spec in specs)


def zsh_completion(commands: Sequence[Command]) -> str:
    """Completion for zsh, with what each command and option is for."""
    listed = "".join(f"        '{one.name}:{_quote_zsh(one.about)}'\n" for one in commands)
    cases = "".join(f"        {one.name}) _arguments{_zsh_arguments(one)} ;;\n" for one in commands)
    return (
        "#compdef mixmon\n"
        "# Completion of mixmon for zsh. To keep it, in a folder of $fpath:\n"
        f"#   {_keeping('zsh')}\n"
        "_mixmon() {\n"
        f"    local -a commands\n    commands=(\n{listed}    )\n"
        "    if (( CURRENT == 2 )); then\n        _describe command commands\n        return\n    fi\n"
        "    local command=$words[2]\n"
        "    shift words\n    (( CURRENT-- ))\n"
        f'    case "$command" in\n{cases}    esac\n}}\n'
        'if [[ "$funcstack[1]" == _mixmon ]]; then\n    _mixmon "$@"\nelse\n    compdef _mixmon mixmon\nfi\n'
    )


def _quote_fish(text: str) -> str:
    return text.replace("\\", "\\\\").replace("'", "\\'")


_QUOTE: Final = "'"


def _fish_lines(command: Command) -> str:
    lines = []
    seen = f"complete -c mixmon -n '__fish_seen_subcommand_from {command.name}'"
    for one in command.options:
        names = "".join(
            f" -{'l' if name.startswith('--') else 's'} {name.lstrip('-')}" for name in one.options
        )
        value = f" -x -a '{' '.join(one.choices)}'" if one.choices else " -r" if one.value else ""
        lines.append(f"{seen}{names}{value} -d '{_quote_fish(one.about)}'\n")
    places = [word for one in command.arguments if not one.options for word in one.choices]
    if places:
        lines.append(f"{seen} -f -a '{' '.join(places)}'\n")
    lines += [
        f"{seen.removesuffix(_QUOTE)}; and __fish_seen_subcommand_from {word}' -f -a '{' '.join(words)}'\n"
        for word, words in command.following.items()
    ]
    return "".join(lines)


def fish_completion(commands: Sequence[Command]) -> str:
    """Completion for fish, with what each command and option is for."""
    return (
        "# Completion of mixmon for fish. To keep it:\n"
        f"#   {_keeping('fish')}\n"
        + "".join(
            f"complete -c mixmon -f -n __fish_use_subcommand -a {one.name} -d '{_quote_fish(one.about)}'\n"
            for one in commands
        )
        + "".join(_fish_lines(one) for one in commands)
    )


COMPLETIONS: Final[Mapping[str, Callable[[Sequence[Command]], str]]] = {
    "bash": bash_completion,
    "zsh": zsh_completion,
    "fish": fish_completion,
}
"""Shells, and what makes the script of each."""


def completion_text(commands: Sequence[Command], shell: str | None) -> str:
    """The script of one shell; without one, how to ask for it."""
    if shell is not None:
        return COMPLETIONS[shell](commands)
    scripts = "".join(f"{_keeping(name)}\n" for name in COMPLETIONS)
    return f"# Completion\n\nThe script of your shell, kept where it looks for it:\n\n```text\n{scripts}```\n"


# The man page: the macros of man(7), which every roff has.


def _roff(text: str) -> str:
    """Text with what roff would take for its own."""
    text = text.replace("\\", "\\e").replace("-", "\\-")
    return "".join(f"\\&{line}\n" if line[:1] in {".", "'"} else f"{line}\n" for line in text.splitlines())


def man_page(commands: Sequence[Command], statuses: Mapping[int, str], version: str) -> str:
    """mixmon(1): `mixmon guide man > ~/.local/share/man/man1/mixmon.1`."""
    parts = [
        f'.TH MIXMON 1 "" "mixmon {version}"\n.SH NAME\n',
        _roff("mixmon - which cylinder needs how much fuel, from one oxygen sensor in every exhaust primary"),
        ".SH SYNOPSIS\n.B mixmon\n.I COMMAND\n[options]\n.SH DESCRIPTION\n",
        _roff("Results go to standard output, talk to standard error. mixmon guide: the guide, offline."),
        ".PP\n",
        _roff("mixmon watches. It does not protect the engine."),
        ".SH COMMANDS\n",
    ]
    for one in commands:
        parts += [f'.SS "mixmon {one.name}"\n', _roff(one.about)]
        parts += [f".TP\n.B {_roff(argument.written)}{_roff(argument.about)}" for argument in one.arguments]
    parts.append(".SH EXIT STATUS\n")
    parts += [f".TP\n.B {status}\n{_roff(meaning)}" for status, meaning in statuses.items()]
    return "".join(parts)
