"""The split-pulse test: which injectors open later than the others, in milliseconds.

    rows, times of half pulses -> SplitPulseStage -> DeadTimes    dead time against the mean of all, by node

At one steady speed and load the engine control gives two half pulses a cycle instead of one. Air, leaks,
sensors and injector flow stay as they are; each injector loses its dead time once more. With a dead time that
is longer than the mean's by d, fuel falls from P - d to P' - 2 d, in parts of what the mean injects, so that
the need of its cylinder rises by

    d (2 / P' - 1 / P)        P: effective pulse; P': the same split, by the engine's lambda

What else changes between the two (a drift of the whole engine) is common and drops out against the mean. Only
rows count that are steady, at the speed and load of the time before, and a moment behind each change, which
the gas needs to arrive and the sensors to follow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from mixmon.arrays import SECOND_NS, Bools, Floats
from mixmon.findings.balance.dwell import BATCH_ROWS
from mixmon.findings.causes.notes import CauseNote
from mixmon.findings.stats import BATCH_S, NORMAL_95_SIX_DECIMALS, estimate, lag1, mean_of_known
from mixmon.mixture.align import FIRST_ROW_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.steady import TARGET_BAND
from mixmon.note import Note, note
from mixmon.session.model import Session
from mixmon.session.split_pulses import SplitPulse

GUARD_S = 2.0
"""Seconds behind a change that do not count: our choice; at idle gas takes 0.3 s to the sensor, and a slow
one four lags of 0.3 s to follow."""

REACH_S = 20.0
"""Seconds before and after with whole pulses to which the half ones are compared: our choice; what drifts
more slowly drops out."""

_LEAST_FALL = 0.25
"""Part by which the reported pulse must be shorter while it is split: our choice; half, and one dead time
more."""

_FEWEST_ROWS = 8 * BATCH_ROWS
"""Rows of either kind that an answer takes: our choice, two seconds."""


class DeadTimes(NamedTuple):
    """Dead times against their mean, ms; float64[n] each.

    late   NaN where not known
    error  standard errors
    """

    late: Floats
    error: Floats


@dataclass(slots=True)
class _SplitWindow:
    """One time of half pulses, with the rows in and around it, block by block."""

    split: SplitPulse
    rows: list[_SplitRows]


class _SplitRows(NamedTuple):
    """Rows: seconds, ln lambda of valid samples float64[k, n], and what must be the same in all of them."""

    t: Floats
    y: Floats
    rpm: Floats
    load: Floats
    pulse: Floats
    target: Floats


class SplitPulseStage:
    """Takes all rows of a run in order; keeps those in and around the times of half pulses.

    Args:
        session: whose nodes the rows are of.
        splits: times of half pulses.
        begin_s: seconds of the log before the first row.
    """

    def __init__(self, session: Session, splits: Sequence[SplitPulse], begin_s: float = 0.0) -> None:
        self._session = session
        self._windows = [_SplitWindow(split, []) for split in splits]
        self._begin_ns = round(begin_s * SECOND_NS) + FIRST_ROW_NS
        self._first_ns: int | None = None

    def feed(self, block: CylinderBlock) -> Bools:
        """Takes the next block; says which rows have half pulses, or gas of them, bool[k]."""
        split = np.zeros(len(block), np.bool_)
        if not len(block):
            return split
        if self._first_ns is None:
            self._first_ns = int(block.t[0]) - self._begin_ns
        t = (block.t - self._first_ns) / SECOND_NS
        for window in self._windows:
            split |= (t >= window.split.from_s) & (t < window.split.to_s + GUARD_S)
            near = (t >= window.split.from_s - REACH_S) & (t < window.split.to_s + GUARD_S + REACH_S)
            if near.any():
                window.rows.append(self._take_rows(block, t, near))
        return split

    def _take_rows(self, block: CylinderBlock, t: Floats, near: Bools) -> _SplitRows:
        valid = (block.state == SampleState.VALID) & (block.lam > 0)
        y = np.log(np.where(valid, block.lam, np.nan))[near]
        nothing = np.full(len(block), np.nan)
        names = ("rpm", "load", "pulse_ms", "target")
        return _SplitRows(t[near], y, *(block.now.get(name, nothing)[near] for name in names))

    def result(self) -> tuple[DeadTimes, tuple[Note, ...]]:
        """The dead times of all windows together, and why some of these do not count."""
        found, notes = list[DeadTimes](), list[Note]()
        for window in self._windows:
            answer, noted = self._answer_of(window)
            found += [] if answer is None else [answer]
            notes += [] if noted is None else [noted]
        return _join(found, len(self._session.chain.nodes)), tuple(notes)

    def _answer_of(self, window: _SplitWindow) -> tuple[DeadTimes | None, Note | None]:
        """What one window says, and what there is to know about that, or why it says nothing."""
        split_pulse = window.split
        values = {"from_s": split_pulse.from_s, "to_s": split_pulse.to_s}
        if not window.rows:
            return None, note(CauseNote.SPLIT_WITHOUT_BASE, **values)
        rows = _SplitRows(*(np.concatenate(column) for column in zip(*window.rows, strict=True)))
        split = (rows.t >= split_pulse.from_s + GUARD_S) & (rows.t < split_pulse.to_s)
        whole = (rows.t < split_pulse.from_s) | (rows.t >= split_pulse.to_s + GUARD_S)
        alike = self._at_same_point(rows, split)
        split, whole = split & alike, whole & alike
        if min(np.count_nonzero(split), np.count_nonzero(whole)) < _FEWEST_ROWS:
            return None, note(CauseNote.SPLIT_WITHOUT_BASE, **values)
        before, meanwhile = _middle(rows.pulse[whole]), _middle(rows.pulse[split])
        if meanwhile > (1 - _LEAST_FALL) * before:
            told = {"before_ms": before, "while_ms": meanwhile}
            return None, note(CauseNote.SPLIT_NOT_ANSWERED, **values, **told)
        dead = self._session.injection.dead_time_ms or 0.0
        pulse = (before if split_pulse.pulse_ms is None else split_pulse.pulse_ms) - dead
        if not pulse > 0:
            return None, note(CauseNote.SPLIT_WITHOUT_PULSE, **values)
        unsure = None if np.isfinite(meanwhile) else note(CauseNote.SPLIT_NOT_CONFIRMED, **values)
        return _dead_times(rows, split, whole, pulse), unsure

    def _at_same_point(self, rows: _SplitRows, split: Bools) -> Bools:
        """Rows at the speed, load and target of the half pulses."""
        rules, alike = self._session.validity, np.ones(len(rows.t), np.bool_)
        for column, band in (
            (rows.rpm, rules.rpm_band),
            (rows.load, rules.load_band),
            (rows.target, TARGET_BAND),
        ):
            if _any_known(column[split]):
                alike &= np.abs(column - np.nanmedian(column[split])) <= band
        return alike


def _middle(x: Floats) -> float:
    """The median of what is known; NaN where nothing is."""
    return float(np.nanmedian(x)) if _any_known(x) else np.nan


def _any_known(x: Floats) -> bool:
    return bool(np.isfinite(x).any())


def _dead_times(rows: _SplitRows, split: Bools, whole: Bools, pulse: float) -> DeadTimes:
    """Dead times by one window, from what the nodes read with half pulses and with whole ones."""
    n = rows.y.shape[1]
    means, errors, levels = np.full((2, n), np.nan), np.full((2, n), np.nan), np.full(2, np.nan)
    known = np.isfinite(rows.y[split]).any(axis=0) & np.isfinite(rows.y[whole]).any(axis=0)
    for k, chosen in enumerate((whole, split)):
        batches = _batch_means(rows.t[chosen], rows.y[chosen][:, known])
        batches = batches[np.isfinite(batches).all(axis=1)]
        if len(batches) < 2:
            return DeadTimes(np.full(n, np.nan), np.full(n, np.nan))
        levels[k] = float(batches.mean())
        apart = batches - batches.mean(axis=1, keepdims=True)
        rho = lag1(apart - apart.mean(axis=0), np.ones(len(apart) - 1, np.bool_))
        for node, column, own in zip(np.flatnonzero(known).tolist(), apart.T, rho.tolist(), strict=True):
            one = estimate(np.ascontiguousarray(column), own)
            means[k, node] = one.mean
            errors[k, node] = one.half / NORMAL_95_SIX_DECIMALS
    split_pulse = pulse * float(np.exp(levels[0] - levels[1]))
    by_ms = 2 / split_pulse - 1 / pulse
    return DeadTimes((means[1] - means[0]) / by_ms, np.hypot(*errors) / by_ms)


def _batch_means(t: Floats, y: Floats) -> Floats:
    """Means of the rows of each quarter second, float64[b, n]; NaN where a node has too few."""
    number = np.floor(t / BATCH_S).astype(np.int64)
    edges = np.flatnonzero(np.diff(number)) + 1
    means = []
    for part in np.split(y, edges):
        full = np.isfinite(part).sum(axis=0) >= BATCH_ROWS // 2
        means.append(np.where(full, mean_of_known(part), np.nan))
    return np.array(means).reshape(-1, y.shape[1])


def _join(found: Sequence[DeadTimes], n: int) -> DeadTimes:
    """All windows together, weighted by their errors, against the mean of the nodes that are known."""
    late, weight = np.zeros(n), np.zeros(n)
    for one in found:
        known = np.isfinite(one.late) & np.isfinite(one.error)
        w = np.where(known, np.where(known, one.error, 1.0) ** -2.0, 0.0)
        late += w * np.where(known, one.late, 0.0)
        weight += w
    known = weight > 0
    out = np.where(known, late / np.where(known, weight, 1.0), np.nan)
    error = np.where(known, np.where(known, weight, 1.0) ** -0.5, np.nan)
    return DeadTimes(out - np.nanmean(out) if known.any() else out, error)
