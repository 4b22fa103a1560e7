"""The examples in the docstrings are true."""

import doctest
import importlib

import pytest


@pytest.mark.parametrize("module", ["bits", "candump", "candump_line", "candump_write", "logs"])
def test_examples(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"mixmon.frames.{module}"))
    assert result.attempted > 0
    assert result.failed == 0
