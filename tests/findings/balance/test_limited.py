"""Cylinders of which only is known that they lie beyond a limit: the mean of the others is not the engine's.

True needs are those of all cylinders, by their definition (lambda over the mean in the fuel domain).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from dwells import dwell, found, needs_of, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.notes import BalanceNote
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.session.model import Validity

RICH = np.array([0.02, -0.05, 0.021, 0.05, -0.04, -0.045, -0.06, -0.05])
"""Eight cylinders in ln lambda; five read below a rich limit 3 % below the target, three do not."""


def read_to(block: CylinderBlock, rich: float = 0.0, lean: float = 9.0) -> CylinderBlock:
    """What sensors show whose range ends there."""
    state = block.state.copy()
    state[block.lam <= rich] = SampleState.AT_RICH_LIMIT
    state[block.lam >= lean] = SampleState.AT_LEAN_LIMIT
    return dataclasses.replace(block, lam=np.clip(block.lam, rich, lean), state=state)


def result_of(*blocks: CylinderBlock, rich: float = 0.65, lean: float = 1.6) -> Balance:
    stage = BalanceStage(session(blocks[0].lam.shape[1], validity=Validity(rich_limit=rich, lean_limit=lean)))
    for block in blocks:
        stage.feed(block)
    return stage.result()


@pytest.mark.parametrize("side", ["rich", "lean"])
@pytest.mark.parametrize("far", [1.0, 2.0], ids=["beyond", "far beyond"])
def test_needs_against_the_few_that_are_known_move_no_trim(side: str, far: float) -> None:
    sign = 1 if side == "rich" else -1
    offsets = sign * np.where(RICH < 0, far * RICH, RICH)
    limits = {side: float(0.9 * np.exp(-0.02 * sign))}
    result = result_of(read_to(dwell(offsets, np.random.default_rng(3)), **limits), **limits)
    out = tuple((np.flatnonzero(RICH < 0) + 1).tolist())
    assert found(BalanceNote.CYLINDERS_AT_LIMIT, result.withheld) == [{"rich": (), "lean": ()} | {side: out}]
    assert all(np.isnan(one.trim_new_percent) for one in result.cylinders)
    (told,) = found(BalanceNote.REFERENCE_WITHOUT_LIMITED, result.notes)
    printed = np.array([one.needs_percent for one in result.cylinders])
    assert printed[0] * needs_of(offsets)[0] < 0  # the need shown has the wrong sign
    off = np.nanmean(needs_of(offsets) - printed)
    assert 1.0 < sign * told["least_percent"] < sign * off + 0.1


def test_one_of_eight_leaves_no_trims_either_and_how_far_out_it_is_has_no_bound() -> None:
    said = []
    for need in (-0.06, -0.30):
        offsets = np.array([0.02, -0.02, 0.01, 0.0, -0.01, 0.015, -0.015, need])
        result = result_of(read_to(dwell(offsets, np.random.default_rng(4)), 0.87), rich=0.87)
        assert found(BalanceNote.CYLINDERS_AT_LIMIT, result.withheld) == [{"rich": (8,), "lean": ()}]
        said.append(found(BalanceNote.REFERENCE_WITHOUT_LIMITED, result.notes)[0]["least_percent"])
    assert said == pytest.approx([0.43, 0.43], abs=0.1)  # an eighth of ln(0.9 / 0.87), in percent


def test_limits_on_both_sides_leave_the_side_of_the_mean_open() -> None:
    offsets = np.array([-0.08, -0.01, 0.01, 0.0, 0.08])
    drive = read_to(dwell(offsets, np.random.default_rng(5)), 0.87, 0.94)
    result = result_of(drive, rich=0.87, lean=0.94)
    assert found(BalanceNote.CYLINDERS_AT_LIMIT, result.withheld) == [{"rich": (1,), "lean": (5,)}]
    (told,) = found(BalanceNote.REFERENCE_WITHOUT_LIMITED, result.notes)
    assert told["least_percent"] is None


def test_a_cylinder_that_reads_lean_but_for_moments_at_the_rich_limit_leaves_the_side_open() -> None:
    drive = dwell(np.array([0.04, -0.01, 0.01, 0.0]), np.random.default_rng(6))
    state = drive.state.copy()
    state[300:360, 0] = SampleState.AT_RICH_LIMIT
    lam = np.where(state == SampleState.AT_RICH_LIMIT, 0.87, drive.lam)
    result = result_of(dataclasses.replace(drive, lam=lam, state=state), rich=0.87)
    assert found(BalanceNote.CYLINDERS_AT_LIMIT, result.withheld) == [{"rich": (1,), "lean": ()}]
    assert found(BalanceNote.REFERENCE_WITHOUT_LIMITED, result.notes)[0]["least_percent"] is None


def test_a_need_from_another_cell_and_a_silent_cylinder_leave_trims_as_they_are() -> None:
    offsets = np.array([0.03, -0.05, 0.01, 0.01])
    rng = np.random.default_rng(7)
    within = dwell(offsets, rng)
    at_limit = read_to(dwell(offsets, rng, load=100.0, first=5000), 0.88)
    result = result_of(within, at_limit, rich=0.65)
    assert found(BalanceNote.AT_RICH_LIMIT, result.cylinders[1].flags) == [{"cells": 1}]
    silent = within.state.copy()
    silent[:, 1] = SampleState.SILENT
    for one in (result, result_of(dataclasses.replace(within, state=silent))):
        assert not one.withheld
        assert not found(BalanceNote.REFERENCE_WITHOUT_LIMITED, one.notes)
