"""The examples in the docstrings run."""

import doctest
import importlib

import pytest

MODULES = (
    *("branches", "chain", "checksum", "codes", "database", "dbc_faults", "dbc_text", "decode"),
    *("encode", "field", "integrity", "limits", "multiplex"),
)


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    ran = doctest.testmod(importlib.import_module(f"mixmon.messages.{name}"))
    assert ran.attempted > 0
    assert ran.failed == 0
