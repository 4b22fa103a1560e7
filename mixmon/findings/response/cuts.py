"""Fuel cuts as the sensors see them: every sensor reads air at once, then burnt gas again.

Wants: of each sensor and each cut, T63 of the reading that rises into air (lean-going) and of the one that
falls back (rich-going), the level in air, and the dead time where the command is known.

Goals: no signal of the engine is needed to find a cut; a sensor whose reading is not a clean step gets a
code and no number; the same result however the rows are split into blocks.

Plan:

    1. `AirEdges` marks the rows at which most sensors come into air and leave it.
    2. `CutStage` keeps the rows from a second before a cut until a good second after it: a `SeenCut`. A long
       cut is given when ten seconds of it have passed.
    3. `measure_cut` fits both edges (`fit.fit_steps`) and takes the level in air: one `MeasuredCut` a cut.
       `ResponseStage` measures every cut at once; who needs a few of many can measure those.

`SensorTrace` holds readings around one moment, for drawings and for the comparison of two sensors.

Kept: the rows of the last second or of the current cut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import lru_cache
from hashlib import sha256
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import Bools, Floats
from mixmon.findings.least_squares import Samples
from mixmon.findings.response.fit import NOT_SHARP, USUAL_FILTER, Prior, StepFit, fit_steps
from mixmon.findings.response.notes import EdgeProblem
from mixmon.findings.stage import StretchStage
from mixmon.findings.stats import median_with_holes
from mixmon.mixture.align import GRID_NS
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.recent import Recent
from mixmon.mixture.validity import latch

# ----------------------------------------------------------------------------------------------------
# Edges: when the gas at the sensors turns to air, and back.
#
# In a cut all cylinders pump air at once, and only then. So the sensors themselves show it: most of those
# that measure read far leaner than any engine burns.
# ----------------------------------------------------------------------------------------------------

IN_AIR_PERCENT = 5.0
"""Oxygen balance above which no engine burns: lambda 1.35 (computed)."""

_MOST, _FEW = 2 / 3, 1 / 3
"""Shares of the measuring sensors above which a cut begins, and down to which it ends: our choice, so that
one sensor that fails or answers late does not decide."""

MEASURING = np.ones(len(SampleState), np.bool_)
"""By SampleState: whether the number shows the gas. It does in a cut and at a limit."""
MEASURING[[SampleState.WARMING, SampleState.SILENT, SampleState.SUSPECT, SampleState.LEFT_OUT]] = False
MEASURING[SampleState.DUPLICATE_NODE] = False


class AirEdges:
    """Finds the edges of cuts in the rows of one stretch. Kept: whether the sensors are in air."""

    def __init__(self) -> None:
        self._in_air = False

    def cross(self, block: CylinderBlock) -> list[tuple[int, bool]]:
        """Rows of the block at which the sensors come into air (True) or leave it (False)."""
        measuring = MEASURING[block.state]
        count = measuring.sum(axis=1)
        lean = ((block.oxygen > IN_AIR_PERCENT) & measuring).sum(axis=1)
        in_air = latch((lean > _MOST * count) & (count > 0), lean <= _FEW * count, self._in_air)
        turned = np.flatnonzero(np.diff(in_air, prepend=self._in_air))
        self._in_air = bool(in_air[-1])
        return [(row, bool(in_air[row])) for row in turned.tolist()]


_LEVEL_ENDS_ROWS = 30
"""Rows before the rise that are no longer burnt gas: our choice, because the first sensors move in them."""

_NEAR_SHARE = 0.05
"""Share of the step up to which readings are still at their level: our choice, above the noise."""


def movement(level: Floats, rise: int, fall: int) -> tuple[int, int]:
    """The last row before the readings leave their level, and the last one before they come back.

    Args:
        level: middle reading of all sensors, float64[k], from well before a cut to its end.
        rise: row at which the sensors are half way into air.
        fall: row at which they are half way out of it.
    """
    burnt, air = (
        float(np.median(level[: max(rise - _LEVEL_ENDS_ROWS, 1)])),
        float(level[rise : fall + 1].max()),
    )
    near = _NEAR_SHARE * (air - burnt)
    low = np.flatnonzero(level[:rise] <= burnt + near)
    high = np.flatnonzero(level[rise:fall] >= air - near)
    return (int(low[-1]) if len(low) else 0), (rise + int(high[-1]) if len(high) else fall)


# ----------------------------------------------------------------------------------------------------
# Traces: the readings of all sensors around one moment, at their own times.
# ----------------------------------------------------------------------------------------------------

_BEFORE_NS, _AFTER_NS = 1_000_000_000, 2_000_000_000
"""How much of a moment a trace shows: our choice, the level before and the whole way of a slow sensor."""


@dataclass(frozen=True, slots=True, eq=False)
class SensorTrace:
    """k rows of n sensors.

    t        ns, zero of `sampled`
    sampled  float64[k, n], s, when each sample was sent
    oxygen   float64[k, n], percent
    used     bool[k, n], samples that are new and show the gas
    """

    t: int
    sampled: Floats
    oxygen: Floats
    used: Bools

    def of(self, j: int) -> tuple[Floats, Floats]:
        """Times and readings of one sensor."""
        used = self.used[:, j]
        return self.sampled[used, j], self.oxygen[used, j]


def trace_of(recent: Recent, begin: int, end: int, t: int) -> SensorTrace:
    """The trace of the kept rows begin..end-1, with times from t ns on."""
    rows = {name: recent.rows(name, begin, end) for name in ("t", "age", "oxygen", "state", "fresh")}
    return SensorTrace(
        t=t,
        sampled=(rows["t"][:, None] - rows["age"] - t) / 1e9,
        oxygen=rows["oxygen"],
        used=rows["fresh"] & MEASURING[rows["state"]] & np.isfinite(rows["oxygen"]),
    )


class TraceStage:
    """A stage that keeps the rows around one moment; `result` gives them after the last block.

    Args:
        since_s: the moment, in seconds from the first row.
    """

    def __init__(self, since_s: float) -> None:
        self._since = round(since_s * 1e9)
        self._moment: int | None = None
        self._stretch = -1
        self._recent = Recent()

    def feed(self, block: CylinderBlock) -> None:
        """Takes the next rows."""
        if not len(block):
            return
        if self._moment is None:
            self._moment, self._stretch = int(block.t[0]) + self._since, int(block.stretch[0])
        near = (block.t >= self._moment - _BEFORE_NS) & (block.t < self._moment + _AFTER_NS)
        near &= block.stretch == self._stretch
        if near.any():
            names = ("t", "age", "oxygen", "state", "fresh")
            self._recent.add({name: getattr(block, name)[near] for name in names}, int(near.sum()))

    def result(self) -> SensorTrace | None:
        """The trace; None if no row is near the moment."""
        if not self._recent.end or self._moment is None:
            return None
        return trace_of(self._recent, 0, self._recent.end, self._moment)


# ----------------------------------------------------------------------------------------------------
# One cut: how every sensor goes into air, what it reads there, and how it comes back.
# ----------------------------------------------------------------------------------------------------

CUT_BEFORE_ROWS = 100
"""Rows that belong to a cut before most sensors are in air: our choice, a second, the level before the
step."""

CUT_AFTER_ROWS = 120
"""Rows of the way back after most sensors have left air: our choice, ten usual lags."""

_LEAN_ROWS = 200
"""Most rows of the way into air that are fitted: our choice, 2 s, twenty usual lags."""

_LATE_ROWS = 25
"""Rows after the first movement in which a command is looked for that comes late: our choice, a quarter of a
second; stamps that are further apart are seen as no command."""

_LEAD_ROWS = 20
"""Rows before the first movement that are fitted with it: our choice, enough for the level."""

_MARGIN_ROWS = 10
"""Rows before the way back that do not count as air: our choice, because the first sensor moves earlier."""

_AIR_ROWS = 30
"""Rows whose mean is the level in air: our choice, 0.3 s, in which noise averages out."""

_STILL_RPM = 400.0
"""Below this speed the engine is stopping, and its air is no cut: our choice, below any idle."""

_TURNING_ROWS = 150
"""Rows for which the engine must turn in a cut that ends with its stop: our choice, the way in is over
then."""

_LEAST_CUT_STEP_PERCENT = 5.0
"""A smaller step is not a way into air: our choice, the limit of `IN_AIR_PERCENT`."""

_MOST_MISFIT, _MOST_SD, _FEWEST_ROWS = 0.08, 0.15, 20
"""Most rms of residuals as a share of the step, most error of T63 as a share of it, fewest rows after the
movement: our choice. A fit beyond them says less than the usual values of sensors."""

_UNREACHED, _WAY_SHARE = 0.02, 0.3
"""Share of the step that may be missing from the level in air, and the error of that share: our choice, so
that the correction stays smaller than the difference of good sensors."""

_MEASURING_SHARE = 0.9
"""A sensor must measure in this share of the rows: our choice, a few lost frames do no harm."""

_SAME_ROWS = 8
"""Rows with the same highest digit that make a clipped reading: our choice, noise does not repeat so
often."""

_FOOT = 0.1
"""Share of the step below which samples do not count: our choice. The throttle closes before a cut and
changes the mixture; this change is over when so much air has come."""

_AFTER_SPARK_CUT = 0.08
"""Error of T63, as a share, where missed sparks had raised the readings before the cut (computed)."""

_CLIPPED, _CLIPPED_FILTER_SD_S = 0.07, 0.005
"""Where the reading clips, the end of the step is assumed and few samples show its course: error of T63, as a
share, and the filter's deviation from the usual one, s: our choice, narrower than for a whole step."""

