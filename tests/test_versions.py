"""What pyproject.toml allows: the lock is within it, and no result depends on the version of Python.

The whole suite with the oldest and the newest of everything: tools/check_versions.py.
"""

from __future__ import annotations

import builtins
import re
import sys
import tomllib
from pathlib import Path

import pytest
from command_line import run_command
from packaging.requirements import Requirement

from mixmon.cli.main import DONE
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate

PROJECT = tomllib.loads(Path("pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
ASKED = [
    Requirement(text)
    for text in (*PROJECT["dependencies"], *EXTRAS["mdf"], *EXTRAS["parquet"], *EXTRAS["zstd"])
]
LOCK = Path("requirements.lock").read_text(encoding="utf-8")


def locked() -> list[tuple[Requirement, int]]:
    """Each requirement of the lock with the number of its hashes."""
    entries = re.split(r"\n(?=\w)", re.sub(r"^ *#.*\n", "", LOCK, flags=re.MULTILINE))
    return [(Requirement(e.split("\\")[0].strip()), e.count("--hash=sha256:")) for e in entries if e.strip()]


def test_the_lock_holds_every_dependency_within_its_bounds_and_with_hashes() -> None:
    pins = locked()
    assert all(hashes and re.fullmatch(r"==[\w.]+", str(pin.specifier)) for pin, hashes in pins)
    for asked in ASKED:
        versions = [str(pin.specifier)[2:] for pin, _ in pins if pin.name == asked.name]
        assert versions, asked.name
        assert all(asked.specifier.contains(version) for version in versions), asked.name


def test_tests_and_program_ask_for_the_same_versions() -> None:
    test = {asked.name: asked.specifier for asked in map(Requirement, EXTRAS["test"])}
    assert all(test.get(asked.name, asked.specifier) == asked.specifier for asked in ASKED)


def test_no_float_is_summed_as_the_version_of_python_likes(monkeypatch: pytest.MonkeyPatch) -> None:
    """`sum` of floats rounds otherwise from Python 3.12 on (its release notes): fsum does not."""
    found = set()
    add = sum

    def watched(values, /, start=0):
        values = list(values)
        caller = sys._getframe(1)
        if caller.f_globals["__name__"].startswith("mixmon.") and any(type(v) is float for v in values):
            found.add(f"{caller.f_globals['__name__']}.{caller.f_code.co_name}")
        return add(values, start)

    monkeypatch.setattr(builtins, "sum", watched)
    assert sum(len(block) for block in simulate(load_scenario("alder8"), seed=1, duration=2.0))
    for command in ("balance", "response"):
        words = (command, "examples/alder8_short.log.gz", "-s", "examples/alder8.toml", "--quiet")
        assert run_command(*words).status == DONE
    assert run_command("convert", "lambda", "0.9", "--fuel", "E10").status == DONE
    assert found == set()
