"""The readings of one pull, which of them count, and whether the pull is fit to be kept.

The way of the data: `pull_trace` puts each reading beside the speed and the target its gas was burnt
at. `without_events` and `without_outliers` exclude readings that are no fuelling figures. `pull_quality`
measures how well the pull was driven and measured, and `verdict` suggests to keep or reject it.

A reading is late by the way of its gas, which the rows have allowed for already, and by the lag of its
sensor, which they have not. On a ramp a first-order lag shows what was `lag_s` ago (exactly so once the
ramp has lasted a few lags), so a reading is put beside the row of that time. What the sensor still keeps
from before the throttle was opened is not a ramp: readings of the first `SETTLED_LAGS` lags of full
opening are not counted.

Invariants: a trace keeps all rows of its pull; a reading that is not counted is NaN and has the first
reason found. A verdict only suggests, and its reasons carry the measured numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum, StrEnum

import numpy as np

from mixmon.arrays import Bools, Bytes, Floats, Ints
from mixmon.findings.balance.dwell import Mask
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.lags import Lags, node_lags
from mixmon.findings.stats import SIGMA_OF_MAD, median_with_holes
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import SampleState
from mixmon.mixture.recent import Recent
from mixmon.note import Note, NoteCode, note
from mixmon.session.model import Session, Validity

# ----------------------------------------------------------------------------------------------------
# The trace: each reading beside the speed and the target its gas was burnt at.
# ----------------------------------------------------------------------------------------------------

SETTLED_LAGS = 4.0
"""After this many time constants 98 % of a step are over (computed: 1 - exp(-4))."""


class PullState(IntEnum):
    """Reasons for not counting a reading, beside those of SampleState; no number is in both.

    OPENING  the sensor still shows gas from before the throttle was opened
    EVENT    an event is known there
    OUTLIER  it is far from all its neighbours
    """

    OPENING = 100
    EVENT = 101
    OUTLIER = 102

    @property
    def word(self) -> str:
        """The reason in words, as shown and as written to JSON."""
        return self.name.lower().replace("_", " ")


Exclusion = SampleState | PullState
"""Why a reading of a pull is not counted."""

_OPEN_NOISE_PERCENT = 5.0
"""How far below full the noise of the opening may reach: our choice, as where an opening ends."""


@dataclass(frozen=True, slots=True, eq=False)
class PullTrace:
    """The readings of a pull: k rows, n nodes.

    t       int64[k]       time of the reading, ns
    rpm     float64[k, n]  speed when its gas left the valve; NaN where not known
    y       float64[k, n]  ln lambda; NaN where not counted
    target  float64[k, n]  ln target at the same moment; NaN where not known
    why     uint8[k, n]    0 counted, else the number of an `Exclusion`
    lag_s   float64[n]     the sensor lags that were allowed for
    """

    t: Ints
    rpm: Floats
    y: Floats
    target: Floats
    why: Bytes
    lag_s: Floats


def exclusion_of(number: int) -> Exclusion:
    """The reason that a number in a trace stands for.

    >>> exclusion_of(100).word, exclusion_of(SampleState.SILENT).word
    ('opening', 'silent')
    """
    return SampleState(number) if number < min(PullState) else PullState(number)


def rows_before(lag_s: Floats) -> int:
    """How many rows before a pull its trace needs."""
    return math.ceil(SETTLED_LAGS * float(lag_s.max(initial=0.0)) * 1e9 / GRID_NS) + 2


def pull_trace(recent: Recent, begin: int, end: int, lag_s: Floats, full_from: float) -> PullTrace:
    """The trace of the rows begin..end-1.

    Args:
        recent: columns t, lam and state at the sensor; at_valve (opening), rpm_at_valve and target as they
            were when the gas left the valve.
        begin: first row of the pull.
        end: the row after its last.
        lag_s: float64[n], sensor lags.
        full_from: percent of opening that counts as full.
    """
    first = max(0, begin - rows_before(lag_s))
    skip = begin - first
    late = lag_s * 1e9 / GRID_NS
    open_ = recent.rows("at_valve", first, end) >= full_from - _OPEN_NOISE_PERCENT
    rpm = _shift_columns(recent.rows("rpm_at_valve", first, end), late)[skip:]
    lam, state = recent.rows("lam", begin, end), recent.rows("state", begin, end)
    why = np.where(_is_settled(open_, late)[skip:] & np.isfinite(rpm), 0, PullState.OPENING).astype(np.uint8)
    why = np.where(state == SampleState.VALID, why, state)
    return PullTrace(
        t=recent.rows("t", begin, end),
        rpm=rpm,
        y=np.log(np.where(why == 0, lam, np.nan)),
        target=np.log(_shift_columns(recent.rows("target", first, end), late)[skip:]),
        why=why,
        lag_s=lag_s,
    )


def _is_settled(open_: Bools, late: Floats) -> Bools:
    """Rows by which the gas at each sensor has been of full opening for long enough, bool[k, n]."""
    row = np.arange(len(open_))[:, None]
    shut = np.maximum.accumulate(np.where(open_, -1, row), axis=0)
    return np.asarray(row - shut > SETTLED_LAGS * late)


def _shift_columns(x: Floats, late: Floats) -> Floats:
    """Each column as it was `late` rows before, float64[k, n]; NaN before the first row."""
    out = np.full(x.shape, np.nan)
    for j, rows in enumerate(late.tolist()):
        whole = math.floor(rows)
        share = rows - whole
        if whole + 1 < len(x):
            newer, older = x[1 : len(x) - whole, j], x[: len(x) - whole - 1, j]
            out[whole + 1 :, j] = newer + share * (older - newer) if share else newer
    return out


# ----------------------------------------------------------------------------------------------------
# Readings that are excluded: known events, and outliers found by their neighbours.
# ----------------------------------------------------------------------------------------------------

_OUTLIER_WINDOW_ROWS = 100
"""Rows whose median a reading is compared with: our choice, one second, in which a need hardly changes."""

_ROWS_AROUND_OUTLIER = 15
"""Rows before and after an outlier that are excluded with it: our choice; a sensor's lag spreads a burst
over about 0.15 s."""

_PULL_OUTLIER_FLOOR = 0.05  # in ln lambda; nearer to the median nothing is an outlier: our choice
_PULL_OUTLIER_SCALE = 6.0  # in robust standard deviations: our choice
_FEWEST_FOR_COMMON = 3  # nodes that have a common course: of two, each moves the median by half (computed)


@dataclass(frozen=True, slots=True)
class ExcludedTime:
    """A stretch of time, ns, in which a cylinder's readings are not counted."""

    cylinder: int
    begin: int
    end: int


