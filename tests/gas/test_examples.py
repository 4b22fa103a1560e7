"""The examples in the docstrings run."""

import doctest
import importlib

import pytest

MODULES = ("afr", "air", "analyser", "exhaust", "fuel", "lag", "misfire", "reading", "transport")


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    ran = doctest.testmod(importlib.import_module(f"mixmon.gas.{name}"))
    assert ran.attempted > 0
    assert ran.failed == 0
