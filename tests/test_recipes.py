"""The recipes of DEVELOPERS.md name every file that has to be touched, by an example of each kind."""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from mixmon.cli.main import COMMANDS
from mixmon.dashboard.keys import Page
from mixmon.findings.events.event import Kind
from mixmon.frames.adapters.interfaces import ADAPTERS
from mixmon.session.alarm_kinds import ALARM_KINDS

ROOT = Path(__file__).parents[1]
FAMILIES = {
    "a stage": (),  # no list of them: the example alone
    "a command": COMMANDS,
    "a kind of alarm": ALARM_KINDS,
    "an adapter": ADAPTERS,
    "a screen": [f"Page.{page.name}" for page in Page],
    "a session key": (),  # tests/session/test_readers.py lists them all
    "a kind of event": [kind.name for kind in Kind],
}
"""What can be added, and the names of all that are there."""


@dataclass(frozen=True)
class Recipe:
    """One row of the table; files by their paths from the repository's root.

    adds      the kind of thing
    always    files touched for each of the kind
    modules   those of them that are the example's own
    here      files in which this example has its effect
    """

    adds: str
    always: frozenset[str]
    modules: frozenset[str]
    here: frozenset[str]
    pattern: str
    test: str


def recipes() -> list[Recipe]:
    """The rows of the table under the heading "Recipes"."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("\n## Recipes\n", 1)[1].split("\n## ", 1)[0]
    lines = [line for line in section.splitlines() if line.startswith("| ")][2:]
    rows = [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]] for line in lines]
    return [
        Recipe(
            adds,
            _files_in(always),
            _files_in(" ".join(re.findall(r"its module[^`]*`[^`]+`", always))),
            _files_in(here),
            pattern.strip("`").replace("\\|", "|"),
            test.strip("`"),
        )
        for adds, always, here, pattern, test in rows
    ]


def _files_in(cell: str) -> frozenset[str]:
    """Files named in a cell; what has no extension is a folder or a word."""
    named = [name for name in re.findall(r"`([^`]+)`", cell) if Path(name).suffix]
    return frozenset(name if (ROOT / name).exists() else f"mixmon/{name}" for name in named)


@functools.cache
def texts() -> dict[str, str]:
    """Everything that is searched, by its path: the package, its examples and README.md."""
    files = [ROOT / "README.md"]
    for top in ("mixmon", "examples"):
        files += [path for path in (ROOT / top).rglob("*") if path.suffix in {".py", ".toml"}]
    return {path.relative_to(ROOT).as_posix(): path.read_text(encoding="utf-8") for path in files}


def files_that_mention(pattern: str) -> set[str]:
    """Files in which the pattern is found."""
    return {path for path, text in texts().items() if re.search(pattern, text)}


def test_there_is_a_recipe_for_every_kind_of_thing_that_is_added():
    assert [recipe.adds for recipe in recipes()] == list(FAMILIES)


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.adds)
def test_a_recipe_names_every_file_that_mentions_its_example_and_no_other(recipe):
    assert recipe.always
    assert recipe.always | recipe.here == files_that_mention(recipe.pattern)


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.adds)
def test_the_files_touched_in_every_case_mention_all_of_the_kind(recipe):
    for name in FAMILIES[recipe.adds]:
        word = re.compile(rf"\b{re.escape(name)}\b")
        for path in recipe.always - recipe.modules:
            assert word.search(texts().get(path, "")), (name, path)


@pytest.mark.parametrize("recipe", recipes(), ids=lambda recipe: recipe.adds)
def test_the_test_that_a_recipe_names_is_about_its_example(recipe):
    assert re.search(recipe.pattern, (ROOT / recipe.test).read_text(encoding="utf-8"))