def around_misfires(
    session: Session, events: Iterable[Event], lag_s: Lags | None = None
) -> tuple[ExcludedTime, ...]:
    """The times around the misfires among the events, and around what may be one: no fuelling figures.

    Misfires alone: cuts end a pull, and their samples are not valid. What a burst of misfires leaves in a
    quick sensor is found as outliers; a slow sensor spreads it until it looks like a need of some percent.

    Raises:
        UsageError: an impossible lag.
    """
    nodes = session.chain.nodes
    mask = Mask(node_lags(nodes, lag_s).max(axis=0), session.engine.strokes)
    mask.add(event for event in events if event.kind in (Kind.MISFIRE, Kind.NOT_CLASSIFIED))
    return tuple(ExcludedTime(c, m.begin, m.end) for m in mask.moments for c in nodes[m.node].cylinders)


def without_events(
    trace: PullTrace, cylinders: Sequence[tuple[int, ...]], events: Sequence[ExcludedTime]
) -> PullTrace:
    """The trace without the readings that are within events.

    Args:
        trace: of the pull.
        cylinders: by node, the cylinders that it measures.
        events: times at which a cylinder is not counted.
    """
    hit = np.zeros(trace.y.shape, np.bool_)
    for event in events:
        rows = (trace.t >= event.begin) & (trace.t < event.end)
        for j, seen in enumerate(cylinders):
            hit[:, j] |= rows & (event.cylinder in seen)
    return _mark_excluded(trace, hit, PullState.EVENT)


def without_outliers(trace: PullTrace) -> PullTrace:
    """The trace without outliers: readings far from what the node and its peers show in that second.

    A burst of misfires is an outlier; its rise and its decay are excluded with it.
    """
    few = np.isfinite(trace.y).sum(axis=1) < _FEWEST_FOR_COMMON
    common = np.where(few, 0.0, median_with_holes(trace.y, axis=1))
    apart = trace.y - common[:, None]
    outlying = np.zeros(apart.shape, np.bool_)
    for begin in range(0, len(apart), _OUTLIER_WINDOW_ROWS):
        rows = slice(begin, begin + _OUTLIER_WINDOW_ROWS)
        distance = np.abs(apart[rows] - median_with_holes(apart[rows], axis=0))
        limit = _PULL_OUTLIER_SCALE * SIGMA_OF_MAD * median_with_holes(distance, axis=0)
        outlying[rows] = distance > np.maximum(limit, _PULL_OUTLIER_FLOOR)
    return _mark_excluded(trace, _widen_hits(outlying, _ROWS_AROUND_OUTLIER), PullState.OUTLIER)


