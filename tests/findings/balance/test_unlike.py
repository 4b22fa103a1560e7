"""Cells in which the same cylinder needs different fuel: leaks, drifts, pulls, and engines without any of it.

The engines are made by scipy; leaks follow the flow by arithmetic.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
import scipy.stats
from dwells import dwell, found, needs_of, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.balance.unlike import flow_of, joint_half, joint_z
from mixmon.mixture.steady import Cell
from mixmon.session.model import Axes

AXES = Axes(rpm=(1200.0, 2000.0, 3000.0, 4500.0, 6000.0), load=(10.0, 35.0, 60.0, 100.0))
CELLS = ((1200.0, 10.0), (2000.0, 35.0), (3000.0, 60.0), (4500.0, 100.0), (6000.0, 100.0))
FLOW = np.array([flow_of(Cell(*cell), AXES) for cell in CELLS])
BASE = np.array([0.03, -0.02, 0.01, 0.0, -0.01, 0.02, -0.03, 0.0])
FIRST = {"rpm": 1200.0, "load": 10.0}


def played(
    visits: list[tuple[tuple[float, float], np.ndarray]], seed: int = 1, seconds: float = 13.0
) -> BalanceStage:
    """A stage that has seen these visits: a cell, and ln lambda of the cylinders in it."""
    rng, first, stage = np.random.default_rng(seed), 0, BalanceStage(session(len(visits[0][1]), axes=AXES))
    for (rpm, load), offsets in visits:
        block = dwell(offsets, rng, seconds=seconds, rpm=rpm, load=load, first=first)
        first += len(block)
        stage.feed(block)
    return stage


def leaking(
    cylinder: int, share: float, exponent: float = 1.0
) -> list[tuple[tuple[float, float], np.ndarray]]:
    """Every cell once; before that cylinder's sensor leaks `share` of its air at the least flow."""
    one = np.eye(len(BASE))[cylinder - 1]
    shares = share * (FLOW[0] / FLOW) ** exponent
    return [(cell, BASE + one * np.log1p(s)) for cell, s in zip(CELLS, shares, strict=True)]


def _cells_used(result: Balance) -> set[tuple[float | None, float | None]]:
    return {(c.rpm, c.load) for c in result.cells if c.used_for_trims}


def all_flags(result: Balance, code: BalanceNote) -> dict[int, dict[str, Any]]:
    """The values of that flag by cylinder."""
    return {c.cylinder: told[0] for c in result.cylinders if (told := found(code, c.flags))}


