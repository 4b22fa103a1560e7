"""Bumps in hand-made courses of the excess: where each begins and ends."""

from __future__ import annotations

import numpy as np
import pytest
from laws import same_for_all_splits

from mixmon.findings.events.baseline import Settled
from mixmon.findings.events.bumps import Bump, BumpSearch
from mixmon.mixture.align import GRID_NS

LIMIT = 1.0
LOW, BETWEEN = 0.3, 0.4  # a third of the limit lies between them


def settled(excess: np.ndarray, first: int = 0, *, last: bool = True) -> Settled:
    """Rows of one node with that excess, of an engine that runs and is not cut."""
    k = len(excess)
    one = np.zeros((k, 1))
    rows = {
        "t": (first + np.arange(k)) * GRID_NS,
        "oxygen": excess[:, None],
        "lam": one + 0.9,
        "age": one.astype(np.int64),
        "state": one.astype(np.uint8),
        "rpm": np.full(k, 6000.0),
        "load": np.full(k, 100.0),
        "valve_rpm": one + 6000.0,
        "valve_load": one + 100.0,
        "asked": one == 0,
    }
    return Settled(rows, excess[:, None], one + LIMIT, np.zeros(k), np.zeros(k), last)


def bumps(excess: np.ndarray) -> list[tuple[int, int]]:
    """First row and row after the last of every bump, counted from the course's start."""
    found = BumpSearch(1).feed(settled(excess), np.zeros((len(excess), 1), np.bool_))
    return [reach(bump) for bump in found]


def reach(bump: Bump) -> tuple[int, int]:
    first = int(bump.t[0]) // GRID_NS
    return first + bump.begin, first + bump.end


def course(*pieces: tuple[int, float]) -> np.ndarray:
    """Quiet rows, then pieces of so many rows at a height, then quiet rows."""
    return np.concatenate([np.zeros(400), *(np.full(n, x) for n, x in pieces), np.zeros(200)])


def test_a_bump_needs_two_rows_running_above_its_limit() -> None:
    assert bumps(course((1, 2.0))) == []
    assert bumps(course((1, 2.0), (1, BETWEEN), (1, 2.0))) == []
    assert bumps(course((2, 2.0))) == [(400, 402)]


def test_a_bump_reaches_as_far_as_a_third_of_the_limit() -> None:
    assert bumps(course((5, LOW), (20, BETWEEN), (10, 2.0), (30, BETWEEN), (5, LOW))) == [(405, 465)]


@pytest.mark.parametrize(("rows", "parts"), [(8, [(400, 428)]), (9, [(400, 410), (419, 428)])])
def test_a_break_of_eight_rows_does_not_end_a_bump_and_a_longer_one_does(
    rows: int, parts: list[tuple[int, int]]
) -> None:
    assert bumps(course((10, 2.0), (rows, LOW), (18 - rows, 2.0))) == parts


@pytest.mark.parametrize(("rows", "begin"), [(3, 400), (4, 414)])
def test_before_a_bump_breaks_of_three_rows_belong_to_it(rows: int, begin: int) -> None:
    assert bumps(course((10, BETWEEN), (rows, LOW), (10, 2.0))) == [(begin, 410 + rows + 10)]


def test_rich_bumps_are_looked_for_apart() -> None:
    assert bumps(course((10, 2.0), (10, -2.0))) == [(400, 410), (410, 420)]


def test_the_blocks_do_not_matter() -> None:
    rng = np.random.default_rng(5)
    excess = 0.3 * rng.standard_normal(3000)
    for at in range(300, 2800, 173):
        excess[at : at + int(rng.integers(3, 40))] += rng.choice([-2.0, 2.0])

    def run(pieces: list[slice]) -> list[tuple[int, int]]:
        search, found = BumpSearch(1), list[Bump]()
        for piece in (p for p in pieces if p.start < p.stop):  # settled rows never come empty
            last = piece.stop == len(excess)
            rows = settled(excess[piece], piece.start, last=last)
            found += search.feed(rows, np.zeros((len(rows.excess), 1), np.bool_))
        return [reach(bump) for bump in found]

    assert len(same_for_all_splits(len(excess), run)) > 10  # type: ignore[arg-type]
