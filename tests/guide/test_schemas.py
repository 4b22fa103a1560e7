"""Every stored JSON of a command fits the schema of that command, and has no field that the schema lacks.

The library jsonschema judges; the documents are those that tests/stored keeps, so that nothing runs twice.
"""

import json

import jsonschema
import pytest
from command_line import run_command
from schema_judge import judge, misfits
from stored_outputs import command_lines, path

from mixmon.guide.topics import schema_names, schema_text


def given(name):
    """What a command gave on standard output; nothing where it refused."""
    return path(name).read_text(encoding="utf-8").split("--- output\n", 1)[1].split("--- talk", 1)[0]


STORED = {
    name: words
    for name, words in command_lines().items()
    if words[-1] == "--json" and path(name).exists() and given(name)
}


def document(name):
    return json.loads(given(name))


@pytest.mark.parametrize("name", STORED)
def test_what_a_command_gives_fits_its_schema(name):
    assert misfits(STORED[name][0], document(name)) == []


@pytest.mark.parametrize("command", schema_names())
def test_a_schema_is_one(command):
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_text(command)))


def test_every_command_with_json_has_a_schema():
    assert {words[0] for words in STORED.values()} <= set(schema_names())


@pytest.mark.parametrize(
    ("spoil", "where"),
    [
        (lambda balance: balance["cylinders"][0].pop("needs_percent"), ["cylinders", 0]),
        (
            lambda balance: balance["cylinders"][0].update(needs_percent="0.5"),
            ["cylinders", 0, "needs_percent"],
        ),
        (lambda balance: balance["log"].update(frames=1.5), ["log", "frames"]),
        (lambda balance: balance.update(format=1), ["format"]),
        (lambda balance: balance["notes"].append("text"), ["notes", 2]),
        (lambda balance: balance.update(more=1), []),
    ],
)
def test_a_document_that_is_spoilt_does_not_fit(spoil, where):
    balance = document("six balance json")
    balance["notes"] = balance["notes"][:2]
    spoil(balance)
    assert [list(error.absolute_path) for error in judge("balance").iter_errors(balance)] == [where]


def test_a_schema_is_printed_as_it_is():
    answer = run_command("guide", "json", "balance")
    assert json.loads(answer.out) == json.loads(schema_text("balance"))
    assert "`balance`" in run_command("guide", "json").out
