"""Sensors that the engine control passes on, and analog inputs: the examples, on logs by cantools."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from own_bus import LogWriter

import mixmon
from mixmon.mixture.block import SampleState

EXAMPLES = Path(__file__).parents[2] / "examples"
TRUE_LAMBDA = np.array([0.90, 0.88, 0.90, 0.98])
NOISE = 0.004
SECONDS = 24.0


def play(path: Path, end_v: float | None = None, seconds: float = SECONDS) -> Path:
    """A log at 3,000 rpm and full load; with `end_v`, input 2 stands at that many volts."""
    rng = np.random.default_rng(14)
    log = LogWriter((EXAMPLES / "ecu.dbc").read_text())
    t = np.arange(0.0, seconds, 0.02)
    log.add("Running", t, Turns=3000.0, Opening=100.0, Wanted=0.9, ChargePressure=1010.0)
    t = np.arange(0.003, seconds, 0.05)
    lam = TRUE_LAMBDA + NOISE * rng.standard_normal((len(t), 4))
    log.add("Mixture", t, **{f"Cylinder_{i + 1}": lam[:, i] for i in range(4)})
    volts = (lam - 0.68) / (1.36 - 0.68) * 5000
    if end_v is not None:
        volts[:, 1] = 1000 * end_v
    log.add("Inputs", t, **{f"Analog_{i + 1}": volts[:, i] for i in range(4)})
    log.add("Heat", np.arange(0.005, seconds, 0.2), Exhaust=870.0, Knocks=3.0)
    return log.write_log(path)


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return play(tmp_path_factory.mktemp("ecu") / "steady.log")


@pytest.mark.parametrize("name", ["ecu_lambda.toml", "ecu_volts.toml"])
def test_needs_are_those_of_the_true_mixture(name, steady):
    session = mixmon.load_session(EXAMPLES / name)
    balance = mixmon.balance(mixmon.read_run(session, steady))
    # Mean of the mixture in the fuel domain, as physics says: 1 / mean(1 / lambda).
    true = 100 * (TRUE_LAMBDA * np.mean(1 / TRUE_LAMBDA) - 1)
    for one, truth in zip(balance.cylinders, true, strict=True):
        low, high = one.interval95_percent
        assert low < truth < high
        assert high - low < 0.6
    raised = {
        one.cylinders for one in mixmon.alarms(mixmon.read_run(session, steady)) if one.rule == "lean and hot"
    }
    assert (4,) in raised


@pytest.mark.parametrize(
    ("volts", "state"),
    [
        (0.0, SampleState.AT_RICH_LIMIT),
        (0.04, SampleState.AT_RICH_LIMIT),
        (4.96, SampleState.AT_LEAN_LIMIT),
        (5.0, SampleState.AT_LEAN_LIMIT),
        (5.1, SampleState.AT_LEAN_LIMIT),
    ],
)
def test_an_input_at_its_end_is_at_a_limit_and_no_value(volts, state, tmp_path):
    session = mixmon.load_session(EXAMPLES / "ecu_volts.toml")
    run = mixmon.read_run(session, play(tmp_path / "end.log", volts, 2.0))
    states = np.concatenate([block.state for block in run])
    assert set(states[10:, 1].tolist()) == {state}
    assert SampleState.VALID in states[:, 0]


def test_a_cylinder_whose_input_stands_at_its_end_gets_no_need_and_there_are_no_trims(tmp_path):
    session = mixmon.load_session(EXAMPLES / "ecu_volts.toml")
    balance = mixmon.balance(mixmon.read_run(session, play(tmp_path / "end.log", 5.0)))
    assert np.isnan(balance.cylinders[1].needs_percent)
    assert balance.withheld


@pytest.mark.parametrize(
    ("points", "told"),
    [
        ("scale = 0.000136, offset = 0.68", "points = [[0, lambda at 0], [5000, lambda at 5000]]"),
        ("points = [[0, 0.68]]", "two points of decoded value and value"),
        ("points = [[0, 0.68], [5000]]", "two points of decoded value and value"),
        ("points = [[0, 0.68], [0, 1.36]]", "differ in both"),
        ("points = [[0, 1], [5, 1]]", "differ in both"),
        ("points = [[0, 0.68], [5, 1.36]], scale = 2", "points, or the others"),
    ],
)
def test_a_wrong_line_is_one_clear_mistake(points, told, tmp_path):
    (tmp_path / "ecu.dbc").write_bytes((EXAMPLES / "ecu.dbc").read_bytes())
    text = (EXAMPLES / "ecu_volts.toml").read_text()
    assert "points = [[0, 0.68], [5000, 1.36]]" in text
    (tmp_path / "s.toml").write_text(text.replace("points = [[0, 0.68], [5000, 1.36]]", points))
    [mistake] = mixmon.verify(tmp_path / "s.toml").mistakes
    assert told in str(mistake)
