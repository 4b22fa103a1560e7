"""The whole way from frames on the bus to response and delay, judged by the simulator's truth."""

import numpy as np
import pytest

from mixmon.findings.response.notes import ResponseNote
from mixmon.findings.response.response import review_response
from mixmon.messages.bind import bind, load_databases
from mixmon.pipeline import Pipeline
from mixmon.report.words import sentence
from mixmon.simulate.load import load_scenario
from mixmon.simulate.sensor import step_time_s
from mixmon.simulate.simulation import simulate
from mixmon.simulate.truth import CellTruth, TrueCell

PATTERNS = """
format = 1
based_on = "plain"
name = "Patterns"
[[profile]]
kind = "start"
name = "idle"
rpm = 1000
load = 3
seconds = 24
[[profile]]
kind = "pattern"
rpm = 1000
load = 3
seconds = 24
hold_s = 0.8
[[profile]]
kind = "pattern"
rpm = 2000
load = 10
seconds = 20
[[profile]]
kind = "pattern"
rpm = 6000
load = 100
seconds = 20
"""


def reviewed(name, seed, duration=None):
    simulation = simulate(load_scenario(name), seed=seed, duration=duration)
    binding = bind(simulation.session, load_databases(simulation.session))
    pipeline = Pipeline(binding)

    def blocks():
        for frames in simulation:
            yield from pipeline.feed(frames)
        yield from pipeline.flush()

    return review_response(binding, blocks()), simulation


def true_times(simulation, way):
    scenario, order = simulation.world.scenario, simulation.world.cylinder_of
    taus = getattr(scenario.sensors, f"{way}_s")
    return [step_time_s(taus[i], scenario.controllers.filter_s) for i in order]


@pytest.fixture(scope="module", params=[907, 908], ids="seed {}".format)
def short(request):
    return reviewed("alder8-short", request.param)


def test_one_cut_tells_every_sensor_within_ten_per_cent(short):
    review, simulation = short
    first, second = review.cuts
    assert second.rich is None  # it ends with the engine
    assert second.lean.rough  # and begins on the limiter; the last sensor still warms then
    for way, cuts in (("lean", [2] * 7 + [1]), ("rich", [1] * 8)):
        assert getattr(first, way).fit.t63_s == pytest.approx(true_times(simulation, way), rel=0.07)
        times = [getattr(one, way) for one in review.sensors]
        assert [one.cuts for one in times] == cuts
        assert [one.t63_s for one in times] == pytest.approx(true_times(simulation, way), rel=0.07)
        assert all(one.own_half_s < 0.12 * one.t63_s for one in times)


def test_the_old_sensor_is_flagged_and_no_other(short):
    review, _ = short
    (old,) = (one for one in review.sensors if one.flags)
    assert old.sensor == "S-088"
    assert {one.code for one in old.flags} >= {
        ResponseNote.SLOW,
        ResponseNote.SLOWER_LEAN_GOING,
        ResponseNote.LOW_IN_AIR,
        ResponseNote.SLOW_TO_WARM_UP,
    }
    assert old.uneven == pytest.approx(0.3207 / 0.2410, rel=0.1)  # 300 against 220 ms behind 20 ms of filter
    assert old.air_to_peers_percent == pytest.approx(-1.9, abs=0.15)


def test_the_delay_of_every_cell_is_within_twenty_milliseconds(short):
    # no fuel steps in this log: one cut and the return of the fuel tell it for the whole map
    review, simulation = short
    assert review.refusal is None
    for cell in review.cells:
        truth = CellTruth(simulation.world, TrueCell(cell.rpm, cell.load, ())).dead_delays().mean()
        assert abs(cell.dead_s - truth) < max(cell.dead_half_s, 0.020)
        if (cell.rpm, cell.load) in {(4000, 35), (6000, 100), (7000, 100)}:
            assert abs(cell.dead_s - truth) < 0.010


def test_patterns_tell_the_delay_from_idle_to_full_load(tmp_path):
    path = tmp_path / "patterns.toml"
    path.write_text(PATTERNS)
    review, simulation = reviewed(path, 911, 86.0)
    assert [(round(p.rpm, -1), round(p.load)) for p in review.points] == [(1000, 3), (2000, 10), (6000, 100)]
    for point in review.points:
        truth = CellTruth(simulation.world, TrueCell(point.rpm, point.load, ())).dead_delays()
        assert abs(point.dead_s - truth.mean()) < min(0.020, 2.5 * point.dead_sd)
        known = np.isfinite(point.fit.dead_s)
        assert known.sum() >= 7
        late = np.abs(point.fit.dead_s - truth)[known]
        assert np.median(late) < 0.020
    assert [one.lean.t63_s for one in review.sensors] == pytest.approx(
        true_times(simulation, "lean"), rel=0.15
    )
    assert not any(one.flags for one in review.sensors)


def test_without_cut_and_steps_no_delay_is_told():
    review, _ = reviewed("plain", 905, 60.0)
    assert (review.cuts, review.points, review.model) == ((), (), None)
    assert review.refusal is not None
    assert review.refusal.code is ResponseNote.FUEL_NEVER_MOVED
    assert "random pattern" in sentence(review.refusal)


def test_the_delay_of_an_engine_with_one_throttle_goes_by_its_manifold_pressure():
    review, simulation = reviewed("six", 915)
    cells = [cell for cell in review.cells if (cell.rpm, cell.load) in {(900, 35), (2500, 50), (4500, 100)}]
    assert len(cells) == 3
    for cell in cells:
        truth = CellTruth(simulation.world, TrueCell(cell.rpm, cell.load, ())).dead_delays().mean()
        # idle is told by a cut that ended at 3000 rpm, and says so in its interval
        assert abs(cell.dead_s - truth) < min(cell.dead_half_s, 0.045 if cell.rpm == 900 else 0.020)
