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


SESSION, LOG = "examples/alder8.toml", "examples/alder8_short.log.gz"
NAN = float("nan")


THE_SESSION = object()
MISTAKES = [
    ("load_session", (None,), {}, "load_session: found None; expected the name of a session file"),
    ("verify", (THE_SESSION,), {}, "verify: found Session; expected the name of a session file"),
    ("read_run", (None, LOG), {}, "read_run: found None; expected a session"),
    ("read_run", (THE_SESSION, [LOG]), {}, "read_run: found list; expected the name of a log"),
    ("read_run", (THE_SESSION, LOG), {"begin_s": NAN}, "begin_s nan: expected seconds"),
    ("read_run", (THE_SESSION, LOG), {"begin_s": -1.0}, "begin_s -1.0: expected seconds"),
    ("read_run", (THE_SESSION, LOG), {"end_s": "3"}, "end_s '3': expected seconds"),
    ("read_run", (THE_SESSION, LOG), {"begin_s": 5.0, "end_s": 5.0}, "end_s 5: not after begin_s 5"),
    ("read_run", (THE_SESSION, LOG), {"leave_out": 3}, "leave_out: found 3; expected a list"),
    ("read_run", (THE_SESSION, LOG), {"leave_out": ["3"]}, "cylinder 3; expected 1 to 8"),
    ("read_frames", (LOG,), {"end_s": NAN}, "end_s nan: expected seconds"),
    ("census", (THE_SESSION,), {}, "census: found Session; expected the name of a log"),
    ("census", (LOG, SESSION), {}, "census: found 'examples/alder8.toml'; expected a session"),
    ("decode", (LOG, 3), {}, "decode: found 3; expected the name of a DBC file, or a session"),
    ("rotation", (3,), {}, "rotation: found 3; expected a list of runs"),
    ("rotation", ([THE_SESSION],), {}, "rotation: found object; expected a run"),
    ("compare", (LOG, LOG), {}, "compare: found 'examples/alder8_short.log.gz'; expected a run"),
    ("with_fuel", (THE_SESSION, "gasoline"), {}, "with_fuel: found 'gasoline'; expected a Fuel"),
    ("watch", (SESSION,), {}, "watch: found 'examples/alder8.toml'; expected a session"),
    ("watch", (THE_SESSION, LOG), {"begin_s": NAN}, "begin_s nan: expected seconds"),
    ("watch", (THE_SESSION, LOG), {"speed": "1"}, "speed: found '1'; expected a number above 0"),
    ("watch", (THE_SESSION, LOG), {"for_s": NAN}, "for_s nan: expected 0 to"),
    ("watch", (THE_SESSION, LOG), {"lateness_s": "x"}, "lateness_s 'x': expected 0 to 10 s"),
    ("watch", (THE_SESSION, LOG), {"leave_out": [9]}, "cylinder 9; expected 1 to 8"),
    ("watch", (THE_SESSION,), {"buses": "can0"}, "buses: found 'c'; expected BusOptions"),
    ("watch", (THE_SESSION,), {"buses": mixmon.BusOptions("can0")}, "expected a list of BusOptions"),
]


@pytest.mark.parametrize(("name", "given", "options", "told"), MISTAKES)
def test_what_was_given_by_mistake_is_refused_in_one_line(name, given, options, told):
    session = mixmon.load_session(SESSION)
    with pytest.raises(mixmon.MixmonError) as refusal:
        getattr(mixmon, name)(*(session if one is THE_SESSION else one for one in given), **options)
    assert told in str(refusal.value)
    assert "\n" not in str(refusal.value)


ON_A_RUN = ["balance", "trims", "causes", "events", "alarms", "identify", "lags", "pulls", "tips", "response"]


@pytest.mark.parametrize(
    "name",
    ["balance", "trims", "causes", "events", "alarms", "identify", "lags", "pulls", "tips", "response"],
)
def test_what_is_no_run_is_refused(name):
    for wrong in (None, LOG, mixmon.load_session(SESSION)):
        with pytest.raises(mixmon.UsageError, match="expected a run, as read_run gives it; give one"):
            getattr(mixmon, name)(wrong)


def test_a_lag_that_would_be_used_nowhere_is_refused_and_so_is_air_that_there_is_not():
    run = mixmon.read_run(mixmon.load_session(SESSION), LOG, end_s=1.0)
    for given in ({9: 0.1}, {"1": 0.1}):
        for find in (mixmon.lags, mixmon.events):
            with pytest.raises(mixmon.UsageError, match="no sensor sees it; expected one of"):
                find(run, given)
    for given in ("0.1", {1: (0.1, 0.2, 0.3)}):
        with pytest.raises(mixmon.UsageError, match="expected 0 to 1 s"):
            mixmon.lags(run, given)
    for percent in (NAN, -1.0, 21.5):
        with pytest.raises(mixmon.UsageError, match="no ambient air"):
            mixmon.response(run, None, percent)
    with pytest.raises(mixmon.UsageError, match="expected a list of them"):
        mixmon.decode(LOG, run.session, "Mix01_Fast.*")


def test_what_is_read_piece_by_piece_says_in_a_line_what_it_is():
    session = mixmon.load_session(SESSION)
    frames = mixmon.read_frames(LOG, end_s=0.2)
    decoded = mixmon.decode(frames, session, ["Mix01_Fast.Lambda"])
    run = mixmon.read_run(session, LOG, end_s=0.2)
    with mixmon.watch(session, LOG, end_s=0.2) as watching:
        turn = next(iter(watching))
    pieces = [next(iter(one)) for one in (frames, decoded, run)]
    for one in (session, frames, decoded, run, watching, turn, turn.snapshot, *pieces):
        assert repr(one).startswith(f"<{type(one).__name__}")
        assert len(repr(one)) < 100
        assert "array" not in repr(one)
