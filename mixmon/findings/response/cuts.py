"""How quickly every sensor follows its gas, from fuel cuts: all of them see air at once, and fuel again.

How it works: the rows of a cut are kept from a second before most sensors are in air
(`air_edges`) until a good second after they have left it; then the cut is measured
(`response_events`). A cut that lasts is measured when ten seconds of it have passed.

Kept: the rows of the last second or of the cut under way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
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
# When the gas at the sensors turns to air, and back: the two edges of every fuel cut.
#
# All cylinders pump air at once in a cut and in nothing else, so the sensors themselves tell: most of
# those that measure read far leaner than any engine burns. No signal of the engine is needed.
#
# Kept: whether the sensors are in air.
# ----------------------------------------------------------------------------------------------------

IN_AIR_PERCENT = 5.0
"""Oxygen balance above which no engine burns: lambda 1.35 (computed)."""

_MOST, _FEW = 2 / 3, 1 / 3

MEASURING = np.ones(len(SampleState), np.bool_)
"""By SampleState: whether the number held is what the gas is. A sample in a cut or at a limit is."""
MEASURING[[SampleState.WARMING, SampleState.SILENT, SampleState.SUSPECT, SampleState.LEFT_OUT]] = False


class AirEdges:
    """Follows the rows of one stretch of time."""

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


def movement(level: Floats, rise: int, fall: int) -> tuple[int, int]:
    """The last row before the readings leave their level, and the last one before they come back.

    Args:
        level: middle reading of all sensors, float64[k], from well before a cut to its end.
        rise: row at which the sensors are half way into air.
        fall: row at which they are half way out of it.
    """
    burnt, air = float(np.median(level[: max(rise - 30, 1)])), float(level[rise : fall + 1].max())
    near = 0.05 * (air - burnt)
    low = np.flatnonzero(level[:rise] <= burnt + near)
    high = np.flatnonzero(level[rise:fall] >= air - near)
    return (int(low[-1]) if len(low) else 0), (rise + int(high[-1]) if len(high) else fall)


# ----------------------------------------------------------------------------------------------------
# The readings of all sensors around one moment, at their own times.
# ----------------------------------------------------------------------------------------------------

_BEFORE_NS, _AFTER_NS = 1_000_000_000, 2_000_000_000


@dataclass(frozen=True, slots=True, eq=False)
class SensorTrace:
    """k rows of n sensors.

    t        ns, zero of `sampled`
    sampled  float64[k, n], s, when each sample was sent
    oxygen   float64[k, n], percent
    used     bool[k, n], samples that are new and tell what the gas is
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
    """The rows begin..end-1 of what was kept, with times from t on."""
    rows = {name: recent.rows(name, begin, end) for name in ("t", "age", "oxygen", "state", "fresh")}
    return SensorTrace(
        t=t,
        sampled=(rows["t"][:, None] - rows["age"] - t) / 1e9,
        oxygen=rows["oxygen"],
        used=rows["fresh"] & MEASURING[rows["state"]] & np.isfinite(rows["oxygen"]),
    )


class TraceStage:
    """A stage that keeps the rows around one moment: `trace` after the last block, None if there were none.

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
        """What was kept; None where no row is near the moment."""
        if not self._recent.end or self._moment is None:
            return None
        return trace_of(self._recent, 0, self._recent.end, self._moment)


# ----------------------------------------------------------------------------------------------------
# One fuel cut, measured: how every sensor went into air, what it read there, how it came back.
# ----------------------------------------------------------------------------------------------------

CUT_BEFORE_ROWS = 100
"""How far back from the row at which most sensors are in air a cut is looked at."""

CUT_AFTER_ROWS = 120
"""How long the way back is followed."""

LEAN, RICH = "lean-going", "rich-going"

_LEAN_ROWS = 200
_LEAD_ROWS = 20
_MARGIN_ROWS = 10
_AIR_ROWS = 30
_STILL_RPM = 400.0
_TURNING_ROWS = 150  # so long the engine must turn in a cut that it does not survive: the way in is over then
_LEAST_CUT_STEP_PERCENT = 5.0
_MOST_MISFIT, _MOST_SD, _FEWEST_ROWS = 0.08, 0.15, 20
_UNREACHED, _WAY_SHARE = 0.02, 0.3  # of the step left to go; how well that is known
_MEASURING_SHARE = 0.9
_SAME_ROWS = 8
_FOOT = 0.1
"""The throttle closes before a cut and changes the mixture; this is past when air has come so far."""

_AFTER_SPARK_CUT = 0.08
"""Error of T63, as a share, where missed sparks had raised the readings before the cut (computed)."""

_CLIPPED, _CLIPPED_FILTER_SD = 0.07, 0.25
"""Where the reading clips, the end of the step is a guess and few samples tell its course: error of
T63, as a share, and how closely the filter must be the usual one (own choice)."""

_AIR = Prior(20.6, 0.4)
"""Oxygen in the air of a shop, percent, dry to damp: what a reading that clips cannot show."""


@dataclass(frozen=True, slots=True, eq=False)
class AirLevel:
    """What each sensor reads in air: oxygen percent and standard deviation, float64[n]; NaN if unsettled."""

    percent: Floats
    sd: Floats


@dataclass(frozen=True, slots=True, eq=False)
class CutEdge:
    """How n sensors followed the gas one way.

    t         zero of the fits' dead time, ns: the command where it is known, else the first movement
    command   whether it is the command
    rpm, load of the engine then; NaN where not known
    rough     sparks were left out shortly before
    fit       only sensors that followed cleanly; NaN for the others
    left_out  for each of those others the reason; None for a clean one
    """

    t: int
    command: bool
    rpm: float
    load: float
    rough: bool
    fit: StepFit
    left_out: tuple[EdgeProblem | None, ...]

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
    """One fuel cut.

    t         ns, when the first readings moved
    seconds   from there until they moved back; NaN if they did not
    clipped   bool[n]: the reading ends below air, which was assumed
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