_AIR = Prior(20.6, 0.4)
"""Oxygen of ambient air, percent, dry to damp, for readings that clip below it (computed: 20.95 % less the
share of water vapour)."""


@dataclass(frozen=True, slots=True, eq=False)
class AirLevel:
    """The reading of each sensor in air, oxygen percent, and its error, float64[n]; NaN if not settled."""

    percent: Floats
    sd: Floats


class Way(StrEnum):
    """The way in which readings go at an edge; the values begin the names of fields."""

    LEAN = "lean"
    RICH = "rich"


@dataclass(frozen=True, slots=True, eq=False)
class CutEdge:
    """How n sensors followed one edge of a cut: into air (lean-going), or out of it (rich-going).

    t         zero of the fits' dead time, ns: the command where it is known, else the first movement
    command   whether that zero is the command
    rpm, load of the engine then; NaN where not known
    rough     sparks were cut shortly before
    fit       only sensors that followed cleanly; NaN for the others
    left_out  for each of those others the reason; None for a clean one
    late      whether the command's stamp lies behind the first movement
    """

    t: int
    command: bool
    rpm: float
    load: float
    rough: bool
    fit: StepFit
    left_out: tuple[EdgeProblem | None, ...]
    late: bool = False

    @property
    def followed(self) -> Bools:
        """Sensors that followed cleanly, bool[n]."""
        return np.isfinite(self.fit.t63_s)

    @property
    def dead_s(self) -> float:
        """From the command to the first movement: mean of the sensors; NaN where either is not known."""
        if not self.command or not self.followed.any():
            return np.nan
        return float(np.mean(self.fit.dead_s[self.followed]))

    @property
    def delay_s(self) -> float:
        """From the command until 63 % of the step: median of the sensors; NaN where either is not known."""
        if not self.command or not self.followed.any():
            return np.nan
        return float(np.median((self.fit.dead_s + self.fit.t63_s)[self.followed]))


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredCut:
    """One fuel cut as the sensors saw it.

    t         ns, when the first readings moved
    seconds   from there until they moved back; NaN if they did not
    clipped   bool[n]: the range of the reading ends below air; its level in air was assumed
    way_in, way_out   the readings themselves, if asked for
    """

    t: int
    seconds: float
    lean: CutEdge
    rich: CutEdge | None
    air: AirLevel
    clipped: Bools
    way_in: SensorTrace | None = None
    way_out: SensorTrace | None = None

    @property
    def edges(self) -> Mapping[Way, CutEdge]:
        """The edges that were seen, by the way of the readings."""
        return {Way.LEAN: self.lean} if self.rich is None else {Way.LEAN: self.lean, Way.RICH: self.rich}


