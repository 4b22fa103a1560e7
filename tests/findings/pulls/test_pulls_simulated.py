"""Pulls and tips of simulated engines, from frames to findings, against the simulator's truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from mixmon.findings.events.tips import find_tips
from mixmon.findings.lags import Lags
from mixmon.findings.pulls.pulls import PullStage
from mixmon.findings.pulls.quality import PullNote, PullState
from mixmon.findings.pulls.review import review, review_run
from mixmon.findings.stage import run_through
from mixmon.messages.bind import bind, load_databases
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.pipeline import Pipeline
from mixmon.simulate.load import load_scenario
from mixmon.simulate.scenario import Misfire, Scenario
from mixmon.simulate.simulation import EPOCH_NS, Simulation, simulate
from mixmon.simulate.truth import CellTruth, TrueCell, needs, truth_of
from mixmon.simulate.world import burnt_fuel


def blocks(simulation: Simulation) -> Iterator[CylinderBlock]:
    pipeline = Pipeline(bind(simulation.session, load_databases(simulation.session)))
    for frames in simulation:
        yield from pipeline.feed(frames)
    yield from pipeline.flush()


@pytest.mark.parametrize(
    ("name", "seed", "lag_s"),
    [
        ("alder8-short", 42, {5: (0.32, 0.24)}),
        ("six", 43, None),
        ("sixteen", 44, None),
        ("four", 45, None),
    ],
)
def test_all_scripted_pulls_and_no_others_are_found_and_their_needs_are_true(
    name: str, seed: int, lag_s: Lags | None
) -> None:
    scenario = load_scenario(name)
    simulation = simulate(scenario, seed=seed)
    truth = [event for event in truth_of(simulation)["events"] if event["kind"] == "pull"]
    pulls = list(run_through(PullStage(simulation.session, lag_s), blocks(simulation)))
    assert len(pulls) == len(truth)
    for pull, true in zip(pulls, truth, strict=True):
        assert abs((pull.begin - EPOCH_NS) / 1e9 - true["t_s"]) <= 0.1
        assert abs((pull.end - EPOCH_NS) / 1e9 - true["to_s"]) <= 0.1
        assert pull.verdict.suggestion == "keep"
    reviewed = review(simulation.session, pulls)
    assert all(repeat.rms < 0.5 and repeat.unlike == () for repeat in reviewed.repeats if repeat)
    errors, inside = [], []
    full = max(scenario.map.load)
    for found in reviewed.tables:
        for band, rpm in enumerate(found.bands.centres):
            read = needs(CellTruth(simulation.world, TrueCell(rpm, full, ())).read)
            error = found.peers[band] - read[list(simulation.world.cylinder_of)]
            if np.isfinite(error).all():  # else the mean is of fewer cylinders than the truth's
                errors.append(error)
                inside.append(np.abs(error) <= found.peers_half[band])
    if errors:
        assert np.sqrt(np.mean(np.concatenate(errors) ** 2)) < 0.4
        assert np.mean(np.concatenate(inside)) > 0.88  # 60 to 200 looks


def test_misfires_seen_by_a_slow_sensor_are_no_need_of_their_pull() -> None:
    short = load_scenario("alder8-short")
    (one, *_) = [fault for fault in short.faults if isinstance(fault, Misfire)]
    burst = replace(one, cylinder=5, during="pull 1", rpm=5000.0, cycles=5)
    others = tuple(fault for fault in short.faults if not isinstance(fault, Misfire))
    lag_s = {5: (0.32, 0.24)}
    with_burst, calm = (simulate(replace(short, faults=others + more), seed=48) for more in ((burst,), ()))
    session, rows = with_burst.session, list(blocks(with_burst))
    seen, unseen = (
        review_run(session, one_.world.fuel, made, lag_s).tables[0].peers[:, 4]
        for one_, made in ((with_burst, rows), (calm, blocks(calm)))
    )
    blind = review(session, list(run_through(PullStage(session, lag_s), rows))).tables[0].peers[:, 4]
    assert np.nanmax(np.abs(seen - unseen)) < 0.5
    assert np.isfinite(seen[-1])  # the cut that follows the lift takes nothing from the highest band
    assert np.nanmax(blind - unseen) > 1.0  # too slow a rise to be an outlier


def test_ends_are_named_and_the_limiter_is_trimmed_off() -> None:
    simulation = simulate(load_scenario("alder8-short"), seed=46)
    pulls = list(run_through(PullStage(simulation.session), blocks(simulation)))
    assert [pull.ended_by for pull in pulls] == ["throttle lift", "limiter"]
    reviewed = review(simulation.session, pulls)
    first, second = reviewed.tables
    assert PullState.OUTLIER in {reasons[6] for reasons in first.why}  # five missed cycles at 6800 rpm
    assert second.why[-1][7] in {SampleState.SILENT, SampleState.WARMING}  # its supply was lost at 5850 rpm
    assert np.isnan(second.peers[-1, 7])
    assert reviewed.notes[1][0].code is PullNote.LIMITER_REACHED


def tip_ins(lean_s: tuple[float, ...], rich_s: tuple[float, ...], noise: float) -> Scenario:
    """The demo engine's tip-ins alone, with these sensors."""
    demo = load_scenario("alder8")
    parts = {part.name: part for part in demo.profile}
    profile = (
        replace(parts["key on"], seconds=3.0),
        replace(parts["cold idle"], seconds=20.0),
        replace(parts["before the tip-ins"], seconds=8.0),
        parts["tip-ins"],
    )
    return replace(
        demo,
        profile=profile,
        faults=(),
        warm_up=replace(demo.warm_up, start_c=80.0),
        sensors=replace(demo.sensors, lean_s=lean_s, rich_s=rich_s, ready_s=(5.0,) * 8),
        controllers=replace(demo.controllers, group_gap_s=1.0),
        noise=replace(demo.noise, cycle_percent=noise, lambda_white=0.0006),
    )


def tip_in_peaks_and_areas(scenario: Scenario, lag_s: Lags | None, seed: int = 47) -> np.ndarray:
    """Of the mean of the three tip-ins and of the three tip-outs, [2, 2, 8]."""
    simulation = simulate(scenario, seed=seed)
    fuel = burnt_fuel(simulation.session.fuel)
    found = find_tips(simulation.session, fuel, blocks(simulation), lag_s)
    assert [len(group.tips) for group in found.groups] == [3, 3]
    means = [[one.mean for one in group.measures if one] for group in found.groups]
    return np.array([[[m.peak for m in mean], [m.area for m in mean]] for mean in means])


def test_a_slow_sensor_shows_no_excursion_that_is_not_there() -> None:
    demo = load_scenario("alder8").sensors
    true = tip_in_peaks_and_areas(tip_ins((0.3,) * 8, (0.3,) * 8, 0.0), 0.32)
    quiet = tip_ins(demo.lean_s, demo.rich_s, 0.0)
    known = tip_in_peaks_and_areas(quiet, {5: (0.32, 0.24)})
    unknown = tip_in_peaks_and_areas(quiet, None)
    assert np.abs(known - true).max() < 0.003
    assert abs(unknown[0, 0, 4] - np.mean(np.delete(unknown[0, 0], 4))) > 0.008  # what it would have faked
    noisy = tip_in_peaks_and_areas(tip_ins(demo.lean_s, demo.rich_s, 1.5), {5: (0.32, 0.24)})
    assert np.abs(noisy - true).max() < 0.012