def _widen_hits(hit: Bools, rows: int) -> Bools:
    """True also for that many rows before and after."""
    total = np.cumsum(np.pad(hit, ((rows + 1, rows), (0, 0))), axis=0)
    return np.asarray(total[2 * rows + 1 :] > total[: -(2 * rows + 1)])


def _mark_excluded(trace: PullTrace, hit: Bools, reason: PullState) -> PullTrace:
    """The trace with these readings not counted; an earlier reason stays."""
    hit = hit & (trace.why == 0)
    if not hit.any():
        return trace
    return replace(
        trace,
        y=np.where(hit, np.nan, trace.y),
        why=np.where(hit, np.uint8(reason), trace.why),
    )


# ----------------------------------------------------------------------------------------------------
# How the pull was driven and measured, and what to do with it.
# ----------------------------------------------------------------------------------------------------


class PullEnd(StrEnum):
    """What can end a pull. The values are the words shown and written."""

    LIFT = "throttle lift"
    LIMITER = "limiter"
    HELD = "speed held or falling"
    NO_ENGINE_DATA = "engine data lost"
    BREAK = "end of the data"


class Suggestion(StrEnum):
    """What to do with a pull. The values are the words shown and written."""

    KEEP = "keep"
    REJECT = "reject"


class PullNote(NoteCode):
    """Why a pull is rejected, what else to know of it, and in what it is unlike another."""

    ENGINE_COLD = "engine_cold"
    SPEED_SLIPS = "speed_slips"
    SPEED_FALLS = "speed_falls"
    FEW_READINGS = "few_readings"
    CUT_OFF = "cut_off"
    REJECTED_BY_OPERATOR = "rejected_by_operator"
    LIMITER_REACHED = "limiter_reached"
    CYLINDERS_NOT_VALID = "cylinders_not_valid"
    COARSE_SPEED = "coarse_speed"
    ENDED_EARLY = "ended_early"
    COOLANT_DIFFERS = "coolant_differs"
    INTAKE_DIFFERS = "intake_differs"
    RATE_DIFFERS = "rate_differs"
    START_DIFFERS = "start_differs"


_WIDE_ROWS = 100  # half-width over which a slope is the pull's own: our choice, two seconds in all
_LOCAL_ROWS = 15  # half-width over which a slope is local: our choice, 0.3 s in all
_SLIP_SHARE = 0.8  # of the pull's own slope, by which a local one differs at a slip: our choice
_SLIP_RATE = 200.0  # rpm/s, by which it differs at least: our choice, beyond the noise of speed
_LARGEST_FALL_RPM = 60.0  # a deeper fall of speed is a reason to reject: our choice
_VALID_CYLINDER_SHARE = 0.9  # of the pull, for which the sensors of a valid cylinder are valid: our choice
_LEAST_VALID_SHARE = 0.5  # of all readings; fewer are a reason to reject: our choice, as for a band
_COARSE_RPM = 60.0  # from one sample of speed to the next; coarser steps blur the bands: our choice


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """What the engine's bus told during a pull: float64[k] each, NaN where not known.

    opening  percent, from full opening on: it may have fewer rows than the others
    """

    rpm: Floats
    opening: Floats
    coolant_c: Floats
    intake_c: Floats


@dataclass(frozen=True, slots=True)
class PullQuality:
    """How a pull was driven and measured. NaN where not known.

    largest_fall_rpm    deepest fall of speed below what had been reached
    slowest, fastest    rpm/s, of the slope over about two seconds
    slips_rpm           speeds at which the slope jumps although the opening does not
    least_opening       percent
    coolant_c, intake_c at the start
    warmed_c            rise of the coolant during the pull
    rpm_step            mean step from one sample of speed to the next
    valid_share         of the readings of the nodes not left out, from the first gas of full opening on
    valid_cylinders     cylinders whose sensors are valid for nine tenths of the pull or more
    cylinders           cylinders that have a sensor and are not left out
    """

    largest_fall_rpm: float
    slowest: float
    fastest: float
    slips_rpm: tuple[float, ...]
    least_opening: float
    coolant_c: float
    intake_c: float
    warmed_c: float
    rpm_step: float
    valid_share: float
    valid_cylinders: int
    cylinders: int


@dataclass(frozen=True, slots=True)
class PullVerdict:
    """A suggestion; why to reject the pull, empty for one to keep; and what else to know."""

    suggestion: Suggestion
    reasons: tuple[Note, ...]
    notes: tuple[Note, ...]


