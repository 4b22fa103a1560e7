"""The examples in the docstrings of the session's reader, and of what finds its signals, run."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "name", ["session.lines", "session.load", "session.schema", "session.when", "messages.bind"]
)
def test_examples_run(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    ran = doctest.testmod(importlib.import_module(f"mixmon.{name}"))
    assert ran.attempted > 0
    assert ran.failed == 0