class TestLeaks:
    @pytest.mark.parametrize("exponent", [0.5, 1.0, 2.0])
    def test_a_need_that_falls_with_the_flow_is_named_with_its_numbers(self, exponent: float) -> None:
        result = played(leaking(4, 0.06, exponent)).result()
        told = all_flags(result, BalanceNote.LEAN_AT_LOW_FLOW)
        assert list(told) == [4]
        assert told[4]["exponent"] == exponent
        extra = 6 * (1 - (FLOW[0] / FLOW[-1]) ** exponent)
        assert told[4]["extra_percent"] == pytest.approx(extra, abs=0.6)
        assert {key: told[4][key] for key in FIRST} == FIRST

    def test_trims_then_rest_on_the_cells_with_flow_alone(self) -> None:
        result = played(leaking(4, 0.06)).result()
        assert {(c.rpm, c.load) for c in result.cells if c.used_for_trims} == set(CELLS[3:])
        truth = needs_of(BASE)
        for one, need in zip(result.cylinders, truth, strict=True):
            assert one.trim_new_percent == pytest.approx(need, abs=0.8)

    def test_what_may_be_left_of_a_leak_makes_its_cylinder_need_less_and_never_more(self) -> None:
        """Its need lies between what is true if it leaks and if not."""
        for seed in range(1, 5):
            result = played(leaking(4, 0.04), seed).result()
            used = [needs_of(one)[3] for cell, one in leaking(4, 0.04) if cell in _cells_used(result)]
            tight, (low, high) = needs_of(BASE)[3], result.cylinders[3].interval95_percent
            assert low <= tight <= high
            assert low <= np.mean(used) <= high
            assert tight + 0.1 < result.cylinders[3].needs_percent < np.mean(used) - 0.1
            told = all_flags(result, BalanceNote.LEAN_AT_LOW_FLOW)[4]
            assert told["left_percent"] == pytest.approx(np.mean(used) - tight, abs=0.25)

    def test_without_a_cell_of_enough_flow_none_are_offered(self) -> None:
        result = played(leaking(4, 0.12)[:3]).result()
        (told,) = found(BalanceNote.LEAK_IN_ALL_CELLS, result.withheld)
        assert told["cylinders"] == (4,)
        assert told["left_percent"] == pytest.approx(12 * FLOW[0] / FLOW[2], abs=0.6)
        assert all(np.isnan(c.trim_new_percent) for c in result.cylinders)

    def test_the_cylinder_is_left_out_of_the_mean_of_the_others_where_it_spoils_it(self) -> None:
        result = played(leaking(4, 0.06)).result()
        (told,) = found(BalanceNote.REFERENCE_WITHOUT_SUSPECTS, result.notes)
        assert told["cylinders"] == (4,)
        assert (told["rpm"], told["load"]) == CELLS[0]
        lam = np.exp(BASE + np.eye(8)[3] * np.log1p(0.06))
        mended = np.exp(BASE + np.eye(8)[3] * np.log1p(0.06 * FLOW[0] / FLOW[-1]))
        engine, without = 1 / np.mean(1 / lam), 1 / np.mean(1 / mended)
        assert told["shift_percent"] == pytest.approx(100 * (engine / without - 1), abs=0.1)
        needs = {(c.rpm, c.load, c.cylinder): c.needs_percent for c in result.cells}
        truth = 100 * (lam / without - 1)
        assert [needs[(*CELLS[0], c)] for c in range(1, 9)] == pytest.approx(truth.tolist(), abs=0.3)
        for one in (one for one in result.cells if (one.rpm, one.load) == CELLS[0]):
            of_all = 100 * (lam[one.cylinder - 1] / engine - 1)  # what it needs if nothing leaks
            assert abs(one.needs_percent - of_all) < one.half_interval_percent < 1.0
            assert one.total_half_interval_percent > one.half_interval_percent
        (first, *_, last) = (e.reference for e in sorted(result.whole_engine, key=lambda e: e.rpm))
        assert (first.left_out, first.suspect) == ((4,), (4,))
        assert (last.left_out, last.suspect) == ((), ())
        spoilt = next(e for e in result.whole_engine if (e.rpm, e.load) == CELLS[0])
        assert spoilt.lam == pytest.approx(0.9 * without, rel=0.002)
        reach = 100 * abs(np.log(engine / without))  # what the fourth reads may be true
        assert spoilt.half_interval_percent > reach

    def test_no_cylinder_is_left_out_of_the_mean_where_none_leaks(self) -> None:
        """Nor where the leak is too small to matter, or where those that leak are as many as the others."""
        shares = 0.06 * FLOW[0] / FLOW
        half = np.repeat([1.0, 0.0], 4)
        visits = [
            leaking(4, 0.0),
            leaking(4, 0.015),
            [(cell, BASE + half * np.log1p(s)) for cell, s in zip(CELLS, shares, strict=True)],
        ]
        for one in visits:
            result = played(one).result()
            assert not any(e.reference.suspect for e in result.whole_engine)
            assert not found(BalanceNote.REFERENCE_WITHOUT_SUSPECTS, result.notes)

    def test_two_cells_make_no_pattern(self) -> None:
        result = played(leaking(4, 0.06)[:2]).result()
        assert not all_flags(result, BalanceNote.LEAN_AT_LOW_FLOW)
        assert 4 in all_flags(result, BalanceNote.CELLS_DISAGREE)

    def test_rich_at_low_flow_is_no_leak(self) -> None:
        result = played(leaking(4, -0.05)).result()
        assert not all_flags(result, BalanceNote.LEAN_AT_LOW_FLOW)
        assert list(all_flags(result, BalanceNote.CELLS_DISAGREE)) == [4]

    @pytest.mark.parametrize("odd", [(1, 2, 3, 4, 5, 6), (1, 2, 3, 4), (7, 8)])
    def test_where_most_leak_nobody_can_tell_them_from_the_rest(self, odd: tuple[int, ...]) -> None:
        """Against their mean the sound ones are rich at low flow; few that leak are told from the rest."""
        shares = 0.06 * FLOW[0] / FLOW
        them = np.isin(np.arange(1, 9), odd)
        result = played(
            [(cell, BASE + them * np.log1p(s)) for cell, s in zip(CELLS, shares, strict=True)]
        ).result()
        told = found(BalanceNote.LEAK_OR_RICH, result.withheld)
        if len(odd) == 2:
            assert not told
            assert list(all_flags(result, BalanceNote.LEAN_AT_LOW_FLOW)) == list(odd)
        else:
            sound = tuple(c for c in range(1, 9) if c not in odd)
            assert told == [{"lean": odd, "rich": sound}]
            assert all(np.isnan(c.trim_new_percent) for c in result.cylinders)

    def test_the_summary_covers_what_the_cells_in_use_predict(self) -> None:
        """Without a pattern all cells stay in use; what one trim leaves in the worst is the prediction."""
        one = np.eye(len(BASE))[2]
        apart = [0.0, 0.03, 0.0, 0.03, 0.0]
        stage = played([(cell, BASE + one * x) for cell, x in zip(CELLS, apart, strict=True)])
        result = stage.result()
        used = {(c.rpm, c.load) for c in result.cells if c.used_for_trims}
        assert used == set(CELLS)
        low, high = result.predicted_spread.interval95
        worst = max(result.predicted_by_cell, key=lambda one: one[1].value)
        assert worst[1].value > 1
        assert low <= worst[1].value <= high
        assert result.predicted_in == worst[0]
        assert result.predicted_spread.value == worst[1].value
        quick = stage.quick_result()
        assert (quick.predicted_spread, quick.predicted_in) == (result.predicted_spread, worst[0])


