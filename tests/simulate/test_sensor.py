"""What the controllers say while they are not ready, and when their supply is lost."""

import numpy as np
import pytest
from outside_reader import Log, window

from mixmon.frames.candump_write import write_candump
from mixmon.simulate.load import load_scenario
from mixmon.simulate.simulation import simulate
from mixmon.simulate.truth import truth_of

HEATING, SETTLING, READY = 1, 2, 3


@pytest.fixture(scope="module")
def short():
    simulation = simulate(load_scenario("alder8-short"), seed=4)
    return Log(b"".join(write_candump(block) for block in simulation)), truth_of(simulation)


def test_every_node_is_ready_when_its_sensor_is_warm(short):
    log, truth = short
    for sensor in truth["sensors"]:
        t, _, _, state = log.node(sensor["position"])
        assert t[state == READY][0] == pytest.approx(sensor["ready_s"], abs=0.012)
    # typed off the scenario: the old sensor, in the group that heats 2 s later, takes 8.5 s
    old = next(s for s in truth["sensors"] if s["sensor"] == "S-088")
    assert (old["cylinder"], old["ready_s"]) == (5, 10.5)


def test_a_cold_node_has_no_reading(short):
    log, _ = short
    _, lam, oxygen, state = log.node(1)
    cold = np.cumsum(state == SETTLING) == 0
    assert np.isnan(lam[cold]).all()
    assert np.isnan(oxygen[cold]).all()


def test_a_settling_node_reads_lean_and_comes_down(short):
    log, _ = short
    t, lam, _, state = log.node(2)
    settling, ready = lam[state == SETTLING], window(t, lam, 6.5, 12.0)
    assert settling[:10].mean() > 1.15 * ready.mean()
    assert settling[-10:].mean() == pytest.approx(ready.mean(), rel=0.05)


def test_a_drop_out_is_silence_then_a_repeated_reading_then_a_reset_count(short):
    log, truth = short
    (event,) = [e for e in truth["events"] if e["kind"] == "supply drop-out"]
    t, lam, _, state = log.node(8)
    gone, back = event["t_s"], event["to_s"]
    assert back - gone == pytest.approx(0.40)
    assert len(window(t, lam, gone + 0.001, back)) == 0
    before, repeated = window(t, lam, 0, gone + 0.001)[-1], lam[(t > back) & (state == HEATING)]
    assert len(repeated) > 100
    assert set(repeated) == {before}
    moments, resets = log.column("can0", 0x4A0 + 7, 0, 8)
    assert np.diff(resets).sum() == 1
    assert moments[np.flatnonzero(np.diff(resets))[0] + 1] == pytest.approx(back, abs=0.11)


def test_only_the_node_without_supply_is_silent(short):
    log, _ = short
    longest = [np.diff(log.node(position)[0]).max() for position in range(1, 9)]
    assert longest[7] == pytest.approx(0.41, abs=0.01)
    assert max(longest[:7]) < 0.013


def test_readings_are_lambda_of_their_oxygen_balance(short):
    """Both columns of a frame against the one-line form for gasoline, exact when lean (computed)."""
    log, _ = short
    t, lam, oxygen, state = log.node(1)
    lean = (state == READY) & (lam > 1.0) & (lam < 2.0)
    assert oxygen[lean] == pytest.approx(20.95 * (lam[lean] - 1) / (lam[lean] + 0.066), abs=0.06)
    air = window(t, oxygen, 72.5, 73.5)
    assert air.mean() == pytest.approx(20.7, abs=0.05)
    assert set(window(t, lam, 72.5, 73.5)) == {4.0}


def test_the_limiter_leaves_out_sparks_on_cylinders_in_turn(short):
    log, truth = short
    (cut,) = [e for e in truth["events"] if e["kind"] == "spark cut"]
    peaks = []
    for position in range(1, 8):
        t, lam, _, _ = log.node(position)
        peaks.append(window(t, lam, cut["t_s"], cut["to_s"] + 0.1).max() / window(t, lam, 84.0, 85.3).mean())
    assert min(peaks) > 1.08


def test_the_supply_falls_along_the_chain_and_as_wire_tables_say(short):
    log, _ = short
    volts = []
    for position in range(1, 9):
        t, raw = log.column("can0", 0x4A0 + position - 1, 8, 12)
        volts.append(window(t, raw * 0.0075, 12.0, 40.0).mean())
    assert (np.diff(volts) < 0).all()
    # worked for eight nodes at 1.1 A each, 2.5 mm2: 0.33 V to the first, 0.50 V to the last (computed)
    assert 13.9 - volts[0] == pytest.approx(0.33, abs=0.03)
    assert 13.9 - volts[7] == pytest.approx(0.50, abs=0.06)


def test_the_moments_of_throttle_and_cuts_are_in_the_truth(short):
    log, truth = short
    told = {
        kind: [e["t_s"] for e in truth["events"] if e["kind"] == kind]
        for kind in ("throttle opens", "fuel cut")
    }
    t, throttle = log.engine("throttle")
    # typed off the scenario: pulls begin at 63 and 77 s, cuts 0.1 s after their parts
    assert told == {"throttle opens": [63.0, 77.0], "fuel cut": [71.5, 86.0]}
    for moment in told["throttle opens"]:
        assert window(t, throttle, moment - 0.5, moment).max() < 15
        assert window(t, throttle, moment + 0.16, moment + 0.5).min() > 99
