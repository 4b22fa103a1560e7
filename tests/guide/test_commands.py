"""Completion and the man page: they hold what the parsers hold, and bash takes its script."""

import re
import subprocess

import pytest

from mixmon.cli.guide import described_commands
from mixmon.cli.main import COMMANDS, EXIT_STATUSES
from mixmon.guide.commands import bash_completion, commands_text, fish_completion, man_page, zsh_completion

ALL = described_commands()
OPTIONS = [(one.name, option) for one in ALL for argument in one.options for option in argument.options]


def test_every_command_is_described_with_its_options():
    assert [one.name for one in ALL] == list(COMMANDS)
    assert {("balance", "--max-spread"), ("watch", "--interface"), ("identify", "--plan")} <= set(OPTIONS)
    for name, option in OPTIONS:
        assert option in commands_text(ALL, name, EXIT_STATUSES)


ASKED = {
    "bal": "balance",
    "balance --against ": "peers target",
    "balance --max": "--max-spread",
    "convert ": "lambda phi afr oxygen dry-oxygen five-gas",
    "guide first": "first-day",
    "guide json bal": "balance",
    "guide completion ": "bash zsh fish",
    "export --to ": "csv parquet mdf candump",
    "simulate --scenario pl": "plain",
    "help cens": "census",
    "census exam": "",  # files, by bash itself
}


@pytest.fixture(scope="module")
def offered():
    """What bash offers for each line: one process for all of them."""
    asks = ""
    for line in ASKED:
        begun = "''" if line.endswith(" ") else ""
        asks += f"COMP_WORDS=(mixmon {line}{begun}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); _mixmon\n"
        asks += 'echo "${COMPREPLY[*]}"\n'
    script = f"{bash_completion(ALL)}\n{asks}"
    ran = subprocess.run(["bash", "--norc", "-c", script], capture_output=True, text=True, check=True)
    assert ran.stderr == ""
    return dict(zip(ASKED, ran.stdout.splitlines(), strict=True))


@pytest.mark.parametrize("line", ASKED)
def test_bash_offers_what_the_parsers_take(line, offered):
    assert offered[line] == ASKED[line]


@pytest.mark.parametrize("made", [zsh_completion, fish_completion])
def test_the_other_shells_get_every_command_and_option(made):
    text = made(ALL)
    for name in COMMANDS:
        assert re.search(rf"\b{name}\b", text)
    for _, option in OPTIONS:
        assert re.search(rf"{option}\b|-[ls] {option.lstrip('-')}\b", text)
    for line in text.splitlines():
        assert line.replace("'\\''", "").replace("\\'", "").count("'") % 2 == 0, line


def test_the_man_page_has_every_option_and_no_line_that_roff_takes_for_a_request():
    page = man_page(ALL, EXIT_STATUSES, "0")
    assert page.startswith(".TH MIXMON 1")
    for _, option in OPTIONS:
        assert option.replace("-", "\\-") in page
    assert {line.split()[0] for line in page.splitlines() if line[:1] == "."} == {
        ".TH",
        ".SH",
        ".SS",
        ".TP",
        ".B",
        ".I",
        ".PP",
    }
