"""Own channels: what a session names beside the engine's signals, in rows, conditions and exports."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from command_line import run_command
from own_bus import BY_LAMBDA, SESSION, LogWriter

import mixmon
from mixmon.report.export.tables import RowTable

CHANNELS = """
[channels]
egt = { signal = "car/Extra.Gas", unit = "degC", range = [0, 1100], age_s = 0.35 }
boost = { signal = "car/Engine.Boost", unit = "kPa", scale = 0.1, offset = -100 }
torque = "car/Extra.Torque"
pump = { signal = "car/Extra.Pump", equals = [2, 3] }

[[limits.alarm]]
name = "lean while hot"
priority = 2
when = "egt > 900 and pump"
lambda_above = 1.05
"""
T = np.arange(0.0, 4.0, 0.1)
GAS = np.where(T < 2.0, 800.0, 950.0)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Gas at 800, then 950; from 1.0 to 1.2 s 1,399.9 as an open wire reads; nothing from 3 to 4 s."""
    log = LogWriter()
    fast = np.arange(0.0, 4.0, 0.02)
    log.add("Mix", fast, Lambda1=0.95, Lambda2=np.where(fast > 2.5, 1.1, 0.95))
    log.add("Engine", fast, Speed=3000.0, Throttle=80.0, Boost=1500.0)
    gas = np.where((T > 0.95) & (T < 1.25), 1399.9, GAS)
    sent = T < 2.95
    log.add("Extra", T[sent], Gas=gas[sent], Torque=-12.5, Pump=np.where(T < 1.5, 1.0, 2.0)[sent])
    return log.write(tmp_path_factory.mktemp("own"), SESSION + BY_LAMBDA + CHANNELS)


@pytest.fixture(scope="module")
def now(files: tuple[Path, Path]) -> dict[str, np.ndarray]:
    """Columns of all rows, and t in s."""
    run = mixmon.read_run(mixmon.load_session(files[0]), files[1])
    blocks = list(run)
    found = {name: np.concatenate([block.now[name] for block in blocks]) for name in blocks[0].now}
    t = np.concatenate([block.t for block in blocks])
    return {**found, "t": (t - run.log.first_ns) / 1e9}


def at(now: dict[str, np.ndarray], name: str, t_s: float) -> float:
    return float(now[name][np.argmin(np.abs(now["t"] - t_s))])


def test_values_are_scaled_as_the_session_says(now):
    assert at(now, "egt", 0.55) == pytest.approx(800.0)
    assert at(now, "boost", 0.55) == pytest.approx(50.0)
    assert at(now, "torque", 0.55) == pytest.approx(-12.5)
    assert (at(now, "pump", 1.45), at(now, "pump", 1.55)) == (0.0, 1.0)


def test_a_value_outside_its_range_is_not_known_and_the_one_before_is_not_held(now):
    assert np.isnan(at(now, "egt", 1.05))
    assert np.isnan(at(now, "egt", 1.29))
    assert at(now, "egt", 1.35) == pytest.approx(800.0)


def test_a_channel_ages_by_its_own_limit_and_without_one_by_the_cycle_of_its_message(now):
    # The last sample came at 2.9 s; the message comes every 0.1 s, and five may be missing.
    assert at(now, "egt", 3.24) == pytest.approx(950.0)
    assert np.isnan(at(now, "egt", 3.26))
    assert at(now, "torque", 3.39) == pytest.approx(-12.5)
    assert np.isnan(at(now, "torque", 3.41))


def test_values_outside_the_range_are_counted_and_told(files):
    text = run_command("balance", str(files[1]), "-s", str(files[0])).out
    assert "own channel egt: 3 of 30 values outside its range are not used" in " ".join(text.split())


def test_the_condition_of_an_alarm_may_name_channels(files):
    run = mixmon.read_run(mixmon.load_session(files[0]), files[1])
    raised = [one for one in mixmon.alarms(run) if one.rule == "lean while hot"]
    assert raised[0].cylinders == (2,)
    assert (raised[0].t - run.log.first_ns) / 1e9 == pytest.approx(2.5, abs=0.06)


def test_an_alarm_of_ones_own_reads_a_channel(files):
    session = mixmon.load_session(files[0])
    session = mixmon.with_alarm(session, "hot", lambda rows: rows.engine("egt"), 900.0, unit="degC")
    run = mixmon.read_run(session, files[1])
    raised = [one for one in mixmon.alarms(run) if one.rule == "hot"]
    assert (raised[0].t - run.log.first_ns) / 1e9 == pytest.approx(2.0, abs=0.03)
    assert raised[0].value == pytest.approx(950.0)


def test_the_rows_of_an_export_have_the_channels_with_their_units(files):
    run = mixmon.read_run(mixmon.load_session(files[0]), files[1])
    block = next(iter(run))
    table = RowTable(run.binding, [0, 1], block)
    units = {field.name: field.unit for field in table.form.fields}
    assert [units[name] for name in ("egt", "boost", "torque", "pump")] == ["degC", "kPa", "Nm", ""]
    columns = table.columns(block, run.log.first_ns)
    assert (columns["egt"][50], columns["boost"][50]) == (800.0, 50.0)
    assert np.isnan(columns["egt"][105])


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('egt = { signal = "car/Extra.Gas", unit = "degF" }', 'Gas in "degC", read as degF'),
        ('boost = { signal = "car/Engine.Boost", unit = "kPa" }', "scale = 0.1"),
        ('rpm = "car/Extra.Gas"', "which is taken"),
        ('load = "car/Extra.Gas"', "which is taken"),
        ('lambda_1 = "car/Extra.Gas"', "which is taken"),
        ('beside_torque = "car/Extra.Torque"', "which is taken"),
        ('"exhaust gas" = "car/Extra.Gas"', "a letter, then letters"),
        ('egt = "car/Extra.Gass"', 'no signal "Gass"'),
        ('egt = "bus/Extra.Gas"', 'bus "bus"'),
        ('egt = { signal = "car/Extra.Gas", range = [5, 1] }', "the least and the largest value"),
        ('egt = { signal = "car/Extra.Gas", age_s = 0 }', "a number above 0"),
        ('egt = { signal = "car/Extra.Gas", scale = 0 }', "a scale other than 0"),
        ('egt = { signal = "car/Extra.Pump", equals = [300] }', "which Pump cannot be"),
        ('egt = "car/Extra.Gas"\nEgt = "car/Extra.Gas"', "differ by more than capitals"),
        ("egt = 5", "a signal such as"),
    ],
)
def test_a_wrong_channel_is_one_clear_mistake(files, tmp_path, line, told):
    (tmp_path / "own.dbc").write_bytes((files[0].parent / "own.dbc").read_bytes())
    (tmp_path / "own.toml").write_text(SESSION + BY_LAMBDA + "[channels]\n" + line + "\n")
    [mistake] = mixmon.verify(tmp_path / "own.toml").mistakes
    assert told in str(mistake)


def test_verify_lists_the_channels(files):
    text = run_command("verify", str(files[0])).out
    assert "own channel egt: car/Extra.Gas, degC, from 0 to 1100, at most 0.35 s old" in text
    assert "own channel pump: car/Extra.Pump, yes where 2 or 3, else no" in text