class TestDrift:
    DRIFTING = np.eye(len(BASE))[2] * 0.006

    def visits(self, cells: tuple[tuple[float, float], ...]) -> list[tuple[tuple[float, float], np.ndarray]]:
        """Cylinder 3 becomes 0.6 % leaner from each visit to the next."""
        return [(cell, BASE + k * self.DRIFTING) for k, cell in enumerate(cells)]

    def test_cells_visited_once_cannot_tell_and_ask_for_the_first_again(self) -> None:
        result = played(self.visits(CELLS)).result()
        assert 3 in all_flags(result, BalanceNote.CELLS_DISAGREE)
        assert found(BalanceNote.CELL_OR_TIME, result.notes) == [FIRST]
        assert not all_flags(result, BalanceNote.NEED_DRIFTS)

    def test_the_first_cell_visited_again_tells_the_drift_and_its_size(self) -> None:
        result = played(self.visits((*CELLS, CELLS[0]))).result()
        told = all_flags(result, BalanceNote.NEED_DRIFTS)
        assert list(told) == [3]
        assert told[3]["change_percent"] == pytest.approx(100 * np.expm1(5 * 0.006), abs=0.6)
        assert told[3]["seconds"] == pytest.approx(5 * 13, abs=0.1)
        assert not found(BalanceNote.CELL_OR_TIME, result.notes)
        low, high = result.cylinders[2].interval95_percent
        assert low < needs_of(BASE)[2] + 0.4
        assert high > needs_of(BASE + 5 * self.DRIFTING)[2] - 0.4

    def test_a_drift_against_the_order_of_flow_is_no_leak(self) -> None:
        """From much flow to little and back, becoming leaner: the drift explains what a leak would."""
        result = played(self.visits((*CELLS[::-1], CELLS[-1]))).result()
        assert list(all_flags(result, BalanceNote.NEED_DRIFTS)) == [3]
        assert not all_flags(result, BalanceNote.LEAN_AT_LOW_FLOW)

    def test_a_leak_is_no_drift(self) -> None:
        visits = leaking(4, 0.06)
        result = played([*visits, visits[0]]).result()
        assert not all_flags(result, BalanceNote.NEED_DRIFTS)
        assert not found(BalanceNote.CELL_OR_TIME, result.notes)
        assert list(all_flags(result, BalanceNote.LEAN_AT_LOW_FLOW)) == [4]