@dataclass(frozen=True, slots=True)
class Span:
    """Rows of a cut: most sensors in air from `rise` to `fall`; rows to `end`; `back`: they came back."""

    rise: int
    fall: int
    end: int
    back: bool


@dataclass(frozen=True, slots=True)
class Clock:
    """What the log's engine signals say of the moment of a command: seconds between their samples."""

    period_s: float

    @property
    def late_ns(self) -> int:
        """How long after the command the first row shows it, on average."""
        return round(self.period_s * 0.5e9) + GRID_NS // 2

    @property
    def sd(self) -> float:
        """Standard deviation of that, s."""
        return float(np.hypot(self.period_s, GRID_NS / 1e9) / np.sqrt(12.0))


def measure_cut(
    recent: Recent, span: Span, clock: Clock, filter_s: Prior = USUAL_FILTER, *, traces: bool = False
) -> MeasuredCut | None:
    """The cut, or None where the engine soon stood still or the rows before it are missing."""
    first = max(span.rise - CUT_BEFORE_ROWS, 0)
    stands = first + np.flatnonzero(recent.rows("rpm", first, span.fall) < _STILL_RPM)
    if len(stands):
        span = Span(span.rise, int(stands[0]), int(stands[0]), back=False)
    if span.rise - first < CUT_BEFORE_ROWS // 2 or (len(stands) and span.fall - span.rise < _TURNING_ROWS):
        return None
    rows = _CutRows(recent, first, span.end, filter_s, clock)
    moves, returns = movement(rows.middle(), span.rise - first, span.fall - first)
    if moves == 0:
        return None
    rows.find_clipping(moves, returns)
    end = returns - _MARGIN_ROWS if span.back else returns
    begin, back = max(moves - _LEAD_ROWS, 0), max(returns - _LEAD_ROWS, moves)
    lean_end = min(end, moves + _LEAN_ROWS)
    lean = rows.edge(begin, lean_end, moves, starts=True)
    if lean is None:
        return None
    rich = rows.edge(back, span.end - first, returns, starts=False)
    return MeasuredCut(
        t=int(rows.t[moves]),
        seconds=(rows.t[returns] - rows.t[moves]) / 1e9 if span.back else np.nan,
        lean=lean,
        rich=rich if span.back else None,
        air=rows.air(lean.fit, moves, end),
        clipped=rows.clipped,
        way_in=rows.trace(begin, lean_end, moves) if traces else None,
        way_out=rows.trace(back, span.end - first, returns) if traces else None,
    )


