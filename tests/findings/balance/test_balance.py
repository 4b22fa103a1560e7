"""Needs, intervals, spread and trims against engines whose truth is known.

The readings are made in `dwells`, by other means than the package's own simulator.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from dwells import AXES, dwell, found, needs_of, session
from laws import everything, same_for_all_splits

from mixmon.findings.balance.balance import OTHER_STAGE, Balance, BalanceStage, predicted_spread, spread
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.staged import with_stages
from mixmon.findings.balance.trims import plan_trims
from mixmon.findings.stats import Estimate
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.model import (
    Axes,
    Chain,
    Engine,
    Injection,
    LowFlowMask,
    Node,
    Session,
    SignalChoice,
    Staging,
    Trims,
    Validity,
)

RPM = {"rpm": SignalChoice("engine", "Engine_Fast", "Speed")}


def balance(blocks: list[CylinderBlock], made: Session, against: str = "peers", **more: object) -> Balance:
    stage = BalanceStage(made, **more)  # type: ignore[arg-type]
    for block in blocks:
        stage.feed(block)
    return stage.result(against)


def with_state(
    block: CylinderBlock, rows: slice, node: int, state: SampleState, **more: float
) -> CylinderBlock:
    states = block.state.copy()
    states[rows, node] = state
    lam = block.lam.copy()
    if "lam" in more:
        lam[rows, node] = more["lam"]
    return dataclasses.replace(block, state=states, lam=lam)


@pytest.mark.parametrize("n", [4, 6, 8, 12, 16])
def test_needs_are_within_half_a_percent_of_truth_and_intervals_cover_it(n: int) -> None:
    covered = []
    for seed in range(12):
        rng = np.random.default_rng([n, seed])
        offsets = rng.uniform(-0.1, 0.1, n)
        truth = needs_of(offsets)
        result = balance([dwell(offsets, rng)], session(n))
        for one, true in zip(result.cylinders, truth, strict=True):
            assert abs(one.needs_percent - true) < 0.5
            low, high = one.interval95_percent
            covered.append(low <= true <= high)
            assert 0.05 < (high - low) / 2 < 0.5
    assert np.mean(covered) >= 0.88  # 48 to 192 looks; the wide study is in tools/


def test_two_cylinders_average_in_the_fuel_domain() -> None:
    # 0.80 and 0.95 read together as 1 / mean(1 / lambda) = 0.868571, the plain mean is 0.875 (computed)
    still = dwell(np.log(np.array([0.80, 0.95]) / 0.9), np.random.default_rng(1))
    exact = dataclasses.replace(still, lam=np.broadcast_to([0.80, 0.95], still.lam.shape).copy())
    result = balance([exact], session(2), against="target")
    (engine,) = result.whole_engine
    assert engine.needs_percent == pytest.approx(100 * (0.868571 / 0.9 - 1), abs=1e-4)
    peers = balance([exact], session(2))
    assert peers.cylinders[0].needs_percent == pytest.approx(100 * (0.80 / 0.868571 - 1), abs=1e-4)


def test_the_engine_is_all_air_over_all_fuel_where_the_air_is_told() -> None:
    """By hand: 3 parts of air at lambda 0.8 and 1 at 0.95 take 3/0.8 + 1/0.95 parts of fuel."""
    still = dwell(np.log(np.array([0.80, 0.95]) / 0.9), np.random.default_rng(1))
    exact = dataclasses.replace(still, lam=np.broadcast_to([0.80, 0.95], still.lam.shape).copy())
    told = session(2, engine=Engine(2, charge_share=(60.0, 20.0)))
    engine = 4 / (3 / 0.80 + 1 / 0.95)
    result = balance([exact], told)
    assert [c.needs_percent for c in result.cylinders] == pytest.approx(
        [100 * (0.80 / engine - 1), 100 * (0.95 / engine - 1)], abs=1e-4
    )
    assert result.whole_engine[0].lam == pytest.approx(engine, abs=1e-6)
    assert not found(BalanceNote.EQUAL_AIR_ASSUMED, result.notes)


def test_common_drift_of_the_engine_does_not_widen_the_needs_against_peers() -> None:
    rng = np.random.default_rng(2)
    block = dwell(np.zeros(4), rng)
    swing = np.exp(0.05 * np.sin(np.arange(len(block)) / 100))[:, None]
    result = balance([dataclasses.replace(block, lam=block.lam * swing)], session(4))
    assert all(c.interval95_percent[1] - c.interval95_percent[0] < 1.0 for c in result.cylinders)


def test_cells_of_unequal_needs_widen_the_interval_and_are_named() -> None:
    rng = np.random.default_rng(3)
    a, b = np.array([0.0, 0.05, 0.0, -0.05]), np.zeros(4)
    result = balance([dwell(a, rng), dwell(b, rng, rpm=6000.0, load=100.0, first=1300)], session(4))
    (apart,) = found(BalanceNote.CELLS_DISAGREE, result.cylinders[1].flags)
    assert apart["most_percent"] == pytest.approx(needs_of(a)[1], abs=0.5)
    assert apart["least_percent"] == pytest.approx(0.0, abs=0.5)
    low, high = result.cylinders[1].interval95_percent
    assert low < needs_of(a)[1] / 2 < high
    by_cell = {(c.rpm, c.cylinder): c for c in result.cells}
    for (rpm, cylinder), truth in (((3000.0, 2), needs_of(a)[1]), ((6000.0, 2), 0.0)):
        assert by_cell[rpm, cylinder].needs_percent == pytest.approx(truth, abs=0.5)


def test_the_zone_of_reversion_is_shown_and_not_used() -> None:
    rng = np.random.default_rng(4)
    idle, load = np.array([0.09, 0.0, 0.0, 0.0]), np.zeros(4)
    rules = Validity(low_flow_mask=LowFlowMask(1400, 5))
    blocks = [dwell(idle, rng, rpm=1100.0, load=3.0), dwell(load, rng, first=1300)]
    result = balance(blocks, session(4, validity=rules))
    assert abs(result.cylinders[0].needs_percent) < 0.5
    marks = {(c.rpm, c.cylinder): (c.used_for_trims, c.needs_percent) for c in result.cells}
    assert marks[1100.0, 1][0] is False
    assert marks[1100.0, 1][1] == pytest.approx(needs_of(idle)[0], abs=0.5)
    assert marks[3000.0, 1][0] is True


def test_one_wild_sample_does_not_move_a_need() -> None:
    clean = dwell(np.array([0.02, -0.02, 0.0]), np.random.default_rng(5))
    lam = clean.lam.copy()
    lam[700, 0], lam[900, 1] = 1.55, 0.69
    without = balance([clean], session(3))
    result = balance([dataclasses.replace(clean, lam=lam)], session(3))
    for a, b in zip(result.cylinders, without.cylinders, strict=True):
        assert a.needs_percent == pytest.approx(b.needs_percent, abs=0.01)
    assert result.cylinders[0].left_out_s["outlier"] == 0.01


def test_a_burst_of_a_quarter_second_does_not_move_a_need() -> None:
    clean = dwell(np.array([0.02, -0.02, 0.0]), np.random.default_rng(6))
    lam = clean.lam.copy()
    lam[700:725, 2] += 0.33 * np.sin(np.linspace(0, np.pi, 25))
    result = balance([dataclasses.replace(clean, lam=lam)], session(3))
    truth = needs_of(np.array([0.02, -0.02, 0.0]))
    assert result.cylinders[2].needs_percent == pytest.approx(truth[2], abs=0.3)
    assert found(BalanceNote.OUTLIERS_EXCLUDED, result.cylinders[2].flags) == [{"seconds": 0.25}]


def test_invalid_samples_never_enter() -> None:
    clean = dwell(np.zeros(4), np.random.default_rng(7))
    for state in SampleState:
        if state is SampleState.VALID:
            continue
        spoilt = with_state(clean, slice(500, 900), 1, state, lam=1.3)
        result = balance([spoilt], session(4))
        censored = state in {SampleState.AT_RICH_LIMIT, SampleState.AT_LEAN_LIMIT}
        if censored:
            assert np.isnan(result.cylinders[1].needs_percent)
        else:
            assert abs(result.cylinders[1].needs_percent) < 0.5
        assert result.cylinders[1].left_out_s[state.word] == 4.0


def test_a_cylinder_at_its_limit_gets_no_finite_need_and_no_cylinder_a_new_trim() -> None:
    block = with_state(
        dwell(np.zeros(4), np.random.default_rng(8)), slice(400, 800), 3, SampleState.AT_RICH_LIMIT
    )
    result = balance([block], session(4, trims=Trims(identity="stated", now_percent=(0.0, 0.0, 0.0, 1.5))))
    cylinder = result.cylinders[3]
    assert np.isnan(cylinder.needs_percent)
    assert cylinder.trim_now_percent == 1.5
    assert all(np.isnan(one.trim_new_percent) for one in result.cylinders)
    assert found(BalanceNote.CYLINDERS_AT_LIMIT, result.withheld) == [{"rich": (4,), "lean": ()}]
    assert found(BalanceNote.AT_RICH_LIMIT, cylinder.flags) == [{"cells": 1}]
    assert result.spread.cylinders_used == 3


def test_a_cylinder_left_out_is_not_in_the_reference() -> None:
    offsets = np.array([0.0, 0.0, 0.0, 0.09])
    block = dwell(offsets, np.random.default_rng(9))
    gone = with_state(block, slice(None), 3, SampleState.LEFT_OUT)
    result = balance([gone], session(4), left_out=frozenset({4}))
    assert all(abs(c.needs_percent) < 0.5 for c in result.cylinders[:3])
    assert result.cylinders[3].left_out_s == {"left out": 13.0}


def test_a_node_that_falls_silent_half_way_does_not_bend_the_others() -> None:
    offsets = np.array([0.06, 0.02, -0.03, -0.05])
    block = dwell(offsets, np.random.default_rng(10), seconds=23)
    result = balance([with_state(block, slice(1300, None), 0, SampleState.SILENT)], session(4))
    for one, true in zip(result.cylinders, needs_of(offsets), strict=True):
        assert one.needs_percent == pytest.approx(true, abs=0.5)
    assert result.cylinders[0].usable_s < result.cylinders[1].usable_s


def test_one_sensor_for_two_cylinders_counts_twice_and_says_so() -> None:
    nodes = (Node(1, (1, 2)), Node(2, (3,)))
    made = Session(Engine(3), Chain("chain", {}, nodes), (), axes=AXES, trims=Trims(identity="stated"))
    offsets = np.array([0.03, -0.03])
    result = balance([dwell(offsets, np.random.default_rng(11))], made)
    true = needs_of(np.array([0.03, 0.03, -0.03]))
    assert [c.needs_percent for c in result.cylinders] == pytest.approx(true, abs=0.5)
    assert found(BalanceNote.SHARED_SENSOR, result.cylinders[0].flags) == [{"with_cylinders": (2,)}]
    trims = [c.trim_new_percent for c in result.cylinders]
    assert trims[0] == pytest.approx(trims[1], abs=0.5)  # a step apart at most, to keep the mean


@pytest.mark.parametrize("n", [4, 8, 16])
def test_trims_bring_the_spread_to_what_was_predicted(n: int) -> None:
    inside = []
    for seed in range(10):
        rng = np.random.default_rng([seed, n, 1])
        offsets = rng.uniform(-0.05, 0.05, n)
        held = tuple(np.round(rng.uniform(-2, 2, n) * 2) / 2)
        result = balance([dwell(offsets, rng)], session(n, trims=Trims(identity="stated", now_percent=held)))
        new = np.array([c.trim_new_percent for c in result.cylinders])
        after = offsets - np.log((1 + new / 100) / (1 + np.array(held) / 100))
        left = float(np.ptp(needs_of(after)))
        low, high = result.predicted_spread.interval95
        inside.append(low <= left <= high)
        assert left < 1.2
        burnt = np.exp(-offsets)
        change = (burnt * (100 + new) / (100 + np.array(held))).sum() / burnt.sum() - 1
        assert 100 * change == pytest.approx(result.fuel_percent, abs=0.02)
        assert abs(result.fuel_percent) <= 0.25  # half a step on every cylinder
        assert (new * 2 == np.round(new * 2)).all()
    assert np.mean(inside) >= 0.8


def estimate_of(percent: float, half: float) -> Estimate:
    return Estimate(np.log1p(percent / 100), half / 100, half / 200, 40.0)


@pytest.mark.parametrize(
    "others", [[-0.19] * 15, [-0.13] * 14 + [-0.95]], ids=["all others alike", "one other lean of them"]
)
def test_one_clear_need_among_small_ones_is_trimmed_and_no_other_pays_for_it(others: list[float]) -> None:
    needs = [2.8, *others]
    plan = plan_trims(session(16), tuple(estimate_of(need, 0.6) for need in needs))
    assert plan.new[0] == pytest.approx(2.8, abs=0.5)
    for trim, need in zip(plan.new[1:], needs[1:], strict=True):
        assert -1.0 <= trim <= 0.0 if need < -0.6 else trim == 0.0


@pytest.mark.parametrize("truth", [[0.0] * 16, [0.03] + [0.0] * 15], ids=["all alike", "one weak"])
def test_the_predicted_spread_holds_also_where_cylinders_are_alike(truth: list[float]) -> None:
    inside = []
    for seed in range(30):
        rng = np.random.default_rng([seed, 7])
        error = 0.0015
        read = np.array(truth) + error * rng.standard_normal(16)
        read += np.log(np.mean(np.exp(-read)))
        needs = tuple(Estimate(x, 2 * error, error, 40.0) for x in read)
        plan = plan_trims(session(16), needs)
        spread = float(np.ptp(needs_of(np.array(truth) - plan.moves)))
        low, high = predicted_spread(needs, plan.moves).interval95
        inside.append(low - 1e-6 <= spread <= high + 1e-6)
    assert np.mean(inside) >= 0.9


def test_a_range_that_noise_alone_could_make_reaches_down_to_zero() -> None:
    needs = tuple(Estimate(x, 0.002, 0.001, 40.0) for x in np.linspace(-0.00245, 0.00245, 16))
    found = spread(needs)
    assert found.value == pytest.approx(0.49, abs=0.01)
    assert found.interval95[0] == 0.0


def test_the_last_half_second_of_a_dwell_is_not_counted() -> None:
    block = dwell(np.zeros(3), np.random.default_rng(18))
    lam = block.lam.copy()
    lam[-50:, 0] *= 1.2  # what comes while nobody has noticed yet that the dwell is over
    spoilt = dataclasses.replace(block, lam=lam)
    assert everything(balance([spoilt], session(3)).cells) == everything(balance([block], session(3)).cells)


def test_spread_of_equal_cylinders_reaches_down_to_zero() -> None:
    result = balance([dwell(np.zeros(8), np.random.default_rng(12))], session(8))
    assert result.spread.interval95[0] == 0.0
    assert result.spread.value < 1.0


def test_too_little_data_withholds_trims_and_says_why() -> None:
    result = balance([dwell(np.zeros(4), np.random.default_rng(13), seconds=3.5)], session(4))
    assert found(BalanceNote.TOO_FEW_NEEDS, result.withheld) == [{"known": 0, "cylinders": 4}]
    assert all(np.isnan(c.trim_new_percent) for c in result.cylinders)
    assert np.isnan(result.spread.value)


def test_a_large_need_asks_for_a_mechanical_cause_and_a_limit_is_named() -> None:
    offsets = np.array([0.09, -0.03, -0.03, -0.03])
    limits = Trims(identity="stated", lowest_percent=-10, highest_percent=6, now_percent=(0.0,) * 4)
    result = balance([dwell(offsets, np.random.default_rng(14))], session(4, trims=limits))
    assert result.cylinders[0].trim_new_percent == 6.0
    assert found(BalanceNote.TRIM_AT_LIMIT, result.cylinders[0].flags) == [{}]
    assert found(BalanceNote.LARGE_TRIM_CHANGE, result.cylinders[0].flags) == [{"limit_percent": 5.0}]
    (left,) = found(BalanceNote.FUEL_LEFT_OVER, result.notes)
    assert left["trims_add_percent"] == result.fuel_percent == pytest.approx(-0.95, abs=0.1)


def test_an_engine_far_from_its_target_raises_doubt_about_the_scale() -> None:
    block = dwell(np.full(3, np.log(0.62)), np.random.default_rng(19))
    (far,) = found(BalanceNote.ENGINE_FAR_FROM_TARGET, balance([block], session(3)).notes)
    assert far["needs_percent"] == pytest.approx(100 * (0.62 - 1), abs=0.5)
    near = balance([dwell(np.zeros(3), np.random.default_rng(19))], session(3, engine_signals=RPM))
    assert [one.code for one in near.notes] == [
        BalanceNote.IDENTITY_STATED,
        BalanceNote.EQUAL_AIR_ASSUMED,
        BalanceNote.TRIMS_NOW_ASSUMED_ZERO,
        BalanceNote.TOO_SHORT_FOR_WANDER,
    ]


def test_time_in_which_cuts_are_no_longer_told_is_not_counted_and_is_said() -> None:
    block = dwell(np.zeros(4), np.random.default_rng(41), seconds=30.0)
    told = np.zeros(len(block))
    told[1500:] = np.nan
    silent = dataclasses.replace(block, now={**block.now, "fuel_cut": told})
    whole, half = (balance([rows], session(4, engine_signals=RPM)) for rows in (block, silent))
    assert max(c.usable_s for c in half.cylinders) <= 12.0 < min(c.usable_s for c in whole.cylinders)
    assert found(BalanceNote.CUTS_UNKNOWN, half.notes) == [{"seconds": 15.0}]
    assert not found(BalanceNote.CUTS_UNKNOWN, whole.notes)


def test_a_node_slower_than_its_definition_is_told_so() -> None:
    block = with_state(dwell(np.zeros(3), np.random.default_rng(20)), slice(200, None), 1, SampleState.HELD)
    result = balance([block], session(3))
    assert found(BalanceNote.SENDS_TOO_SELDOM, result.cylinders[1].flags)
    assert not found(BalanceNote.SENDS_TOO_SELDOM, result.cylinders[0].flags)


def test_banks_are_compared_with_the_whole_engine() -> None:
    offsets = np.array([0.01, 0.01, -0.01, -0.01])
    made = session(4)
    banked = dataclasses.replace(
        made, engine=dataclasses.replace(made.engine, banks={"A": (1, 2), "B": (3, 4)})
    )
    result = balance([dwell(offsets, np.random.default_rng(15))], banked)
    assert [b.bank for b in result.banks] == ["A", "B"]
    assert [b.needs_percent for b in result.banks] == pytest.approx([1.0, -1.0], abs=0.3)


def test_the_result_does_not_depend_on_how_rows_were_delivered() -> None:
    rng = np.random.default_rng(16)
    offsets = np.array([0.03, -0.01, 0.0, -0.02])
    parts = [dwell(offsets, rng), dwell(offsets, rng, rpm=6000.0, load=100.0, first=1300)]
    whole = [np.concatenate([getattr(p, f) for p in parts]) for f in ("t", "lam", "state")]
    now = {k: np.concatenate([p.now[k] for p in parts]) for k in parts[0].now}
    state = whole[2]
    state[rng.random(state.shape) < 0.02] = SampleState.SUSPECT

    def rows(piece: slice) -> CylinderBlock:
        k = piece.stop - piece.start
        return CylinderBlock(
            t=whole[0][piece],
            stretch=np.zeros(k, np.int64),
            lam=whole[1][piece],
            oxygen=np.zeros((k, 4)),
            age=np.zeros((k, 4), np.int64),
            fresh=np.ones((k, 4), np.bool_),
            state=state[piece],
            shifted={"target": np.full((k, 4), 0.9)},
            now={name: column[piece] for name, column in now.items()},
            aux={},
        )

    same_for_all_splits(2600, lambda pieces: everything(balance([rows(p) for p in pieces], session(4))))


def staged(*visits: tuple[np.ndarray, float], **more: object) -> Balance:
    """A balance of visits to speeds, with a staging line at 4500 rpm."""
    stage = BalanceStage(session(4, injection=Injection(staging=Staging(rpm_above=4500.0)), **more))
    rng = np.random.default_rng(1)
    for i, (offsets, rpm) in enumerate(visits):
        stage.feed(dwell(offsets, rng, rpm=rpm, first=1300 * i))
    return with_stages(stage.result(), stage)


OFFSETS = np.array([0.0, 0.01, -0.02, 0.005])


def test_a_step_of_one_cylinder_at_the_staging_line_is_no_step_of_the_others() -> None:
    """The mean moves with one cylinder of four, and the needs of the others by a quarter of it."""
    result = staged((OFFSETS, 3000.0), (OFFSETS + 0.03 * np.eye(4)[1], 6000.0))
    assert [one.clear for one in result.staging_steps] == [False, True, False, False]
    assert result.staging_steps[1].percent == pytest.approx(100 * np.expm1(0.03), abs=0.4)
    assert [one.injection_stage for one in result.staged] == [1, 2]
    assert {c.not_used_because for c in result.cells if c.injection_stage == 2} == {OTHER_STAGE}
    assert result.cylinders[1].needs_percent == pytest.approx(needs_of(OFFSETS)[1], abs=0.4)
    assert result.staged[1].cylinders[1].needs_percent > result.cylinders[1].needs_percent + 1.5
    assert result.staging_steps[1].at_line is None  # one cell on either side: it may be the speed
    assert {n.code for n in result.notes} >= {BalanceNote.OF_INJECTION_STAGE, BalanceNote.STEP_OR_SLOPE}


def test_without_the_axis_of_the_line_no_slope_is_known_to_be_none() -> None:
    second = np.eye(4)[1]
    visits = [(OFFSETS + 0.03 * second * (rpm > 4500.0), rpm) for rpm in (3000.0, 3700.0, 7000.0, 7300.0)]
    result = staged(*visits, axes=Axes(load=(50.0,)))
    assert (result.staging_steps[1].clear, result.staging_steps[1].at_line) == (True, None)


@pytest.mark.parametrize(("slope", "step", "at_line"), [(0.0, 0.03, True), (0.03, 0.0, False)])
def test_a_change_that_goes_on_as_within_the_stages_is_no_step_at_the_line(slope, step, at_line) -> None:
    """One cylinder of four; by hand: the slope takes it 1 % up within the first stage, and 4 % beyond."""
    second = np.eye(4)[1]
    visits = [
        (OFFSETS + second * (slope * (rpm - 3000.0) / 3000.0 + step * (rpm > 4500.0)), rpm)
        for rpm in (3000.0, 3700.0, 4000.0, 7000.0, 7300.0)
    ]
    result = staged(*visits, axes=Axes(rpm=tuple(rpm for _, rpm in visits), load=(50.0,)))
    assert [one.clear for one in result.staging_steps] == [False, True, False, False]
    assert result.staging_steps[1].at_line is at_line
    told = {n.code for n in result.notes} & {BalanceNote.STEP_AT_STAGING, BalanceNote.SLOPE_ACROSS_STAGING}
    assert told == {BalanceNote.STEP_AT_STAGING if at_line else BalanceNote.SLOPE_ACROSS_STAGING}


def test_one_injection_stage_or_none_is_said_to_be_alone() -> None:
    second = staged((OFFSETS, 6000.0))
    assert (second.injection_stage, second.staged) == (2, ())
    assert BalanceNote.ONE_STAGE_HEARD in {n.code for n in second.notes}
    alike = staged((OFFSETS, 3000.0), (OFFSETS, 6000.0))
    assert BalanceNote.NO_STEP_AT_STAGING in {n.code for n in alike.notes}
    assert not {n.code for n in staged().notes} & {
        BalanceNote.ONE_STAGE_HEARD,
        BalanceNote.OF_INJECTION_STAGE,
    }
