"""Samples, steady time and pulls: bent ones are wrong."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from gradings import graded

from mixmon.findings.pulls.quality import PullEnd
from mixmon.grade import events, samples
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Grading
from mixmon.mixture.block import SampleState
from mixmon.mixture.steady import NOWHERE

RIGHT, WRONG, NOT_YET, ELSEWHERE = Grading


@pytest.fixture
def short() -> Evidence:
    return graded("alder8-short", 31)


@pytest.mark.parametrize(
    "judge",
    [samples.warming, samples.drop_outs, samples.fuel_cuts, samples.spark_cuts],
)
def test_samples_counted_where_they_must_not_be_are_wrong(short: Evidence, judge) -> None:
    trusting = dataclasses.replace(short, state=np.full_like(short.state, SampleState.VALID))
    assert judge(short).grading is RIGHT
    assert judge(trusting).grading is WRONG


def test_a_single_sample_of_air_is_one_too_many(short: Evidence) -> None:
    cut = short.events("fuel cut")[0]
    state = short.state.copy()
    state[np.searchsorted(short.t_s, cut["to_s"]) - 5, 2] = SampleState.VALID
    assert samples.fuel_cuts(dataclasses.replace(short, state=state)).grading is WRONG


def test_a_drop_out_that_is_not_seen_as_silence_is_wrong(short: Evidence) -> None:
    state = np.where(short.state == SampleState.SILENT, SampleState.HELD, short.state).astype(np.uint8)
    assert samples.drop_outs(dataclasses.replace(short, state=state)).grading is WRONG


def test_time_taken_for_steady_that_is_not_is_wrong(short: Evidence) -> None:
    assert samples.transient_time(short).grading is RIGHT
    assert samples.steady_time(short).grading is RIGHT
    always = dataclasses.replace(short, cell=np.zeros_like(short.cell))
    never = dataclasses.replace(short, cell=np.full_like(short.cell, NOWHERE))
    assert samples.transient_time(always).grading is WRONG
    assert samples.steady_time(never).grading is WRONG


def test_pulls_that_are_missed_invented_or_cut_at_the_wrong_place_are_wrong(short: Evidence) -> None:
    assert events.pulls_found(short).grading is RIGHT
    assert events.pull_ends(short).grading is RIGHT
    first, second = short.pulls
    late = dataclasses.replace(first, begin=first.begin + 300_000_000)
    otherwise = dataclasses.replace(second, ended_by=PullEnd.HELD)
    for pulls in ((first,), (first, second, second)):
        assert events.pulls_found(dataclasses.replace(short, pulls=pulls)).grading is WRONG
    for pulls in ((late, second), (first, otherwise)):
        assert events.pull_ends(dataclasses.replace(short, pulls=pulls)).grading is WRONG
