"""The public face: its names, their docstrings, and the examples in them."""

from __future__ import annotations

import gzip
import inspect
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
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


def test_every_public_function_says_what_it_takes_raises_and_shows_an_example():
    functions = [f for f in map(mixmon.__getattr__, mixmon.__all__) if inspect.isfunction(f)]
    assert len(functions) > 20
    for function in functions:
        told = function.__doc__
        assert ">>>" in told, function.__name__
        if inspect.signature(function).parameters:
            assert "Args:" in told, function.__name__


def test_a_check_tells_mistakes_and_cautions_as_the_command_does(tmp_path):
    text = Path("examples/foreign.toml").read_text(encoding="utf-8")
    path = tmp_path / "wrong.toml"
    path.write_text(text.replace("cylinders = 6", "cylinders = 0", 1), "utf-8")
    check = mixmon.verify(path)
    assert not check.usable
    assert any(mistake.where == "engine.cylinders" for mistake in check.mistakes)
    with pytest.raises(mixmon.SessionError):
        mixmon.load_session(path)


def test_decoded_values_have_the_stamps_of_their_frames():
    log = mixmon.read_frames("examples/foreign.log.gz", end_s=0.5)
    found = mixmon.decode(log, "examples/foreign_engine.dbc", ["Crank.Revolutions"])
    values = [one for one in found if one.message == "Crank"]
    frames = [(block.t, block.can_id) for block in log]
    assert [t for one in values for t in one.t.tolist()] == [
        t for times, ids in frames for t, i in zip(times.tolist(), ids.tolist(), strict=True) if i == 594
    ]
    with pytest.raises(mixmon.UsageError, match="no such signal"):
        mixmon.decode(log, "examples/foreign_engine.dbc", ["Crank.Nonsense"])
    with pytest.raises(mixmon.SourceError, match="no frame of the chosen signals"):
        list(mixmon.decode(log, "mixture_chain.dbc"))


def test_a_part_of_a_log_without_frames_is_refused():
    with pytest.raises(mixmon.SourceError, match="no frame in the chosen part"):
        mixmon.census(mixmon.read_frames("examples/foreign.log.gz", begin_s=1e6))


def test_a_fuel_of_ones_own_is_that_of_the_run():
    fuel = mixmon.blend({"methanol": 0.9, "nitromethane": 0.1})
    session = mixmon.with_fuel(mixmon.load_session("examples/alder8.toml"), fuel)
    run = mixmon.read_run(session, "examples/alder8_short.log.gz")
    lam = np.array([0.7, 0.9, 1.1])
    shown = mixmon.oxygen_balance(lam, run.binding.fuel)
    np.testing.assert_allclose(shown, mixmon.oxygen_balance(lam, fuel), rtol=1e-12)
    np.testing.assert_allclose(
        mixmon.lambda_from_afr(mixmon.lambda_to_afr(lam, fuel), run.binding.fuel), lam, rtol=1e-12
    )


def test_events_tell_the_lags_that_were_given_and_no_others():
    run = mixmon.read_run(
        mixmon.load_session("examples/alder8.toml"), "examples/alder8_short.log.gz", end_s=4.0
    )
    told = [mixmon.events(run, given).to_dict()["lags"] for given in (None, {3: 0.2}, mixmon.lags(run, 0.1))]
    assert [[lag["cylinders"] for lag in lags] for lags in told] == [[], [[3]], [[c] for c in range(1, 9)]]


def test_a_leaded_fuel_stays_leaded():
    session = mixmon.load_session("examples/alder8.toml")
    fuel = mixmon.fuel_named("E10")
    assert not mixmon.with_fuel(session, fuel).fuel.leaded
    leaded = replace(session, fuel=replace(session.fuel, leaded=True))
    assert mixmon.with_fuel(leaded, fuel).fuel.leaded


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
