"""How well a pull was driven and measured, and whether to keep it."""

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
# The rows of one pull: each reading beside the speed and the target its gas was burnt at.
#
# A reading is late by the way of its gas, which the rows have allowed for already, and by the
# lag of its sensor, which they have not. On a ramp a first-order lag shows what was `lag_s` ago
# (exactly so once the ramp has lasted a few lags), so a reading is laid beside the row of that
# time. What the sensor still keeps from before the throttle was opened is not a ramp: readings
# of the first `SETTLED_LAGS` lags of full opening are not counted.
# ----------------------------------------------------------------------------------------------------

SETTLED_LAGS = 4.0
"""After this many time constants 98 % of a step are over (computed)."""


class PullState(IntEnum):
    """Reasons for not counting a reading that SampleState does not know; no number stands in both.

    OPENING      what the sensor shows is still of before the throttle was opened
    EVENT        an event is known there
    WILD_SAMPLE  it is far from all its neighbours
    """

    OPENING = 100
    EVENT = 101
    WILD_SAMPLE = 102

    @property
    def word(self) -> str:
        """The reason in words, as shown and as written to JSON."""
        return self.name.lower().replace("_", " ")


Exclusion = SampleState | PullState
"""Why a reading of a pull is not counted."""

_KEPT_OPEN = 5.0  # percent below full that noise may reach


@dataclass(frozen=True, slots=True, eq=False)
class PullTrace:
    """k rows, n nodes.

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
    """How many rows before a pull its trace looks at."""
    return math.ceil(SETTLED_LAGS * float(lag_s.max(initial=0.0)) * 1e9 / GRID_NS) + 2


def pull_trace(recent: Recent, begin: int, end: int, lag_s: Floats, full_from: float) -> PullTrace:
    """The trace of the rows begin..end-1.

    recent     columns t, lam, state, and at_valve, rpm, target as they were at the valve
    full_from  percent of opening that counts as full
    """
    first = max(0, begin - rows_before(lag_s))
    skip = begin - first
    late = lag_s * 1e9 / GRID_NS
    open_ = recent.rows("at_valve", first, end) >= full_from - _KEPT_OPEN
    rpm = _earlier(recent.rows("rpm_at_valve", first, end), late)[skip:]
    lam, state = recent.rows("lam", begin, end), recent.rows("state", begin, end)
    why = np.where(_settled(open_, late)[skip:] & np.isfinite(rpm), 0, PullState.OPENING).astype(np.uint8)
    why = np.where(state == SampleState.VALID, why, state)
    return PullTrace(
        t=recent.rows("t", begin, end),
        rpm=rpm,
        y=np.log(np.where(why == 0, lam, np.nan)),
        target=np.log(_earlier(recent.rows("target", first, end), late)[skip:]),
        why=why,
        lag_s=lag_s,
    )


def _settled(open_: Bools, late: Floats) -> Bools:
    """Rows by which the gas at each sensor has been of full opening for long enough, bool[k, n]."""
    row = np.arange(len(open_))[:, None]
    shut = np.maximum.accumulate(np.where(open_, -1, row), axis=0)
    return np.asarray(row - shut > SETTLED_LAGS * late)


def _earlier(x: Floats, late: Floats) -> Floats:
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
# Readings of a pull that shall not be counted: known events, and wild samples found by their neighbours.
# ----------------------------------------------------------------------------------------------------

_WINDOW = 100  # rows
_AROUND = 15  # rows that the lags smear a wild sample over
_FLOOR, _SCALE = 0.05, 6.0  # in ln lambda; robust standard deviations
_FEWEST_FOR_COMMON = 3


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A stretch of time, ns, in which a cylinder's readings shall not be counted."""

    cylinder: int
    begin: int
    end: int


def around_misfires(
    session: Session, events: Iterable[Event], lag_s: Lags | None = None
) -> tuple[LeftOut, ...]:
    """The stretches around misfires among the events, in which a reading is no fuelling figure.

    Cuts end a pull, and their samples are not valid. A quick sensor's burst is wild enough to be seen
    among the readings of its pull; a slow one smears it until it looks like a need of some percent.

    Raises:
        UsageError: an impossible lag.
    """
    nodes = session.chain.nodes
    mask = Mask(node_lags(nodes, lag_s).max(axis=0), session.engine.strokes)
    mask.add(event for event in events if event.kind is Kind.MISFIRE)
    return tuple(LeftOut(c, m.begin, m.end) for m in mask.moments for c in nodes[m.node].cylinders)


def without_events(
    trace: PullTrace, cylinders: Sequence[tuple[int, ...]], events: Sequence[LeftOut]
) -> PullTrace:
    """The trace with the readings in the events not counted."""
    hit = np.zeros(trace.y.shape, np.bool_)
    for event in events:
        rows = (trace.t >= event.begin) & (trace.t < event.end)
        for j, seen in enumerate(cylinders):
            hit[:, j] |= rows & (event.cylinder in seen)
    return _mark_excluded(trace, hit, PullState.EVENT)


def without_wild(trace: PullTrace) -> PullTrace:
    """The trace with readings not counted that are far from what the node and its peers do that second.

    A burst of misfires is one; its rise and its decay lie around what is far enough to be seen.
    """
    few = np.isfinite(trace.y).sum(axis=1) < _FEWEST_FOR_COMMON
    common = np.where(few, 0.0, median_with_holes(trace.y, axis=1))
    apart = trace.y - common[:, None]
    wild = np.zeros(apart.shape, np.bool_)
    for begin in range(0, len(apart), _WINDOW):
        rows = slice(begin, begin + _WINDOW)
        distance = np.abs(apart[rows] - median_with_holes(apart[rows], axis=0))
        limit = _SCALE * SIGMA_OF_MAD * median_with_holes(distance, axis=0)
        wild[rows] = distance > np.maximum(limit, _FLOOR)
    return _mark_excluded(trace, _widened(wild, _AROUND), PullState.WILD_SAMPLE)


