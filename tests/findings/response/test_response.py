"""Fuel cuts in rows made by scipy: edges, measures, refusals, and the law of chunks."""

from functools import lru_cache

import numpy as np
import pytest
from gas_steps import ROW_NS, SHOP_AIR, START_NS, block, commands, gas, lagged, sampled, t63, uneven
from laws import same_for_all_splits

from mixmon.findings.response.cuts import ResponseStage
from mixmon.findings.response.notes import EdgeProblem, ResponseNote
from mixmon.findings.response.response import WarmUpStage
from mixmon.findings.response.sensors import sensor_responses
from mixmon.mixture.block import SampleState
from mixmon.session.model import Node

BURNT, CUT_S, BACK_S, END_S = -2.8, 3.003, 5.208, 8.0
LEAN_S = (0.085, 0.080, 0.090, 0.300)
RICH_S = (0.085, 0.080, 0.090, 0.220)
LATE_S = (0.040, 0.046, 0.052, 0.058)
FILTER_S = 0.020
AGES = (1_000_000, 4_000_000, 6_500_000, 9_000_000)
NOISE = 0.03
NODES = tuple(Node(j + 1, (j + 1,), f"S-{j + 1}") for j in range(4))


@lru_cache
def readings(seed=1, noise=NOISE, steps=((0.0, BURNT), (CUT_S, SHOP_AIR), (BACK_S, BURNT)), seconds=END_S):
    rng = np.random.default_rng(seed)
    out = []
    for lean, rich, late in zip(LEAN_S, RICH_S, LATE_S, strict=True):
        element = uneven(gas(seconds, steps, late), lean, rich)
        reading = lagged(element, FILTER_S)
        out.append(reading + noise * np.repeat(rng.standard_normal(len(reading) // 10), 10))
    return out


def rows(*, now=None, state=None, every=1, clip=None, **made):
    oxygen = readings(**made)
    count = len(oxygen[0]) // 10
    held = sampled(oxygen, count, AGES, every)
    if clip is not None:
        held["oxygen"][:] = np.minimum(held["oxygen"], clip)
    known = {
        "rpm": np.full(count, 5000.0),
        "load": np.full(count, 1.0),
        "fuel_cut": commands(count, [(0.0, 0.0), (CUT_S, 1.0), (BACK_S, 0.0)]),
    }
    return block(held, known if now is None else now, state=state)


def measured(rows, *pieces, **known):
    stage = ResponseStage(**known)
    cuts = []
    for piece in pieces or [slice(0, len(rows))]:
        cuts += stage.feed(rows.take(piece))
    return cuts + stage.flush()


@lru_cache
def usual_cuts(seed=1):
    return tuple(measured(rows(seed=seed)))


def test_one_cut_tells_every_sensors_times_both_ways():
    (one,) = usual_cuts()
    for j in range(4):
        assert one.lean.fit.t63_s[j] == pytest.approx(t63(LEAN_S[j], FILTER_S), rel=0.03)
        assert one.rich.fit.t63_s[j] == pytest.approx(t63(RICH_S[j], FILTER_S), rel=0.03)
        assert one.lean.fit.tau_s[j] == pytest.approx(LEAN_S[j], rel=0.05)
        assert one.lean.fit.dead_s[j] == pytest.approx(LATE_S[j], abs=0.015)  # engine signals come each 20 ms
        assert one.rich.fit.dead_s[j] == pytest.approx(LATE_S[j], abs=0.015)
    assert one.air.percent == pytest.approx([SHOP_AIR] * 4, abs=0.03)
    assert one.seconds == pytest.approx(BACK_S - CUT_S, abs=0.03)
    assert one.t == pytest.approx(START_NS + (CUT_S + 0.045) * 1e9, abs=3e7)
    assert one.lean.command
    assert one.lean.dead_s == pytest.approx(np.mean(LATE_S), abs=0.015)
    until_63 = [late + t63(tau, FILTER_S) for late, tau in zip(LATE_S, LEAN_S, strict=True)]
    assert one.lean.delay_s == pytest.approx(np.median(until_63), abs=0.02)
    assert (one.lean.rpm, one.lean.left_out) == (5000.0, (None,) * 4)


def test_stages_side_by_side_measure_a_cut_once_and_another_one_anew():
    """Any change of a reading within the cut is another cut; what a caller knows of the filter counts too."""
    made = rows(seed=3)
    (one,), (again,) = measured(made), measured(made, slice(0, 411), slice(411, len(made)))
    assert again is one
    made.oxygen[450, 2] += 0.5
    (other,) = measured(made)
    assert other.lean.fit.t63_s[2] != one.lean.fit.t63_s[2]
    (told,) = measured(rows(seed=3), filter_s=0.03)
    assert told.lean.fit.tau_s[0] != one.lean.fit.tau_s[0]


@pytest.mark.parametrize("every", [2, 5])
def test_slower_sensors_are_measured_by_their_own_stamps(every):
    (one,) = measured(rows(every=every))
    for j in range(4):
        assert one.lean.fit.t63_s[j] == pytest.approx(t63(LEAN_S[j], FILTER_S), rel=0.06)


def test_a_filter_that_is_told_is_not_looked_for():
    (one,) = measured(rows(), filter_s=FILTER_S)
    assert one.lean.fit.filter_s == pytest.approx([FILTER_S] * 4, rel=0.01)
    assert one.lean.fit.tau_s == pytest.approx(LEAN_S, rel=0.02)


def test_without_engine_signals_the_times_are_the_same_and_no_command_is_claimed():
    (one,), (bare,) = usual_cuts(), measured(rows(now={}))
    assert not bare.lean.command
    assert np.isnan([bare.lean.rpm, bare.lean.dead_s, bare.lean.delay_s]).all()
    assert bare.lean.fit.t63_s == pytest.approx(one.lean.fit.t63_s, rel=1e-3)


def test_pulses_of_nothing_are_a_command_too():
    count = round(END_S * 100)
    pulse = commands(count, [(0.0, 4.0), (CUT_S, 0.0), (BACK_S, 4.0)])
    (one,) = measured(rows(now={"pulse_ms": pulse}))
    assert one.lean.command
    assert one.lean.fit.dead_s == pytest.approx(LATE_S, abs=0.015)


def test_readings_that_clip_short_of_air_still_tell_the_time():
    (one,) = measured(rows(clip=15.4))
    assert one.clipped.all()
    assert one.lean.fit.t63_s == pytest.approx([t63(tau, FILTER_S) for tau in LEAN_S], rel=0.08)
    assert np.isnan(one.air.percent).all()


def test_a_sensor_that_fails_within_the_cut_is_left_out_and_named():
    state = np.full((800, 4), SampleState.VALID, np.uint8)
    state[305:420, 2] = SampleState.WARMING
    (one,) = measured(rows(state=state))
    assert one.lean.left_out[2] is EdgeProblem.NOT_MEASURING
    assert one.lean.followed.tolist() == [True, True, False, True]
    assert np.isnan(one.lean.fit.t63_s[2])
    assert np.isfinite(one.lean.fit.t63_s[[0, 1, 3]]).all()


def test_an_engine_that_stops_is_not_a_cut():
    count = round(END_S * 100)
    rpm = np.interp(np.arange(count) / 100, [CUT_S, CUT_S + 0.8], [1000.0, 0.0])
    stage = ResponseStage()
    assert stage.feed(rows(now={"rpm": rpm})) + stage.flush() == []
    assert stage.unclear == 1


def test_a_cut_in_which_the_engine_stops_late_tells_the_way_in_only():
    rpm = np.interp(np.arange(1600) / 100, [CUT_S + 1.8, CUT_S + 2.2], [3000.0, 0.0])
    stage = ResponseStage()
    known = rows(steps=((0.0, BURNT), (CUT_S, SHOP_AIR)), seconds=16.0, now={"rpm": rpm})
    (one,) = stage.feed(known) + stage.flush()
    assert np.isnan(one.seconds)
    assert one.rich is None
    assert one.lean.fit.t63_s == pytest.approx([t63(tau, FILTER_S) for tau in LEAN_S], rel=0.05)


def test_a_misfire_of_one_cylinder_is_not_a_cut():
    made = rows()
    made.oxygen[:, 1:] = BURNT
    assert measured(made) == []


def test_a_long_cut_is_measured_before_it_ends():
    made = rows(steps=((0.0, BURNT), (CUT_S, SHOP_AIR)), seconds=16.0, now={})
    stage = ResponseStage()
    (one,) = stage.feed(made)
    assert np.isnan(one.seconds)
    assert one.rich is None
    assert one.lean.fit.t63_s == pytest.approx([t63(tau, FILTER_S) for tau in LEAN_S], rel=0.03)
    assert stage.flush() == []


def test_nothing_is_measured_across_a_break_of_time():
    made = rows()
    later = made.take(slice(330, 800))
    later.stretch[:] = 1
    stage = ResponseStage()
    found = stage.feed(made.take(slice(0, 310))) + stage.feed(later) + stage.flush()
    assert [one for one in found if one.rich is not None] == []


def test_splits_do_not_matter():
    made = rows(steps=((0.0, BURNT), (CUT_S, SHOP_AIR), (4.1, BURNT), (5.0, SHOP_AIR), (6.5, BURNT)))

    def run(pieces):
        cuts = measured(made, *pieces)
        ways = [way for one in cuts for way in (one.lean, one.rich) if way is not None]
        return [(one.t, one.seconds, one.air.percent.tobytes()) for one in cuts], [
            (way.t, way.command, way.fit.t63_s.tobytes(), way.fit.dead_sd.tobytes(), way.left_out)
            for way in ways
        ]

    times, ways = same_for_all_splits(len(made), run)
    assert (len(times), len(ways)) == (2, 4)


def found(*runs, warm_up=(9.8, 10.2, 10.0, 17.5), air=None):
    """What the cuts of some runs tell of the sensors."""
    cuts = [one for cuts in runs for one in cuts]
    return sensor_responses(NODES, cuts, (), np.array(warm_up), air)


def test_the_slow_uneven_sensor_is_flagged_and_no_other():
    sensors = found(*map(usual_cuts, (1, 2, 3)))
    assert [one.code for one in sensors[3].flags] == [
        ResponseNote.SLOW,
        ResponseNote.SLOWER_LEAN_GOING,
        ResponseNote.SLOW_TO_WARM_UP,
    ]
    assert [one.flags for one in sensors[:3]] == [()] * 3
    slow = sensors[3]
    peers = t63(0.085, FILTER_S)
    assert slow.times_peers == pytest.approx((t63(0.3, 0.02) + t63(0.22, 0.02)) / 2 / peers, rel=0.05)
    assert slow.uneven == pytest.approx(t63(0.3, 0.02) / t63(0.22, 0.02), rel=0.05)
    assert (slow.lean.cuts, slow.lean.steps) == (3, 0)
    assert abs(slow.lean.t63_s - t63(0.3, 0.02)) < slow.lean.half_s < 0.1 * slow.lean.t63_s


def test_a_sensor_is_not_among_its_own_peers():
    state = np.full((800, 4), SampleState.VALID, np.uint8)
    state[:, 1:3] = SampleState.LEFT_OUT
    first, _, _, last = found(measured(rows(state=state)))
    assert last.times_peers == pytest.approx(last.t63_s / first.t63_s)
    assert first.times_peers == pytest.approx(first.t63_s / last.t63_s)
    assert last.left_out == {}


def test_more_cuts_narrow_the_interval():
    once, often = found(usual_cuts(1)), found(*map(usual_cuts, range(1, 6)))
    assert often[0].lean.half_s < 0.75 * once[0].lean.half_s
    # never below what a shape that is not quite two lags makes in all cuts alike
    assert often[0].lean.half_s > 0.02 * often[0].lean.t63_s


def test_air_is_judged_by_the_peers_and_by_the_damp_air_if_that_is_told():
    made = rows()
    made.oxygen[:, 1] *= np.where(made.oxygen[:, 1] > 0, 0.975, 1.0)
    cuts = measured(made)
    without, told = found(cuts)[1], found(cuts, air=20.553)[1]
    assert ResponseNote.LOW_IN_AIR in {one.code for one in without.flags}
    assert without.air_to_peers_percent == pytest.approx(-2.5, abs=0.1)
    assert np.isnan(without.air_to_expected_percent)
    # 20.553 % at 25 degC and 60 %: Buck's vapour pressure, see the tests of gas.air
    assert told.air_to_expected_percent == pytest.approx(100 * (0.975 * SHOP_AIR / 20.553 - 1), abs=0.1)


def test_reasons_are_counted():
    state = np.full((800, 4), SampleState.VALID, np.uint8)
    state[305:420, 2] = SampleState.SILENT
    assert found(measured(rows(state=state)))[2].left_out == {EdgeProblem.NOT_MEASURING: 1}


def warm_rows(ready_row, heat_row, heaters=True):
    count, n = 2000, len(ready_row)
    state = np.full((count, n), SampleState.WARMING, np.uint8)
    heater = np.full((count, n), np.nan)
    for j in range(n):
        state[ready_row[j] :, j] = SampleState.VALID
        heater[5:, j] = 0.0
        heater[heat_row[j] :, j] = 90.0
    state[1500:1700, 0] = SampleState.WARMING  # a restart
    held = sampled([np.zeros(20_000)] * n, count, (0,) * n)
    return block(held, {}, state=state, heater=heater if heaters else None)


def test_warm_up_counts_from_the_heater_and_only_once():
    made = warm_rows((980, 1800), (20, 820))

    def run(pieces):
        stage = WarmUpStage([True, True])
        for piece in pieces:
            stage.feed(made.take(piece))
        return stage.result().tolist()

    assert same_for_all_splits(len(made), run) == pytest.approx([9.6, 9.8])


def test_warm_up_without_heater_counts_from_the_first_sample():
    stage = WarmUpStage([False, False])
    stage.feed(warm_rows((980, 0), (20, 0), heaters=False))
    assert stage.result()[0] == pytest.approx(980 * ROW_NS / 1e9)
    assert np.isnan(stage.result()[1])