@dataclass(frozen=True, slots=True)
class Span:
    """Rows of a cut: most sensors in air from `rise` to `fall`; rows to `end`; `back`: they came back."""

    rise: int
    fall: int
    end: int
    back: bool

    @property
    def first(self) -> int:
        """The first row that is needed to measure it."""
        return max(self.rise - CUT_BEFORE_ROWS, 0)


@dataclass(frozen=True, slots=True, eq=False)
class SeenCut:
    """A cut that is not measured yet, with the rows that are needed for it."""

    recent: Recent
    span: Span


@dataclass(frozen=True, slots=True)
class Clock:
    """How exactly an engine signal dates a command, by the seconds between its samples."""

    period_s: float

    @property
    def late_ns(self) -> int:
        """How long after the command the first row shows it, on average."""
        return round(self.period_s * 0.5e9) + GRID_NS // 2

    @property
    def sd(self) -> float:
        """Standard deviation of that, s."""
        return float(np.hypot(self.period_s, GRID_NS / 1e9) / np.sqrt(12.0))


USUAL_PERIOD_S = 0.020
"""Time between samples of an engine signal whose message declares none: common practice, no source."""


def measure_cut(
    seen: SeenCut,
    clock: Clock = Clock(USUAL_PERIOD_S),
    filter_s: Prior = USUAL_FILTER,
    *,
    traces: bool = False,
) -> MeasuredCut | None:
    """The cut; None if the engine soon stops, if rows before it are missing, or if it is too short to fit.

    Two stages that are fed the same rows measure the same cut: the second one gets what the first one found.
    """
    return _measure_once(_SameCut(_digest_of(seen), seen), clock, filter_s, traces)


