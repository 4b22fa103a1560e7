"""The public face: its names, their docstrings, and the examples in them."""

from __future__ import annotations

import gzip
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


def test_the_time_of_a_log_is_the_time_that_was_heard(tmp_path):
    """Stamps that jump ahead by a day, or back, add nothing."""
    lines = gzip.decompress(Path("examples/foreign.log.gz").read_bytes()).decode().splitlines()[:1500]
    stamps = [float(line[1 : line.index(")")]) for line in lines]
    texts = [line[line.index(")") :] for line in lines]
    path = tmp_path / "joined.log"
    with path.open("w") as file:
        for shift in (0, 86_400, 0):
            file.writelines(f"({t + shift:.6f}{text}\n" for t, text in zip(stamps, texts, strict=True))
    run = mixmon.read_run(mixmon.load_session("examples/foreign.toml"), path)
    assert sum(len(rows) for rows in run) > 0
    assert run.log.jumps == 2
    assert run.log.duration_s == pytest.approx(3 * (stamps[-1] - stamps[0]), abs=1e-4)