class TestPulls:
    def log(self, held: tuple[float, float], seconds: float, pulls: int) -> Balance:
        """Pulls at full load, and before each of them so many usable seconds in one cell."""
        stage, rng, first = BalanceStage(session(8, axes=AXES)), np.random.default_rng(3), 0
        for _ in range(pulls):
            rest = dwell(BASE, rng, seconds=3.5 + seconds, rpm=held[0], load=held[1], first=first)
            first += len(rest)
            pull = dwell(BASE, rng, seconds=6.0, load=100.0, first=first)
            pull = dataclasses.replace(pull, now={**pull.now, "rpm": np.linspace(2000, 6000, len(pull))})
            first += len(pull)
            stage.feed(rest)
            stage.feed(pull)
        return stage.result()

    def test_little_part_load_between_pulls_is_no_ground_for_trims(self) -> None:
        result = self.log((1200.0, 35.0), 2.8, pulls=3)
        (told,) = found(BalanceNote.PULLS_WITHOUT_DWELLS, result.withheld)
        assert told["used_s"] == pytest.approx(3 * 2.8, abs=0.3)
        assert told["pulled_s"] == pytest.approx(18, abs=0.1)
        assert all(np.isnan(c.trim_new_percent) for c in result.cylinders)
        assert all(np.isfinite(c.needs_percent) for c in result.cylinders)

    @pytest.mark.parametrize(
        ("held", "seconds"), [((1200.0, 35.0), 12.0), ((4500.0, 100.0), 2.8)], ids=["long", "at full load"]
    )
    def test_enough_part_load_or_full_load_is(self, held: tuple[float, float], seconds: float) -> None:
        assert not self.log(held, seconds, pulls=3).withheld


@pytest.mark.parametrize("tests", [1, 8, 200])
@pytest.mark.parametrize("degrees", [2.0, 5.0, 30.0])
def test_joint_intervals_are_those_of_student(tests: int, degrees: float) -> None:
    """Against scipy; the approximation is wide where very few batches are."""
    exact = scipy.stats.t.ppf(1 - 0.01 / (2 * tests), degrees)
    found_half = joint_half(np.array(1.0), np.array(degrees + 1), joint_z(tests))
    assert 0.99 * exact <= found_half <= (2.0 if degrees < 3 else 1.1) * exact


def test_engines_without_any_of_it_raise_no_alarm() -> None:
    """Sixteen cylinders, five cells, the first one visited again; `tools/unlike_study.py` plays more."""
    codes = (BalanceNote.CELLS_DISAGREE, BalanceNote.LEAN_AT_LOW_FLOW, BalanceNote.NEED_DRIFTS)
    for seed in range(4):
        needs = np.random.default_rng([seed, 99]).uniform(-0.06, 0.06, 16)
        visits = [(cell, needs) for cell in (*CELLS, CELLS[0])]
        result = played(visits, seed=seed, seconds=5.5 + 2 * seed).result()
        assert not any(all_flags(result, code) for code in codes)
        assert not found(BalanceNote.CELL_OR_TIME, result.notes)
        assert not result.withheld