class _CutRows:
    """The rows around one cut."""

    def __init__(self, recent: Recent, first: int, end: int, filter_s: Prior, clock: Clock) -> None:
        self._recent, self._first, self._end = recent, first, end
        self._filter, self._clock = filter_s, clock
        self.t = recent.rows("t", first, end)
        self._sampled = self.t[:, None] - recent.rows("age", first, end)
        self._oxygen = recent.rows("oxygen", first, end)
        measuring = MEASURING[recent.rows("state", first, end)] & np.isfinite(self._oxygen)
        self._measuring, self._new = measuring, measuring & recent.rows("fresh", first, end)
        self.clipped = np.zeros(self._oxygen.shape[1], np.bool_)

    def middle(self) -> Floats:
        """Middle reading of the sensors that measure, float64[k]; where none does, the one before."""
        level = median_with_holes(np.where(self._measuring, self._oxygen, np.nan), axis=1)
        known = np.maximum.accumulate(np.where(np.isfinite(level), np.arange(len(level)), 0))
        return np.nan_to_num(level[known])

    def find_clipping(self, moves: int, returns: int) -> None:
        """Notes the sensors whose highest readings are the same digit again and again, short of air."""
        oxygen = np.where(self._new[moves : returns + 1], self._oxygen[moves : returns + 1], -np.inf)
        highest = oxygen.max(axis=0, initial=-np.inf)
        same = (oxygen == highest).sum(axis=0) >= _SAME_ROWS
        self.clipped = same & (highest < _AIR.value - 4 * _AIR.sd)
        beyond = self.clipped & (self._oxygen >= highest - 1e-9)
        self._new = self._new & ~beyond

    def edge(self, begin: int, end: int, moves: int, *, starts: bool) -> CutEdge | None:
        """The sensors' way between two rows, from the row after which they move; None without engine rows."""
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
        rpm, load = (self._engine_value(name, moves) for name in ("rpm", "load"))
        return CutEdge(zero, row is not None, rpm, load, rough, _keep_good(fit, good), problems)

    def _fit_sensors(self, rows: slice, zero: int, *, starts: bool, rough: bool) -> StepFit:
        """The fits of all sensors; where a reading clips, air is taken for the level it does not show."""
        t, y, used = (self._sampled[rows] - zero) / 1e9, self._oxygen[rows], self._new[rows]
        blur, foot = _AFTER_SPARK_CUT if rough else NOT_SHARP, _FOOT if starts else 0.0
        fit = fit_steps(Samples(t, y, used & ~self.clipped), self._filter, blur=blur, foot=foot)
        if not self.clipped.any():
            return fit
        air = {"after" if starts else "before": _AIR}
        still = Prior(self._filter.value, min(self._filter.sd, _CLIPPED_FILTER_SD))
        told = fit_steps(Samples(t, y, used), still, blur=max(blur, _CLIPPED), foot=foot, **air)
        return _choose_fits(fit, told, self.clipped)

    def _find_command(self, moves: int, *, starts: bool) -> int | None:
        """The row at which the engine control's claim of a cut changes, before the readings move."""
        first = max(moves - CUT_BEFORE_ROWS // 2, 0)
        claim = self._recent.rows("fuel_cut", self._first + first, self._first + moves + 1) > 0
        turned = np.flatnonzero(claim[1:] & ~claim[:-1] if starts else claim[:-1] & ~claim[1:])
        return first + 1 + int(turned[-1]) if len(turned) else None

    def _engine_value(self, name: str, row: int) -> float:
        return float(self._recent.rows(name, self._first + row, self._first + row + 1)[0])

    def trace(self, begin: int, end: int, moves: int) -> SensorTrace:
        """The readings themselves, with times from the row on after which they move."""
        return trace_of(self._recent, self._first + begin, self._first + end, int(self.t[moves]))

    def air(self, fit: StepFit, moves: int, end: int) -> AirLevel:
        """The level of the last readings in air of the sensors that have all but arrived there."""
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
    """The first fit, and the other one where chosen."""
    return StepFit(**{n: np.where(choose, getattr(other, n), getattr(fit, n)) for n in StepFit.__slots__})


LONGEST_CUT_ROWS = 1000
_USUAL_PERIOD_S = 0.020
_NEXT_ROWS = 30  # from the first movement of a next cut until most sensors are in air


class ResponseStage(StretchStage[MeasuredCut]):
    """A stage: CylinderBlocks in, measured cuts out. `flush` at the end of the data.

    unclear   cuts that could not be measured: the engine stopped in them, or they were too short

    Args:
        filter_s: the controllers' filter, s, where it is known; else drawn towards what is usual.
        period_s: time between samples of the engine's claim of a cut.
        traces: keep the readings of every cut beside its measures.
    """

    def __init__(
        self, filter_s: float | None = None, period_s: float | None = None, *, traces: bool = False
    ) -> None:
        self._traces = traces
        self._filter = USUAL_FILTER if filter_s is None else Prior(filter_s, 1e-3)
        self._clock = Clock(_USUAL_PERIOD_S if period_s is None else period_s)
        self.unclear = 0
        super().__init__()

    def _restart(self) -> None:
        self._recent = Recent()
        self._edges = AirEdges()
        self._turns: list[tuple[int, bool]] = []

    def _feed_rows(self, block: CylinderBlock) -> list[MeasuredCut]:
        first = self._recent.end
        self._recent.add(_cut_columns(block), len(block))
        self._turns += [(first + row, entered) for row, entered in self._edges.cross(block)]
        done = self._measure_complete(self._recent.end)
        oldest = self._turns[0][0] if self._turns else self._recent.end
        self._recent.forget(oldest - CUT_BEFORE_ROWS)
        return done

    def flush(self) -> list[MeasuredCut]:
        """The cut under way, as far as its rows go; nothing follows it."""
        done = self._measure_complete(None)
        self._turns = []
        return done

    def _measure_complete(self, known: int | None) -> list[MeasuredCut]:
        """Measures the cuts of which all rows before `known` are there (None: all that come)."""
        done = []
        while self._turns:
            if not self._turns[0][1]:
                del self._turns[0]
                continue
            span = self._find_span(known)
            if span is None:
                break
            del self._turns[0]
            cut = measure_cut(self._recent, span, self._clock, self._filter, traces=self._traces)
            self.unclear += cut is None
            done += [] if cut is None else [cut]
        return done

    def _find_span(self, known: int | None) -> Span | None:
        """The rows of the first cut; None while some of them may yet come."""
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
