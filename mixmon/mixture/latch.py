"""Set/reset latch and start of run: the two primitives that rules over time are made of.

Both work down the first axis of columns, [k] or [k, n], and both take what stood before the
first row and can be continued from what they gave for the last one. Nothing is summed and
nothing looks ahead, so any split of the rows gives the same bits. Everything else with a
memory (hysteresis at a cell's edge, on-delay, off-delay) is these two put together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Bools = NDArray[np.bool_]
Times = NDArray[np.int64]


def latch(on: Bools, off: Bools, before: Bools | bool = False) -> Bools:
    """State after each row: true where `on`, false where only `off`, else as the row before.

    Where both are true, `on` wins: a limit crossed is not hidden by the same row's reset.

    on, off   bool[k] or bool[k, n]
    before    bool or bool[n], the state before the first row

    >>> latch(np.array([False, True, False, False]), np.array([False, False, False, True])).tolist()
    [False, True, True, False]
    """
    # The last deciding row and what it decided travel in one number: 2 (row + 1) + on.
    code = _rows(on, 2, 2) + on
    decided = np.where(on | off, code, np.asarray(before).astype(code.dtype))
    np.maximum.accumulate(decided, axis=0, out=decided)
    return (decided & 1).astype(np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """The run under way after the last row: its value and the time at which it began, one a column."""

    value: NDArray[Any]
    start: Times


def run_start(
    value: NDArray[Any], t: Times, *, before: Run | None = None, broken: Bools | None = None
) -> tuple[Times, Run | None]:
    """The time at which each row's run of equal values began, and the run to continue from.

    Times are only looked up, never compared, so a clock that was set back does no harm.

    value    [k] or [k, n], any type whose values equal themselves (not NaN)
    t        int64[k]
    before   the run under way before the first row; None: a run begins with the first row
    broken   bool[k]: rows where a run begins anew whatever the values

    >>> starts, _ = run_start(np.array([3, 3, 4, 4]), np.array([10, 20, 30, 40]))
    >>> starts.tolist()
    [10, 10, 30, 30]
    """
    if len(value) == 0:
        return np.zeros(value.shape, np.int64), before
    began = np.empty(value.shape, np.bool_)
    began[0] = True if before is None else value[0] != before.value
    np.not_equal(value[1:], value[:-1], out=began[1:])
    if broken is not None:
        began |= _beside(broken, value.ndim)
    row = np.where(began, _rows(value, 1, 1), 0)
    np.maximum.accumulate(row, axis=0, out=row)
    start = t[row - 1]
    if before is not None:
        start = np.where(row == 0, before.start, start)
    return start, Run(value[-1].copy(), np.asarray(start[-1]).copy())


@dataclass(frozen=True, slots=True, eq=False)
class Delay:
    """What `delayed` continues from: the condition's run under way, and whether it is active."""

    run: Run
    active: Bools


def delayed(
    condition: Bools,
    t: Times,
    on_ns: int,
    off_ns: int,
    *,
    before: Delay | None = None,
    broken: Bools | None = None,
    cut_short: Bools | None = None,
) -> tuple[Bools, Times, Delay | None]:
    """Whether each row is active, since when its condition has been what it is, and the carry.

    Active once the condition has been true for `on_ns`, inactive once it has been false for
    `off_ns`; in between, as before. Nothing is active before the first row.

    condition   bool[k] or bool[k, n]
    t           int64[k], ns
    on_ns, off_ns   ns of data time; 0 acts at once
    broken      bool[k]: rows before which time is unknown (a gap): both delays begin anew there
    cut_short   bool[k]: rows that do not wait for `off_ns`

    >>> active, _, _ = delayed(np.array([True, True, True, False]), np.array([0, 10, 20, 30]), 15, 0)
    >>> active.tolist()
    [False, False, True, False]
    """
    since, run = run_start(condition, t, before=before.run if before else None, broken=broken)
    if run is None or len(condition) == 0:
        return np.zeros(condition.shape, np.bool_), since, before
    held = _beside(t, condition.ndim) - since
    over = held >= off_ns
    if cut_short is not None:
        over |= _beside(cut_short, condition.ndim)
    active = latch(condition & (held >= on_ns), ~condition & over, before.active if before else False)
    return active, since, Delay(run, np.asarray(active[-1]).copy())


def _rows(like: NDArray[Any], first: int, step: int) -> NDArray[Any]:
    """first, first + step, ... down the first axis, shaped to go beside `like`."""
    count = len(like)
    dtype = np.int32 if step * (count + 1) < 2**31 else np.int64
    return _beside(np.arange(first, first + step * count, step, dtype=dtype), like.ndim)


def _beside(column: NDArray[Any], ndim: int) -> NDArray[Any]:
    """A column [k] shaped [k, 1, ...], so that it goes beside columns [k, n]."""
    return column.reshape(-1, *[1] * (ndim - 1))