def pull_quality(driven: Driven, trace: PullTrace, weights: Ints) -> PullQuality:
    """Measures a pull; `weights` int64[n] are the numbers of cylinders that each node measures."""
    share = _share_valid_readings(trace)
    asked = ~np.isnan(share)
    every = _rows_per_sample(driven.rpm)
    wide = _measure_slope(driven.rpm, _WIDE_ROWS)
    coolant = _first_known(driven.coolant_c)
    return PullQuality(
        largest_fall_rpm=float((np.maximum.accumulate(driven.rpm) - driven.rpm).max()),
        slowest=float(wide.min()),
        fastest=float(wide.max()),
        slips_rpm=_find_slips(driven.rpm, wide, every),
        least_opening=float(driven.opening.min()),
        coolant_c=coolant,
        intake_c=_first_known(driven.intake_c),
        warmed_c=_first_known(driven.coolant_c[::-1]) - coolant,
        rpm_step=float(driven.rpm[-1] - driven.rpm[0]) / (len(driven.rpm) / every),
        valid_share=float(share[asked].mean()) if asked.any() else np.nan,
        valid_cylinders=int(weights[asked & (np.nan_to_num(share) >= _VALID_CYLINDER_SHARE)].sum()),
        cylinders=int(weights[asked].sum()),
    )


def verdict(quality: PullQuality, ended_by: PullEnd, rules: Validity) -> PullVerdict:
    """Suggests to keep or reject a pull, by common practice (no source)."""
    reasons = tuple(_reasons_to_reject(quality, ended_by, rules.warm_coolant_c))
    suggestion = Suggestion.REJECT if reasons else Suggestion.KEEP
    return PullVerdict(suggestion, reasons, tuple(_notes_of_pull(quality, ended_by)))


def _reasons_to_reject(quality: PullQuality, ended_by: PullEnd, warm_c: float) -> Iterator[Note]:
    if quality.coolant_c < warm_c:
        yield note(PullNote.ENGINE_COLD, coolant_c=quality.coolant_c, warm_from_c=warm_c)
    if quality.slips_rpm:
        yield note(PullNote.SPEED_SLIPS, rpm=quality.slips_rpm)
    if quality.largest_fall_rpm > _LARGEST_FALL_RPM:
        yield note(PullNote.SPEED_FALLS, fall_rpm=quality.largest_fall_rpm)
    if not quality.valid_share >= _LEAST_VALID_SHARE:
        yield note(PullNote.FEW_READINGS, valid_share=quality.valid_share)
    if ended_by in {PullEnd.NO_ENGINE_DATA, PullEnd.BREAK}:
        yield note(PullNote.CUT_OFF, ended_by=ended_by.value)


def _notes_of_pull(quality: PullQuality, ended_by: PullEnd) -> Iterator[Note]:
    if ended_by is PullEnd.LIMITER:
        yield note(PullNote.LIMITER_REACHED)
    missing = quality.cylinders - quality.valid_cylinders
    if missing:
        yield note(PullNote.CYLINDERS_NOT_VALID, missing=missing, cylinders=quality.cylinders)
    if quality.rpm_step > _COARSE_RPM:
        yield note(PullNote.COARSE_SPEED, step_rpm=quality.rpm_step)


def _share_valid_readings(trace: PullTrace) -> Floats:
    """Share of counted readings of each node after the opening; NaN for nodes left out, float64[n]."""
    asked = trace.why != SampleState.LEFT_OUT
    due = asked & (trace.why != PullState.OPENING)
    count = due.sum(axis=0)
    share = np.divide((trace.why == 0).sum(axis=0), count, out=np.zeros(len(count)), where=count > 0)
    return np.where(asked.any(axis=0), share, np.nan)


def _measure_slope(x: Floats, half: int) -> Floats:
    """Slope over `half` rows on either side, fewer at the ends, per second."""
    row = np.arange(len(x))
    before, after = np.maximum(row - half, 0), np.minimum(row + half, len(x) - 1)
    return np.asarray((x[after] - x[before]) / ((after - before) * (GRID_NS / 1e9)))


def _rows_per_sample(rpm: Floats) -> float:
    """Mean number of rows for which one sample of speed is repeated."""
    return len(rpm) / max(int(np.count_nonzero(np.diff(rpm))), 1)


def _find_slips(rpm: Floats, wide: Floats, every: float) -> tuple[float, ...]:
    """Speeds at which the local slope is far from the pull's own, one for each such place."""
    local = _measure_slope(rpm, max(_LOCAL_ROWS, round(2 * every)))
    away = np.abs(local - wide)
    odd = away > np.maximum(_SLIP_SHARE * np.abs(wide), _SLIP_RATE)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], odd, [False]]).astype(np.int8)))
    places = edges.reshape(-1, 2).tolist()
    return tuple(float(rpm[begin + int(np.argmax(away[begin:end]))]) for begin, end in places)


def _first_known(x: Floats) -> float:
    known = x[np.isfinite(x)]
    return float(known[0]) if len(known) else np.nan
