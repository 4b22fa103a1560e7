"""The latch against its definition in scalar words, and the same bits for every split."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mixmon.mixture.validity import Delay, EqualSpan, delayed, equal_since, latch

FLAGS = st.lists(st.booleans(), min_size=0, max_size=60)


def scalar_latch(on, off, state):
    out = []
    for high, low in zip(on, off, strict=True):
        if high:
            state = True
        elif low:
            state = False
        out.append(state)
    return out


def scalar_starts(values, times, broken):
    out = []
    for i, value in enumerate(values):
        if i == 0 or broken[i] or value != values[i - 1]:
            start = times[i]
        out.append(start)
    return out


def scalar_delayed(condition, times, on_ns, off_ns, broken):
    active, out = False, []
    for i, now in enumerate(condition):
        if i == 0 or broken[i] or now != condition[i - 1]:
            start = times[i]
        if now and times[i] - start >= on_ns:
            active = True
        if not now and times[i] - start >= off_ns:
            active = False
        out.append(active)
    return out


@st.composite
def columns(draw, max_rows=60, width=3):
    """on, off: bool[k, n]; t rising; broken: bool[k]; cuts: where to split."""
    k = draw(st.integers(0, max_rows))
    n = draw(st.integers(1, width))
    bits = draw(st.lists(st.integers(0, 3), min_size=k * n, max_size=k * n))
    steps = draw(st.lists(st.integers(1, 40), min_size=k, max_size=k))
    broken = draw(st.lists(st.integers(0, 9), min_size=k, max_size=k))
    grid = np.array(bits, np.int64).reshape(k, n)
    cuts = sorted(draw(st.lists(st.integers(0, k), max_size=5)))
    return (
        (grid & 1).astype(bool),
        (grid & 2).astype(bool),
        np.cumsum(np.array(steps, np.int64)),
        np.array(broken, np.int64) == 0,
        [0, *cuts, k],
    )


def pieces(cuts):
    return [slice(a, b) for a, b in pairwise(cuts)]


TABLE = {
    "set sets": ([True], [False], False, [True]),
    "reset resets": ([False], [True], True, [False]),
    "neither holds false": ([False, False], [False, False], False, [False, False]),
    "neither holds true": ([False, False], [False, False], True, [True, True]),
    "both: set wins": ([True], [True], False, [True]),
    "the newest decision counts": (
        [True, False, False, False],
        [False, True, False, False],
        True,
        [True, False, False, False],
    ),
}


@pytest.mark.parametrize(("on", "off", "before", "expected"), TABLE.values(), ids=TABLE)
def test_latch_table(on, off, before, expected):
    assert latch(np.array(on), np.array(off), before).tolist() == expected


@given(columns(), st.booleans())
def test_latch_is_its_definition(data, before):
    on, off, _, _, _ = data
    out = latch(on, off, before)
    assert out.shape == on.shape
    assert out.dtype == np.bool_
    for j in range(on.shape[1]):
        assert out[:, j].tolist() == scalar_latch(on[:, j], off[:, j], before)
        assert latch(on[:, j], off[:, j], before).tolist() == out[:, j].tolist()


@given(columns())
def test_latch_does_not_see_chunks(data):
    on, off, _, _, cuts = data
    state, parts = np.zeros(on.shape[1], bool), []
    for rows in pieces(cuts):
        parts.append(latch(on[rows], off[rows], state))
        if len(parts[-1]):
            state = parts[-1][-1]
    assert np.array_equal(np.concatenate(parts), latch(on, off))


@given(columns())
def test_run_start_is_its_definition(data):
    value, _, t, broken, _ = data
    starts, last = equal_since(value, t, broken=broken)
    for j in range(value.shape[1]):
        assert starts[:, j].tolist() == scalar_starts(value[:, j], t, broken)
    if len(t):
        assert last is not None
        assert last.start.tolist() == starts[-1].tolist()


@given(columns())
def test_run_start_does_not_see_chunks(data):
    value, _, t, broken, cuts = data
    run: EqualSpan | None = None
    parts = []
    for rows in pieces(cuts):
        starts, run = equal_since(value[rows], t[rows], before=run, broken=broken[rows])
        parts.append(starts)
    assert np.array_equal(np.concatenate(parts), equal_since(value, t, broken=broken)[0])


def test_run_start_reads_any_value_and_a_clock_set_back():
    state = np.array([5, 5, 0, 0, 5], np.uint8)
    starts, last = equal_since(state, np.array([100, 110, 20, 30, 40]))
    assert starts.tolist() == [100, 100, 20, 20, 40]
    assert last is not None
    assert int(last.value) == 5


@given(columns(), st.integers(0, 100), st.integers(0, 100))
def test_delays_are_their_definition(data, on_ns, off_ns):
    condition, _, t, broken, _ = data
    active, since, _ = delayed(condition, t, on_ns, off_ns, broken=broken)
    for j in range(condition.shape[1]):
        assert active[:, j].tolist() == scalar_delayed(condition[:, j], t, on_ns, off_ns, broken)
        assert since[:, j].tolist() == scalar_starts(condition[:, j], t, broken)


@given(columns(), st.integers(0, 100), st.integers(0, 100))
def test_delays_do_not_see_chunks(data, on_ns, off_ns):
    condition, _, t, broken, cuts = data
    carry: Delay | None = None
    parts = []
    for rows in pieces(cuts):
        active, _, carry = delayed(condition[rows], t[rows], on_ns, off_ns, before=carry, broken=broken[rows])
        parts.append(active)
    assert np.array_equal(np.concatenate(parts), delayed(condition, t, on_ns, off_ns, broken=broken)[0])


def test_on_delay_is_reached_exactly_and_not_before():
    t = np.arange(0, 100, 10)
    active, _, _ = delayed(np.ones(10, bool), t, 30, 0)
    assert active.tolist() == [False, False, False, True, *[True] * 6]
    late, _, _ = delayed(np.ones(10, bool), t, 31, 0)
    assert late.tolist() == [False, False, False, False, *[True] * 6]
