"""The examples in the docstrings of every module run."""

import doctest
import importlib
import pkgutil
from pathlib import Path

import pytest

import mixmon

ROOT = Path(__file__).parents[1]
MODULES = sorted(
    found.name
    for found in pkgutil.walk_packages(mixmon.__path__, "mixmon.")
    if ">>>" in Path(importlib.util.find_spec(found.name).origin).read_text(encoding="utf-8")
)


@pytest.mark.parametrize("name", ["mixmon", *MODULES])
def test_examples_run(name, monkeypatch):
    monkeypatch.chdir(ROOT)
    ran = doctest.testmod(importlib.import_module(name))
    assert ran.attempted > 0
    assert ran.failed == 0
