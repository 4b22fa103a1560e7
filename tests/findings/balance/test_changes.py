"""Cylinders that change: at a later visit, in mid dwell, in another log; and what is no change.

The engines are made by numpy, with levels that are known at every moment.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from dwells import dwell, found, needs_of, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.changes import even_out, find_outliers
from mixmon.findings.balance.notes import BalanceNote
from mixmon.note import Note
from mixmon.session.model import Axes

AXES = Axes(rpm=(2000.0, 3000.0), load=(20.0, 60.0))
A, B = (3000.0, 60.0), (2000.0, 20.0)
BASE = np.array([0.03, 0.025, -0.035, -0.03, 0.01, 0.0])
THIRD = np.eye(6)[2]
SETTLING_S = 3.0
NO_STEP = np.full(6, np.inf)


def played(visits: list[tuple[tuple[float, float], np.ndarray, float]], pause: int = 0) -> Balance:
    """The balance of visits: a cell, ln lambda of the cylinders in it, usable seconds; rows between them."""
    rng, first, stage = np.random.default_rng(5), 0, BalanceStage(session(6, axes=AXES))
    for number, ((rpm, load), offsets, seconds) in enumerate(visits):
        block = dwell(offsets, rng, seconds=seconds, rpm=rpm, load=load, first=first)
        first += len(block) + pause
        stage.feed(dataclasses.replace(block, stretch=np.full(len(block), number)) if pause else block)
    return stage.result()


def stepped(moved: float, from_s: float) -> Balance:
    """Half a minute and three seconds in one cell, in which cylinder 3 becomes leaner."""
    whole = dwell(BASE, np.random.default_rng(3), seconds=33.0, rpm=A[0], load=A[1])
    lam = whole.lam.copy()
    lam[round(100 * from_s) :, 2] *= np.exp(moved)
    stage = BalanceStage(session(6, axes=AXES))
    stage.feed(dataclasses.replace(whole, lam=lam))
    return stage.result()


def cell_interval(result: Balance, cylinder: int) -> tuple[float, float]:
    """The interval of a cylinder in the only cell, percent."""
    (one,) = (cell for cell in result.cells if cell.cylinder == cylinder)
    return one.needs_percent - one.half_interval_percent, one.needs_percent + one.half_interval_percent


def drift_of(flags: tuple[Note, ...]) -> list[dict[str, Any]]:
    """What is told of a need that moved, suddenly or not."""
    return found(BalanceNote.NEED_CHANGED, flags) + found(BalanceNote.NEED_DRIFTS, flags)


def check_held(result: Balance, moved: float) -> dict[str, Any]:
    """Cylinder 3 alone is told to have changed, and every interval holds the needs before and after."""
    truths = [needs_of(BASE), needs_of(BASE + moved * THIRD)]
    for one, ends in zip(result.cylinders, np.transpose(truths), strict=True):
        low, high = one.interval95_percent
        assert low <= ends.min() + 0.05
        assert high >= ends.max() - 0.05
        assert high - low < (1.2 + 105 * moved if one.cylinder == 3 else 0.5 + 40 * moved)
        assert bool(drift_of(one.flags)) == (one.cylinder == 3)
        assert not found(BalanceNote.WANDERS_SLOWLY, one.flags)
    third = result.cylinders[2]
    assert not found(BalanceNote.OUTLIERS_EXCLUDED, third.flags)
    assert found(BalanceNote.TRIM_KEPT_MOVING, third.flags)
    assert third.trim_new_percent == 0
    (told,) = drift_of(third.flags)
    assert told["change_percent"] == pytest.approx(100 * np.expm1(moved), abs=0.4)
    return told


class TestChanges:
    @pytest.mark.parametrize("moved", [0.04, 0.025])
    def test_at_the_last_of_three_visits(self, moved: float) -> None:
        lean = BASE + moved * THIRD
        result = played([(A, BASE, 13), (B, BASE, 7), (A, BASE, 13), (B, BASE, 7), (A, lean, 9)])
        told = check_held(result, moved)
        assert 33 - 2 * SETTLING_S < told["from_s"] < 33 < told["until_s"] == pytest.approx(40, abs=0.3)

    def test_at_the_second_visit(self) -> None:
        check_held(played([(A, BASE, 13), (B, BASE, 7), (A, BASE + 0.04 * THIRD, 9)]), 0.04)

    def test_in_another_log_of_the_same_cell(self) -> None:
        check_held(played([(A, BASE, 16), (A, BASE + 0.04 * THIRD, 11)], pause=28_000), 0.04)

    @pytest.mark.parametrize("from_s", [31.0, 24.0, 15.0])
    def test_in_mid_dwell(self, from_s: float) -> None:
        told = check_held(stepped(0.04, from_s), 0.04)
        assert told["from_s"] == pytest.approx(from_s - SETTLING_S, abs=0.3)
        assert told["until_s"] == told["from_s"]

    @pytest.mark.parametrize("moved", [0.025, -0.04])
    @pytest.mark.parametrize("from_s", [32.25, 32.0, 31.7])
    def test_in_the_last_second_that_is_counted_it_may_be_one(self, from_s: float, moved: float) -> None:
        """The last half second is not counted: one to four batches are left."""
        result = stepped(moved, from_s)
        before, after = needs_of(BASE), needs_of(BASE + moved * THIRD)
        for numbers in (result.cylinders[2].interval95_percent, cell_interval(result, 3)):
            assert numbers[0] <= min(before[2], after[2]) + 0.1
            assert numbers[1] >= max(before[2], after[2]) - 0.1
        told = [
            c.cylinder for c in result.cylinders if drift_of(c.flags) or found(BalanceNote.END_APART, c.flags)
        ]
        assert told == [3]

    def test_an_end_before_another_cell_that_shows_no_change_is_none(self) -> None:
        burst = dwell(BASE, np.random.default_rng(3), seconds=13.0, rpm=A[0], load=A[1])
        lam = burst.lam.copy()
        lam[-100:, 2] *= 1.04
        stage = BalanceStage(session(6, axes=AXES))
        stage.feed(dataclasses.replace(burst, lam=lam))
        rng = np.random.default_rng(4)
        stage.feed(dwell(BASE, rng, seconds=13.0, rpm=B[0], load=B[1], first=1300))
        third = stage.result().cylinders[2]
        assert not found(BalanceNote.END_APART, third.flags)
        assert np.ptp(third.interval95_percent) < 2

    def test_what_one_cylinder_changed_is_in_the_others_intervals_once(self) -> None:
        """The mean moved by a sixth of 6 %, half of it to either side of the middle."""
        still = {c.cylinder: np.ptp(c.interval95_percent) for c in stepped(0.0, 15.0).cylinders}
        for one in stepped(0.06, 15.0).cylinders:
            if one.cylinder != 3:
                more = (np.ptp(one.interval95_percent) - still[one.cylinder]) / 2
                assert more == pytest.approx(100 * 0.06 / 6 / 2, abs=0.06)

    def test_the_cell_by_itself_holds_both_needs_too(self) -> None:
        (third,) = (one for one in stepped(0.04, 18.0).cells if one.cylinder == 3)
        ends = needs_of(BASE)[2], needs_of(BASE + 0.04 * THIRD)[2]
        assert third.needs_percent - third.half_interval_percent <= ends[0] + 0.05
        assert third.needs_percent + third.half_interval_percent >= ends[1] - 0.05

    def test_engines_that_hold_still_change_in_no_way(self) -> None:
        for seed in range(12):
            rng = np.random.default_rng([seed, 7])
            y = 0.004 * rng.standard_normal((240, 1)) + 0.003 * rng.standard_normal((240, 8))
            visit = np.repeat([0, 2, 5], 80)
            even, changes = even_out(y, np.full(8, np.inf), visit)
            assert not changes
            assert (even == y).all()
            assert not find_outliers(y, np.full(8, np.inf), visit).any()

    def test_fuel_that_is_stepped_in_coded_groups_is_no_change_of_any(self) -> None:
        """Eight cylinders: a step for each binary digit of their numbers, and one for parity."""
        codes = np.array([[b >> 2 & 1, b >> 1 & 1, b & 1, (b ^ b >> 1 ^ b >> 2) & 1] for b in range(8)])
        for seed in range(20):
            rng = np.random.default_rng([seed, 8])
            y = 0.003 * rng.standard_normal((270, 1)) + 0.003 * rng.standard_normal((270, 8))
            signs = 1 - 2 * rng.permutation(codes)
            for step, from_row in enumerate(range(30, 170, 36)):
                y[from_row : from_row + 28] += 0.03 * signs[:, step]
            even, changes = even_out(y, np.full(8, np.inf), np.zeros(270, np.int64))
            assert changes is None
            assert (even == y).all()

    @pytest.mark.parametrize("from_row", [80, 150, 232])
    @pytest.mark.parametrize("silent", [None, 2, 5])
    def test_holes_hide_no_change(self, from_row: int, silent: int | None) -> None:
        """A node is not heard for a while: the one that changes, or another."""
        rng = np.random.default_rng(from_row)
        y = BASE + 0.003 * rng.standard_normal((240, 1)) + 0.001 * rng.standard_normal((240, 6))
        y[from_row:, 2] += 0.03
        if silent is not None:
            y[20:60, silent] = np.nan
        (change,) = even_out(y, NO_STEP, np.zeros(240, np.int64))[1] or ()
        assert (change.node, change.row) == (2, from_row)
        assert change.moved == pytest.approx(0.03, abs=0.003)

    @pytest.mark.parametrize("silent", [False, True])
    @pytest.mark.parametrize("moved", [-0.017, 0.017])
    def test_a_change_in_the_last_second(self, moved: float, silent: bool) -> None:
        """Half of it, which is in the median of two seconds, is less than the least change."""
        y = BASE + 0.001 * np.random.default_rng(6).standard_normal((100, 6))
        y[96:, 4] += moved
        y[20:60, 4] = np.nan if silent else y[20:60, 4]
        (change,) = even_out(y, NO_STEP, np.zeros(100, np.int64))[1] or ()
        assert (change.node, change.row) == (4, 96)


class TestOutliers:
    def test_two_halves_of_an_engine_that_share_little_time_are_fitted_together(self) -> None:
        """Between the halves lie 6 %; they are both heard for a sixth of the time."""
        levels, rng = np.array([0.03, 0.02, 0.04, -0.03, -0.02, -0.04]), np.random.default_rng(2)
        y = levels + 0.004 * rng.standard_normal((240, 1)) + 0.001 * rng.standard_normal((240, 6))
        y[140:, :3] = np.nan
        y[:100, 3:] = np.nan
        visit = np.zeros(240, np.int64)
        assert not find_outliers(y, NO_STEP, visit).any()
        assert not even_out(y, NO_STEP, visit)[1]

    def test_a_short_burst_is_one_and_what_lasts_is_not(self) -> None:
        y = BASE + 0.001 * np.random.default_rng(4).standard_normal((200, 6))
        y[50:53, 0] += 0.3
        y[100:109, 1] += 0.05
        visit = np.zeros(200, np.int64)
        far = find_outliers(y, NO_STEP, visit)
        assert np.argwhere(far).tolist() == [[50, 0], [51, 0], [52, 0]]
        changes = even_out(y, NO_STEP, visit)[1]
        assert [(one.node, one.row) for one in changes] == [(1, 100), (1, 109)]
        assert [one.moved for one in changes] == pytest.approx([0.05, -0.05], abs=0.002)
