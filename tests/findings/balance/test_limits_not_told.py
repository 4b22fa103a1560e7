"""Readings that rest where a range ends that nobody told, against live ones that are merely coarse."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from dwells import dwell, found, needs_of, session

from mixmon.findings.balance.balance import Balance, BalanceStage
from mixmon.findings.balance.notes import BalanceNote
from mixmon.mixture.block import CylinderBlock, SampleState

NEEDS = np.array([-0.09, 0.03, 0.01, 0.05])


def read_in_steps(block: CylinderBlock, step: float, least: float = 0.0) -> CylinderBlock:
    """What sensors show that report in steps and end at `least`, and where their readings stand still."""
    lam = np.maximum(np.round(block.lam / step) * step, least)
    state = block.state.copy()
    for node in range(lam.shape[1]):
        begin = 0
        for row in range(len(lam)):
            begin = begin if lam[row, node] == lam[begin, node] else row
            if row - begin >= 150 and step <= 0.0025:
                state[row, node] = SampleState.SUSPECT
    return dataclasses.replace(block, lam=lam, state=state, aux={"step": np.full(lam.shape, step)})


def result_of(block: CylinderBlock) -> Balance:
    stage = BalanceStage(session(len(NEEDS)))
    stage.feed(block)
    return stage.result()


@pytest.mark.parametrize("beyond", [0.5, 1.0, 1.5, 2.5], ids=lambda x: f"{x} deviations beyond")
def test_a_reading_that_rests_at_its_end_gives_no_need_and_moves_no_other(beyond: float) -> None:
    """The gas of cylinder 1 varies by 0.5 %; its sensor shows only the part that comes within the range."""
    drive = dwell(NEEDS, np.random.default_rng(8), seconds=14.0)
    end = float(np.round(np.exp(np.log(drive.lam[:, 0]).mean() + 0.005 * beyond) / 0.00025) * 0.00025)
    result = result_of(read_in_steps(drive, 0.00025, end))
    assert found(BalanceNote.STANDS_STILL, result.cylinders[0].flags) == [{"cells": 1}]
    assert np.isnan(result.cylinders[0].needs_percent)
    assert [c.not_used_because for c in result.cells if c.cylinder == 1] == ["reading stands still"]
    assert all(np.isnan(one.needs_percent) for one in result.whole_engine)
    for one, true in zip(result.cylinders[1:], needs_of(NEEDS[1:]), strict=True):
        assert one.needs_percent == pytest.approx(true, abs=0.4)


@pytest.mark.parametrize("step", [0.0001, 0.001, 0.005, 0.01])
def test_live_readings_in_steps_keep_their_needs(step: float) -> None:
    for seed in range(4):
        result = result_of(read_in_steps(dwell(NEEDS, np.random.default_rng(seed)), step))
        for one, true in zip(result.cylinders, needs_of(NEEDS), strict=True):
            assert not found(BalanceNote.STANDS_STILL, one.flags)
            assert one.needs_percent == pytest.approx(true, abs=0.3 + 50 * step)