def _widened(hit: Bools, rows: int) -> Bools:
    """True also for that many rows before and after."""
    total = np.cumsum(np.pad(hit, ((rows + 1, rows), (0, 0))), axis=0)
    return np.asarray(total[2 * rows + 1 :] > total[: -(2 * rows + 1)])


def _mark_excluded(trace: PullTrace, hit: Bools, reason: PullState) -> PullTrace:
    hit = hit & (trace.why == 0)
    if not hit.any():
        return trace
    return replace(
        trace,
        y=np.where(hit, np.nan, trace.y),
        why=np.where(hit, np.uint8(reason), trace.why),
    )


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


_WIDE_ROWS, _LOCAL_ROWS = 100, 15
"""Half-widths in rows over which a slope counts as the pull's own and as local."""

_SLIP_SHARE, _SLIP_RATE = 0.8, 200.0
_LARGEST_FALL_RPM = 60.0
_GOOD_SHARE, _LEAST_SHARE = 0.9, 0.5
_COARSE_RPM = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """The engine's own rows of a pull: speed, opening in percent once it is full, temperatures.

    float64[k] each, the opening maybe fewer; NaN where not known.
    """

    rpm: Floats
    opening: Floats
    coolant_c: Floats
    intake_c: Floats


@dataclass(frozen=True, slots=True)
class PullQuality:
    """What was measured of a pull's driving and of its data. NaN where not known.

    largest_fall_rpm    deepest fall of speed below what had been reached
    slowest, fastest    rpm/s, of the slope over about two seconds
    slips_rpm           speeds at which the slope jumps although the opening does not
    least_opening       percent
    coolant_c, intake_c at the start
    warmed_c            rise of the coolant during the pull
    rpm_step            mean step from one sample of speed to the next
    valid_share         of all readings of the nodes not left out, once gas of full opening is there
    valid_cylinders     cylinders whose sensors are valid for nine tenths of the pull and more
    cylinders           cylinders that are watched and not left out
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
    """Measures a pull; `weights` int64[n] are the cylinders that each node speaks for."""
    share = _valid_shares(trace)
    asked = ~np.isnan(share)
    every = _rows_per_sample(driven.rpm)
    wide = _slope(driven.rpm, _WIDE_ROWS)
    coolant = _first_known(driven.coolant_c)
    return PullQuality(
        largest_fall_rpm=float((np.maximum.accumulate(driven.rpm) - driven.rpm).max()),
        slowest=float(wide.min()),
        fastest=float(wide.max()),
        slips_rpm=_slips(driven.rpm, wide, every),
        least_opening=float(driven.opening.min()),
        coolant_c=coolant,
        intake_c=_first_known(driven.intake_c),
        warmed_c=_first_known(driven.coolant_c[::-1]) - coolant,
        rpm_step=float(driven.rpm[-1] - driven.rpm[0]) / (len(driven.rpm) / every),
        valid_share=float(share[asked].mean()) if asked.any() else np.nan,
        valid_cylinders=int(weights[asked & (np.nan_to_num(share) >= _GOOD_SHARE)].sum()),
        cylinders=int(weights[asked].sum()),
    )


def verdict(quality: PullQuality, ended_by: PullEnd, rules: Validity) -> PullVerdict:
    """Whether to keep the pull, by common practice (no source)."""
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
    if not quality.valid_share >= _LEAST_SHARE:
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


def _valid_shares(trace: PullTrace) -> Floats:
    """Share of counted readings of each node after the opening; NaN for nodes left out, float64[n]."""
    asked = trace.why != SampleState.LEFT_OUT
    due = asked & (trace.why != PullState.OPENING)
    count = due.sum(axis=0)
    share = np.divide((trace.why == 0).sum(axis=0), count, out=np.zeros(len(count)), where=count > 0)
    return np.where(asked.any(axis=0), share, np.nan)


def _slope(x: Floats, half: int) -> Floats:
    """Slope over `half` rows on either side, fewer at the ends, per second."""
    row = np.arange(len(x))
    before, after = np.maximum(row - half, 0), np.minimum(row + half, len(x) - 1)
    return np.asarray((x[after] - x[before]) / ((after - before) * (GRID_NS / 1e9)))


def _rows_per_sample(rpm: Floats) -> float:
    return len(rpm) / max(int(np.count_nonzero(np.diff(rpm))), 1)


def _slips(rpm: Floats, wide: Floats, every: float) -> tuple[float, ...]:
    """Speeds at which the local slope is far from the pull's own, one for each such place."""
    local = _slope(rpm, max(_LOCAL_ROWS, round(2 * every)))
    away = np.abs(local - wide)
    odd = away > np.maximum(_SLIP_SHARE * np.abs(wide), _SLIP_RATE)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], odd, [False]]).astype(np.int8)))
    places = edges.reshape(-1, 2).tolist()
    return tuple(float(rpm[begin + int(np.argmax(away[begin:end]))]) for begin, end in places)


def _first_known(x: Floats) -> float:
    known = x[np.isfinite(x)]
    return float(known[0]) if len(known) else np.nan