_REMEMBERED_CUTS = 8
"""Our choice: stages side by side measure a cut within seconds of each other, and a cut is a megabyte."""


@dataclass(frozen=True, slots=True)
class _SameCut:
    """A cut by all that is in its rows."""

    digest: bytes
    seen: SeenCut = field(compare=False)


def _digest_of(seen: SeenCut) -> bytes:
    span = seen.span
    digest = sha256(repr((span, seen.recent.names)).encode())
    for name in seen.recent.names:
        digest.update(np.ascontiguousarray(seen.recent.rows(name, span.first, span.end)).tobytes())
    return digest.digest()


@lru_cache(maxsize=_REMEMBERED_CUTS)
def _measure_once(same: _SameCut, clock: Clock, filter_s: Prior, traces: bool) -> MeasuredCut | None:
    seen = same.seen
    recent, span, first = seen.recent, seen.span, seen.span.first
    stands = first + np.flatnonzero(recent.rows("rpm", first, span.fall) < _STILL_RPM)
    if len(stands):
        span = Span(span.rise, int(stands[0]), int(stands[0]), back=False)
    if span.rise - first < CUT_BEFORE_ROWS // 2 or (len(stands) and span.fall - span.rise < _TURNING_ROWS):
        return None
    rows = _CutRows(recent, first, span.end, filter_s, clock)
    moves, returns = movement(rows.median_readings(), span.rise - first, span.fall - first)
    if moves == 0:
        return None
    rows.find_clipping(moves, returns)
    end = returns - _MARGIN_ROWS if span.back else returns
    begin, back = max(moves - _LEAD_ROWS, 0), max(returns - _LEAD_ROWS, moves)
    lean_end = min(end, moves + _LEAN_ROWS)
    lean = rows.measure_edge(begin, lean_end, moves, starts=True)
    if lean is None:
        return None
    rich = rows.measure_edge(back, span.end - first, returns, starts=False)
    return MeasuredCut(
        t=int(rows.t[moves]),
        seconds=(rows.t[returns] - rows.t[moves]) / 1e9 if span.back else np.nan,
        lean=lean,
        rich=rich if span.back else None,
        air=rows.measure_air(lean.fit, moves, end),
        clipped=rows.clipped,
        way_in=rows.cut_out_trace(begin, lean_end, moves) if traces else None,
        way_out=rows.cut_out_trace(back, span.end - first, returns) if traces else None,
    )


