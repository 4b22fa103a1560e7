"""The simulation through message definitions of other makes, read back by cantools alone."""

from dataclasses import replace
from pathlib import Path

import cantools
import numpy as np
import pytest

from mixmon.errors import UsageError
from mixmon.messages.bind import bind, load_databases
from mixmon.session.load import load_session
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import DropOut
from mixmon.simulate.simulation import simulate

EXAMPLES = Path(__file__).parents[2] / "examples"
SIX = load_scenario("six")
SESSION = load_session(EXAMPLES / "foreign.toml")
BINDING = bind(SESSION, load_databases(SESSION))


@pytest.fixture(scope="module")
def decoded():
    """Times and values of every signal that cantools finds in the frames."""
    silent = DropOut(6, "full load 2", 0.5, after_s=4.0)
    scenario = replace(SIX, faults=(*SIX.faults, silent))
    database = cantools.database.load_file(EXAMPLES / "foreign_chain.dbc", strict=False)
    database.add_dbc_file(EXAMPLES / "foreign_engine.dbc")
    found = {}
    for block in simulate(scenario, seed=7, binding=BINDING):
        for t, can_id, size, data in zip(block.t, block.can_id, block.size, block.data, strict=True):
            identifier, seconds = int(can_id) & 0x1FFF_FFFF, (int(t) - 1_700_000_000 * 10**9) / 1e9
            values = database.decode_message(identifier, bytes(data[:size]), decode_choices=False)
            for name, value in values.items():
                found.setdefault(name, []).append((seconds, value))
    return {name: np.array(rows) for name, rows in found.items()}


def within(rows, begins, ends):
    return rows[(rows[:, 0] >= begins) & (rows[:, 0] < ends), 1]


def test_mixtures_in_thousandths_are_those_of_the_cylinders(decoded):
    found = [within(decoded[f"Mixture_{i}"], 25.0, 29.0).mean() / 1000 for i in range(1, 7)]
    # target 0.87, injector 5 less 4 %, bank right 2 % more air, sensors read by their bias (computed)
    true = 0.87 * np.array([1, 1, 1, 1.02, 1.02 / 0.96, 1.02])
    bias = 1 + np.array([0.2, -0.3, 0.1, 0.4, -0.2, 0]) / 100
    assert found == pytest.approx(true * bias, abs=0.003)


def test_branches_take_turns_and_each_is_sent_as_often(decoded):
    counts = [len(decoded[f"Mixture_{i}"]) for i in (1, 2, 3)]
    assert max(counts) - min(counts) <= 1
    # every 5 ms a frame, three branches
    assert np.diff(decoded["Mixture_1"][:, 0]).mean() == pytest.approx(0.015, rel=0.01)


def test_units_scales_and_claims_come_back(decoded):
    held = (25.0, 29.0)
    # 0.01 lambda is 0.147 of air-fuel ratio; the signal's step is 0.04
    assert within(decoded["Wanted"], *held).mean() == pytest.approx(0.87 * 14.7, abs=0.02)
    assert within(decoded["Plenum"], *held).mean() == pytest.approx(1000, abs=1)
    assert within(decoded["Injection"], *held).mean() == pytest.approx(11_700, abs=10)
    assert within(decoded["Revolutions"], *held).mean() == pytest.approx(4500, abs=2)
    assert within(decoded["Water"], *held).mean() == pytest.approx(1.8 * 81.5 + 32, abs=4)


def test_states_say_when_a_probe_is_ready(decoded):
    state = decoded["State_1"]
    ready_s = state[np.flatnonzero(np.isin(state[:, 1], [2, 3]))[0], 0]
    assert ready_s == pytest.approx(SIX.sensors.ready_s[0], abs=0.02)


def test_one_code_tells_both_cuts(decoded):
    cut = decoded["Cut"]
    # the sweep ends at 48 s, the overrun lasts 2.5 s and begins with 0.1 s of closing
    assert set(within(cut, 48.2, 50.4)) == {1}
    assert set(within(cut, 20.0, 47.9)) == {0}


def test_a_probe_without_supply_leaves_out_its_branch(decoded):
    gaps = np.diff(decoded["Mixture_6"][:, 0])
    assert gaps.max() == pytest.approx(0.51, abs=0.02)
    assert np.diff(decoded["Mixture_5"][:, 0]).max() < 0.02


def test_a_session_for_another_engine_is_refused():
    with pytest.raises(UsageError, match="6 cylinders and a scenario for 8"):
        simulate(load_scenario("plain"), seed=1, binding=BINDING)
