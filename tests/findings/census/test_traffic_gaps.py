"""Gaps between stamps: counts and percentiles against NumPy's, and the law of chunks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.findings.census.traffic import Gaps, Groups


def filled(t, slots, cuts=()):
    gaps = Gaps()
    gaps.grow(int(max(slots)) + 1)
    for piece, where in zip(np.split(t, cuts), np.split(slots, cuts), strict=True):
        if len(piece):
            gaps.push(piece, Groups.of(where))
    return gaps


RNG = np.random.default_rng(5)
SLOTS = RNG.integers(0, 5, 4000)
T = np.cumsum(RNG.integers(0, 4_000_000, 4000)) + 1_700_000_000_000_000_000


@pytest.mark.parametrize("slot", range(5))
def test_counts_sums_and_extremes_are_exact(slot):
    gaps, mine = filled(T, SLOTS), np.diff(T[slot == SLOTS])
    assert gaps.count[slot] == len(mine)
    assert gaps.total[slot] == mine.sum()
    assert gaps.longest[slot] == mine.max()
    assert gaps.swing[slot] == np.abs(mine[1:] - mine[:-1]).sum()
    assert gaps.swing2[slot] == np.abs(mine[2:] - mine[:-2]).sum()
    assert (gaps.first[slot], gaps.last[slot]) == (T[slot == SLOTS][0], T[slot == SLOTS][-1])


@pytest.mark.parametrize("share", [0.01, 0.05, 0.5, 0.95, 0.99, 1.0])
def test_percentiles_are_within_their_promise_of_numpys(share):
    mine = np.diff(T[SLOTS == 2])
    exact = np.percentile(mine, 100 * share, method="inverted_cdf")
    assert filled(T, SLOTS).percentile(2, share) == pytest.approx(exact, rel=0.0079)


@given(st.lists(st.integers(0, 4000), max_size=8).map(sorted))
def test_cuts_do_not_matter(cuts):
    cut, whole = filled(T, SLOTS, cuts), filled(T, SLOTS)
    for name in ("count", "total", "longest", "swing", "swing2", "first", "last"):
        assert (getattr(cut, name) == getattr(whole, name)).all()
    assert [cut.percentile(s, p) for s in range(5) for p in (0.1, 0.9)] == [
        whole.percentile(s, p) for s in range(5) for p in (0.1, 0.9)
    ]


def test_silence_up_to_the_end_is_a_gap():
    gaps = filled(np.array([0, 10, 20, 30]), np.array([0, 1, 0, 1]))
    gaps.close(1000)
    assert gaps.longest.tolist() == [980, 970]


def test_no_gap_spans_a_jump_of_time():
    gaps = filled(np.array([0, 10, 20]), np.zeros(3, int))
    gaps.pause(25, 10**15)
    gaps.push(np.array([10**15 + 7, 10**15 + 17]), Groups.of(np.zeros(2, int)))
    assert (gaps.count[0], gaps.total[0], gaps.longest[0]) == (3, 30, 10)
    assert gaps.quiet_since(0) == 10**15 + 17


def test_after_a_jump_silence_counts_from_where_time_goes_on():
    gaps = filled(np.array([0, 10]), np.zeros(2, int))
    gaps.pause(25, 10**15)
    gaps.close(10**15 + 40)
    assert gaps.longest[0] == 40
    assert gaps.last[0] == 10


def test_a_backward_step_is_kept_in_the_sum_and_counted_with_the_zeros():
    gaps = filled(np.array([0, 10, 5, 20]), np.zeros(4, int))
    assert (gaps.count[0], gaps.total[0], gaps.longest[0]) == (3, 20, 15)
    assert gaps.percentile(0, 0.2) == 0.0
