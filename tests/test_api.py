"""The public face: its names, their docstrings, and the examples in them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import mixmon

ROOT = Path(__file__).parents[1]


@pytest.fixture(autouse=True)
def at_the_root():
    before = Path.cwd()
    os.chdir(ROOT)
    yield
    os.chdir(before)


def test_every_public_name_is_there_and_documented():
    assert dir(mixmon) == sorted(mixmon.__all__)
    for name in mixmon.__all__:
        assert getattr(mixmon, name).__doc__, name


def test_a_name_that_is_not_public_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        mixmon.nonsense  # noqa: B018


def test_importing_the_package_loads_no_library():
    program = "import sys, mixmon; print({'numpy', 'can', 'cantools', 'textual'} & set(sys.modules))"
    assert (
        subprocess.run([sys.executable, "-c", program], capture_output=True, check=True).stdout == b"set()\n"
    )