class _CutRows:
    """The rows around one cut, and what is measured in them."""

    def __init__(self, recent: Recent, first: int, end: int, filter_s: Prior, clock: Clock) -> None:
        self._recent, self._first, self._end = recent, first, end
        self._filter, self._clock = filter_s, clock
        self.t = recent.rows("t", first, end)
        self._sampled = self.t[:, None] - recent.rows("age", first, end)
        self._oxygen = recent.rows("oxygen", first, end)
        measuring = MEASURING[recent.rows("state", first, end)] & np.isfinite(self._oxygen)
        self._measuring, self._new = measuring, measuring & recent.rows("fresh", first, end)
        self.clipped = np.zeros(self._oxygen.shape[1], np.bool_)

    def median_readings(self) -> Floats:
        """Median reading of the measuring sensors, float64[k]; that of the row before where none measures."""
        level = median_with_holes(np.where(self._measuring, self._oxygen, np.nan), axis=1)
        known = np.maximum.accumulate(np.where(np.isfinite(level), np.arange(len(level)), 0))
        return np.nan_to_num(level[known])

    def find_clipping(self, moves: int, returns: int) -> None:
        """Marks sensors as clipped whose highest digit, below air, repeats; these samples do not count."""
        oxygen = np.where(self._new[moves : returns + 1], self._oxygen[moves : returns + 1], -np.inf)
        highest = oxygen.max(axis=0, initial=-np.inf)
        same = (oxygen == highest).sum(axis=0) >= _SAME_ROWS
        self.clipped = same & (highest < _AIR.value - 4 * _AIR.sd)
        beyond = self.clipped & (self._oxygen >= highest - 1e-9)
        self._new = self._new & ~beyond

    def measure_edge(self, begin: int, end: int, moves: int, *, starts: bool) -> CutEdge | None:
        """The edge in rows begin..end-1; the readings move after row `moves`. None if too few rows follow."""
        if end - moves < _FEWEST_ROWS:
            return None
        row = self._find_command(moves, starts=starts)
        zero = int(self.t[moves]) if row is None else int(self.t[row]) - self._clock.late_ns
        sparks = self._recent.rows("spark_cut", self._first + max(begin - _LEAD_ROWS, 0), self._first + moves)
        rough = bool((sparks > 0).any())
        fit = self._fit_sensors(slice(begin, end), zero, starts=starts, rough=rough)
        share = self._measuring[begin:end].mean(axis=0)
        problems = _find_problems(fit, share, 1.0 if starts else -1.0)
        good = np.array([problem is None for problem in problems])
        then = moves if row is None else max(moves, row)
        rpm, load = (self._engine_value(name, then) for name in ("rpm", "load"))
        late = row is not None and row > moves
        return CutEdge(zero, row is not None, rpm, load, rough, _keep_good(fit, good), problems, late)

    def _fit_sensors(self, rows: slice, zero: int, *, starts: bool, rough: bool) -> StepFit:
        """The fits of all sensors; the level in air of clipped ones is assumed."""
        t, y, used = (self._sampled[rows] - zero) / 1e9, self._oxygen[rows], self._new[rows]
        blur, foot = _AFTER_SPARK_CUT if rough else NOT_SHARP, _FOOT if starts else 0.0
        fit = fit_steps(Samples(t, y, used & ~self.clipped), self._filter, blur=blur, foot=foot)
        if not self.clipped.any():
            return fit
        air = {"after" if starts else "before": _AIR}
        still = Prior(self._filter.value, min(self._filter.sd, _CLIPPED_FILTER_SD_S))
        assumed = fit_steps(Samples(t, y, used), still, blur=max(blur, _CLIPPED), foot=foot, **air)
        return _choose_fits(fit, assumed, self.clipped)

    def _find_command(self, moves: int, *, starts: bool) -> int | None:
        """The row at which the engine control reports the change; None if none.

        The last one before the movement; else the first one soon after it, because the stamps of the engine's
        bus may be late.
        """
        first, last = max(moves - CUT_BEFORE_ROWS // 2, 0), min(moves + _LATE_ROWS, self._end - self._first)
        claim = self._recent.rows("fuel_cut", self._first + first, self._first + last) > 0
        turned = first + 1 + np.flatnonzero(claim[1:] & ~claim[:-1] if starts else claim[:-1] & ~claim[1:])
        before, after = turned[turned <= moves], turned[turned > moves]
        return int(before[-1]) if len(before) else int(after[0]) if len(after) else None

    def _engine_value(self, name: str, row: int) -> float:
        return float(self._recent.rows(name, self._first + row, self._first + row + 1)[0])

    def cut_out_trace(self, begin: int, end: int, moves: int) -> SensorTrace:
        """The readings, with times from row `moves` on."""
        return trace_of(self._recent, self._first + begin, self._first + end, int(self.t[moves]))

    def measure_air(self, fit: StepFit, moves: int, end: int) -> AirLevel:
        """The mean of the last readings in air, for sensors that have nearly reached their level."""
        begin = max(end - _AIR_ROWS, moves)
        new, oxygen = self._new[begin:end], self._oxygen[begin:end]
        count = new.sum(axis=0)
        mean = np.where(new, oxygen, 0.0).sum(axis=0) / np.maximum(count, 1)
        spread = np.sqrt((np.where(new, oxygen - mean, 0.0) ** 2).sum(axis=0) / np.maximum(count - 1, 1))
        waited = (self.t[begin:end] - self.t[moves]) / 1e9
        missing = np.exp(-waited[:, None] / fit.tau_s).mean(axis=0) if end > begin else np.ones(len(count))
        settled = (count >= _AIR_ROWS // 2) & ~self.clipped & (missing < _UNREACHED)
        way = missing * (fit.after - fit.before)
        sd = np.hypot(spread / np.sqrt(np.maximum(count, 1)), _WAY_SHARE * way)
        return AirLevel(np.where(settled, mean + way, np.nan), np.where(settled, sd, np.nan))


def _find_problems(fit: StepFit, measuring: Floats, sign: float) -> tuple[EdgeProblem | None, ...]:
    """Why each sensor's fit is not to be trusted; None where it is.

    Args:
        fit: of all sensors.
        measuring: share of the rows in which each sensor measures.
        sign: 1 where the readings must rise, -1 where they must fall.
    """
    step = sign * (fit.after - fit.before)
    silent = (measuring < _MEASURING_SHARE) | (fit.samples == 0)
    clean = (step >= _LEAST_CUT_STEP_PERCENT) & (fit.misfit <= _MOST_MISFIT)
    loose = fit.t63_sd > _MOST_SD * fit.t63_s
    problems: list[EdgeProblem | None] = []
    for j in range(len(step)):
        if silent[j]:
            problems.append(EdgeProblem.NOT_MEASURING)
        elif not clean[j]:
            problems.append(EdgeProblem.NO_CLEAN_STEP)
        else:
            problems.append(EdgeProblem.TOO_SHORT if loose[j] else None)
    return tuple(problems)


def _keep_good(fit: StepFit, good: Bools) -> StepFit:
    """The fits of the good sensors; NaN for the others."""
    names = [name for name in StepFit.__slots__ if name != "samples"]
    columns = {name: np.where(good, getattr(fit, name), np.nan) for name in names}
    return replace(fit, **columns)


def _choose_fits(fit: StepFit, other: StepFit, choose: Bools) -> StepFit:
    """The first fit; the other one for the sensors in `choose`."""
    return StepFit(**{n: np.where(choose, getattr(other, n), getattr(fit, n)) for n in StepFit.__slots__})


# ----------------------------------------------------------------------------------------------------
# The stage: from rows to cuts.
# ----------------------------------------------------------------------------------------------------

LONGEST_CUT_ROWS = 1000
"""Our choice: ten seconds. A longer cut is measured then, so that its rows need not be kept."""

_TOLD_FILTER_SD_S = 2e-5
"""Standard deviation of a filter that was told, s: our choice, as good as none."""

_NEXT_ROWS = 30
"""Rows from the first movement of a next cut until most sensors are in air: our choice, three usual lags."""


class ResponseStage:
    """A stage: CylinderBlocks in, measured cuts out. `flush` at the end of the data.

    unclear   number of times in air that could not be measured: the engine stopped, or they were too short

    Args:
        filter_s: the controllers' filter, s, where it is known; else drawn towards its usual value.
        period_s: time between samples of the signal that reports a cut.
        traces: keep the readings of every cut beside its measures.
    """

    def __init__(
        self, filter_s: float | None = None, period_s: float | None = None, *, traces: bool = False
    ) -> None:
        self._traces = traces
        self._filter = USUAL_FILTER if filter_s is None else Prior(filter_s, _TOLD_FILTER_SD_S)
        self._clock = Clock(USUAL_PERIOD_S if period_s is None else period_s)
        self._cuts = CutStage()
        self.unclear = 0

    def feed(self, block: CylinderBlock) -> list[MeasuredCut]:
        """The cuts whose rows are complete. A block lies within one stretch of time."""
        return self._measure(self._cuts.feed(block))

    def flush(self) -> list[MeasuredCut]:
        """The current cut, as far as its rows go. Call it once, at the end of the data."""
        return self._measure(self._cuts.flush())

    def _measure(self, seen: Sequence[SeenCut]) -> list[MeasuredCut]:
        cuts = [measure_cut(one, self._clock, self._filter, traces=self._traces) for one in seen]
        self.unclear += cuts.count(None)
        return [cut for cut in cuts if cut is not None]


class CutStage(StretchStage[SeenCut]):
    """A stage: CylinderBlocks in, cuts out, each as soon as its rows are complete. `flush` at the end."""

    def _restart(self) -> None:
        self._recent = Recent()
        self._edges = AirEdges()
        self._turns: list[tuple[int, bool]] = []

    def _feed_rows(self, block: CylinderBlock) -> list[SeenCut]:
        first = self._recent.end
        self._recent.add(_cut_columns(block), len(block))
        self._turns += [(first + row, entered) for row, entered in self._edges.cross(block)]
        done = self._find_complete(self._recent.end)
        oldest = self._turns[0][0] if self._turns else self._recent.end
        self._recent.forget(oldest - CUT_BEFORE_ROWS)
        return done

    def flush(self) -> list[SeenCut]:
        """The current cut, as far as its rows go. Call it once, at the end of the data."""
        done = self._find_complete(None)
        self._turns = []
        return done

    def _find_complete(self, known: int | None) -> list[SeenCut]:
        """The cuts whose rows all lie before `known`; None: no more rows come."""
        done = []
        while self._turns:
            if not self._turns[0][1]:
                del self._turns[0]
                continue
            span = self._find_span(known)
            if span is None:
                break
            del self._turns[0]
            done.append(SeenCut(self._recent.part(span.first, span.end), span))
        return done

    def _find_span(self, known: int | None) -> Span | None:
        """The rows of the first cut; None while some of them are still to come."""
        rise, longest = self._turns[0][0], self._turns[0][0] + LONGEST_CUT_ROWS
        back = len(self._turns) > 1 and self._turns[1][0] <= longest
        fall = self._turns[1][0] if back else longest
        last = fall + CUT_AFTER_ROWS + CUT_BEFORE_ROWS if back else longest
        if known is not None and known < last:
            return None
        limit = self._recent.end if known is None else last
        end = min(limit, fall + CUT_AFTER_ROWS if back else longest)
        if len(self._turns) > 2:
            end = max(min(end, self._turns[2][0] - _NEXT_ROWS), min(fall, end))
        return Span(rise, min(fall, end), end, back)


def _cut_columns(block: CylinderBlock) -> Mapping[str, NDArray[Any]]:
    """The columns that a cut needs; without the signal of a cut, an injector pulse of zero."""
    unknown = np.full(len(block), np.nan)
    now = block.now
    cut = now.get("fuel_cut")
    if cut is None:
        pulse = now.get("pulse_ms", unknown)
        cut = np.where(pulse <= 0.0, 1.0, 0.0)
    return {
        "t": block.t,
        "oxygen": block.oxygen,
        "age": block.age,
        "fresh": block.fresh,
        "state": block.state,
        "rpm": now.get("rpm", unknown),
        "load": now.get("load", unknown),
        "fuel_cut": cut,
        "spark_cut": now.get("spark_cut", unknown),
    }
