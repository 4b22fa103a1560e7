"""Causes: bent answers are wrong, and what the scenario does not raise is not asked."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from gradings import graded

from mixmon.findings.balance.balance import EngineNeed
from mixmon.findings.causes.causes import CylinderCauses
from mixmon.grade import causes
from mixmon.grade.evidence import Evidence
from mixmon.grade.item import Grading

RIGHT, WRONG, NOT_YET, ELSEWHERE = Grading


@pytest.fixture
def short() -> Evidence:
    """Label 6 sits behind the leak; no split-pulse test was played."""
    return graded("alder8-short", 31)


def with_cylinders(evidence: Evidence, **more: object) -> Evidence:
    """The same with another answer for every cylinder."""
    bent = tuple(dataclasses.replace(one, **more) for one in evidence.causes.cylinders)
    return dataclasses.replace(evidence, causes=dataclasses.replace(evidence.causes, cylinders=bent))


def test_a_leak_that_is_not_named_or_without_a_test_is_wrong(short: Evidence) -> None:
    assert causes.leak(short).grading is RIGHT
    assert causes.leak(with_cylinders(short, causes=())).grading is WRONG
    assert causes.leak(with_cylinders(short, tests=())).grading is WRONG


def test_trims_by_cells_that_a_leak_spoils_are_wrong(short: Evidence) -> None:
    used = tuple(dataclasses.replace(one, used_for_trims=True) for one in short.balance.cells)
    bent = dataclasses.replace(short, balance=dataclasses.replace(short.balance, cells=used))
    item = causes.leak(bent)
    assert item.grading is WRONG
    assert "used for trims at" in item.found


def test_a_reference_that_the_leak_spoils_is_wrong(short: Evidence) -> None:
    assert causes.spoilt_reference(short).grading is RIGHT
    kept: list[EngineNeed] = [
        dataclasses.replace(one, reference=dataclasses.replace(one.reference, suspect=(), left_out=()))
        for one in short.balance.whole_engine
    ]
    balance = dataclasses.replace(short.balance, whole_engine=tuple(kept))
    item = causes.spoilt_reference(dataclasses.replace(short, balance=balance))
    assert item.grading is WRONG
    assert item.found.startswith("not at ")


def test_dead_times_without_a_test_are_asked_for_and_never_claimed(short: Evidence) -> None:
    assert causes.dead_time(short).grading is RIGHT
    silent = with_cylinders(short, flags=())
    named = any(one.causes and "dead time" in str(one.causes) for one in short.causes.cylinders)
    assert causes.dead_time(silent).grading is (WRONG if named else RIGHT)


def test_dead_times_by_a_test_are_compared_with_the_truth(short: Evidence) -> None:
    late = np.array(short.truth["differences"]["dead_time_ms"])[short.behind]
    late -= late.mean()

    def told(by_ms: float) -> Evidence:
        made: list[CylinderCauses] = [
            dataclasses.replace(one, dead_time_ms=float(ms) + by_ms * (one.cylinder == 2))
            for one, ms in zip(short.causes.cylinders, late, strict=True)
        ]
        return dataclasses.replace(short, causes=dataclasses.replace(short.causes, cylinders=tuple(made)))

    assert causes.dead_time(told(0.015)).grading is RIGHT
    assert causes.dead_time(told(0.025)).grading is WRONG


def test_an_engine_without_leak_and_with_injectors_alike_is_not_asked() -> None:
    six = graded("six", 32)
    assert [judge(six).grading for judge in (causes.leak, causes.spoilt_reference, causes.dead_time)] == (
        [ELSEWHERE] * 3
    )
