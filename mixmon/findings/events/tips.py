"""Tip-ins and tip-outs: the throttle moves quickly and is held, and the mixture of each cylinder deviates.

    rows -> TipStage (where the throttle moves) -> tip_trace (excursion of each node) -> measures -> Tip
    tips -> group -> repeats of the same tip, averaged

Wants: cylinders are compared by their fuel, not by their sensors; so all sensors are made equally slow.

Way: a tip begins where the opening has moved by `least_move` within a quarter of a second. When it has
been held for three seconds, or when it moves again, the rows around it are measured. Moves that are not
held for `_SHORTEST_ROWS` are only counted.

Invariants: a tip is measured once, from rows of one stretch; tips leave in order of time. State kept: the
opening of the last quarter second, tips whose rows are not complete, and the rows of some seconds.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from mixmon.arrays import Bools, Floats, Ints
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.lags import Lags, OnlineLags
from mixmon.findings.stage import StretchStage, run_through
from mixmon.findings.stats import mean_of_known, student_t95
from mixmon.gas.exhaust import lambda_from_oxygen, oxygen_balance
from mixmon.gas.fuel import Fuel
from mixmon.gas.lag import FirstOrderLag
from mixmon.mixture.align import GRID_NS, ROW_S
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.mixture.opening import Opening
from mixmon.mixture.recent import Recent
from mixmon.mixture.validity import latch
from mixmon.result import Result
from mixmon.session.model import Session

_MOVE_LOOK_ROWS = 25
"""Rows within which the throttle must move: a quarter of a second (common practice, no source)."""

_REST = 5.0
"""Percent within `_MOVE_LOOK_ROWS` below which the opening is at rest. Our choice: a foot is no steadier."""

_STEADY = 10.0
"""Percent around the new opening that count as holding it. Our choice: twice `_REST`."""

_NOISE = 2.0
"""Percent that the opening scatters at rest. Our choice: the tip begins after the last row within it."""

_SETTLE_ROWS = (40, 60)
"""Rows after the beginning whose median is the new opening. Our choice: 0.4 s, when the quickest and the
slowest tips have arrived."""

_LONGEST_TIP_ROWS, _SHORTEST_ROWS = 300, 120
"""Rows that are measured at most and at least. Our choice: after three seconds the wall film has settled;
in less than 1.2 s a slow sensor has not."""

_ROWS_BEFORE_TIP = 200
"""Rows before the tip that are lagged too. Our choice: two seconds, in which the start of the lags fades."""

_SAME_OPENING, _SAME_RPM = 10.0, 300.0
"""Percent and rpm within which two tips repeat each other. Our choice: as closely as a driver repeats one."""


NOT_JUDGED = frozenset({Kind.MISFIRE, Kind.NOT_CLASSIFIED})
"""Kinds of events within which a tip does not judge their cylinder."""


@dataclass(frozen=True, slots=True)
class TipRules:
    """What counts as a tip.

    least_move  percent of opening within `_MOVE_LOOK_ROWS` (common practice, no source)
    """

    least_move: float = 25.0


@dataclass(frozen=True, slots=True, eq=False)
class Tip:
    """One tip and what followed, n nodes.

    kind           `TIP_IN` or `TIP_OUT`
    t              when the throttle began to move, ns
    from_opening, to_opening   percent
    rate           percent a second, while it moved
    from_rpm, to_rpm   speed at the beginning and at the end of what was looked at
    seconds        how long the new opening was looked at
    lag_s          lag to which all sensors were brought
    misfired       nodes that are not judged because they may have misfired; see `without_misfires`
    """

    kind: Kind
    t: int
    from_opening: float
    to_opening: float
    rate: float
    from_rpm: float
    to_rpm: float
    seconds: float
    lag_s: float
    trace: TipTrace
    measures: tuple[TipMeasure | None, ...]
    misfired: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class TipGroup:
    """Repeats of the same tip: indices of the tips, and the measures of their mean, one a node."""

    tips: tuple[int, ...]
    measures: tuple[Repeated | None, ...]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class TipReview(Result):
    """All tips of a run in order of time, and those that repeat each other.

    too_short   moves that were not held, or came while the last one had not settled
    unjudged    tips in which no cylinder was valid throughout, such as into a fuel cut
    """

    tips: tuple[Tip, ...]
    groups: tuple[TipGroup, ...]
    too_short: int
    unjudged: int


class TipStage(StretchStage[Tip]):
    """Finds tips and measures them as soon as their rows are complete.

    too_short, unjudged   counted so far; see `TipReview`

    Args:
        session: whose nodes the rows are of.
        fuel: as burnt, for the way between lambda and oxygen balance.
        lag_s: sensor lag for all cylinders or by cylinder; see `findings.lags`.
        rules: what counts as a tip.
        learnt: in place of `lag_s`: lags to which the caller feeds each block before this stage.
    """

    def __init__(
        self,
        session: Session,
        fuel: Fuel,
        lag_s: Lags | None = None,
        rules: TipRules | None = None,
        learnt: OnlineLags | None = None,
    ) -> None:
        self._fuel, self._rules = fuel, rules or TipRules()
        self._lags = OnlineLags(session.chain.nodes, lag_s) if learnt is None else learnt
        self._opening = Opening(session.axes)
        self.too_short = self.unjudged = 0
        super().__init__()

    def _restart(self) -> None:
        self._recent = Recent()
        self._look = np.full(_MOVE_LOOK_ROWS, np.nan)
        self._moving = {Kind.TIP_IN: False, Kind.TIP_OUT: False}
        self._begun: list[tuple[int, Kind]] = []

    def _feed_rows(self, block: CylinderBlock) -> list[Tip]:
        opening = self._opening.now(block)
        self._note_moves(opening)
        unknown, nowhere = np.full(len(block), np.nan), np.full(block.lam.shape, np.nan)
        columns = {
            "t": block.t,
            "opening": opening,
            "rpm": block.now.get("rpm", unknown),
            "valid": block.state == SampleState.VALID,
            "oxygen": block.oxygen,
            "target": block.shifted.get("target", nowhere),
            "at_valve": self._opening.at_valve(block),
        }
        self._recent.add(columns, len(block))
        done = self._complete_tips(self._recent.end - _MOVE_LOOK_ROWS - 1)
        oldest = min([self._recent.end - _MOVE_LOOK_ROWS, *(row for row, _ in self._begun)])
        self._recent.forget(oldest - _ROWS_BEFORE_TIP)
        return done

    def flush(self) -> list[Tip]:
        """Gives the tips under way, as far as their rows go; nothing follows them."""
        done = self._complete_tips(None)
        self._begun = []
        return done

    def _note_moves(self, opening: Floats) -> None:
        """Notes the rows at which the throttle begins to move."""
        long = np.concatenate([self._look, opening])
        self._look = long[-_MOVE_LOOK_ROWS:]
        if np.ptp(long) < _REST:
            self._moving = {Kind.TIP_IN: False, Kind.TIP_OUT: False}
            return
        looks = sliding_window_view(long, _MOVE_LOOK_ROWS + 1)
        low, high = looks.min(axis=1), looks.max(axis=1)
        rest = ~(high - low >= _REST)
        moves = {Kind.TIP_IN: opening - low, Kind.TIP_OUT: high - opening}
        for kind, move in moves.items():
            moving = latch(move >= self._rules.least_move, rest, self._moving[kind])
            begins = np.flatnonzero(moving & ~np.concatenate([[self._moving[kind]], moving[:-1]]))
            self._moving[kind] = bool(moving[-1])
            for row in begins.tolist():
                away = looks[row] - low[row] if kind == Kind.TIP_IN else high[row] - looks[row]
                still = int(np.flatnonzero(away <= _NOISE)[-1])
                self._begun.append((self._recent.end + row - _MOVE_LOOK_ROWS + still, kind))
        self._begun.sort()

    def _complete_tips(self, known: int | None) -> list[Tip]:
        """Measures the tips whose rows are complete.

        known  row before which all moves have been found; None where no row follows
        """
        done = []
        while self._begun:
            onset, kind = self._begun[0]
            limit = onset + _LONGEST_TIP_ROWS
            end = min([limit, self._recent.end, *(row for row, _ in self._begun[1:2])])
            if known is not None and limit > known:
                break
            del self._begun[0]
            tip = self._judge_tip(onset, kind, end)
            if tip is not None:
                done.append(tip)
        return done

    def _judge_tip(self, onset: int, kind: Kind, end: int) -> Tip | None:
        """Measures the tip over the rows for which its new opening is held; None where that fails."""
        before = self._recent.rows("opening", max(onset - 2 * LEVEL_ROWS, 0), onset)
        after = self._recent.rows("opening", onset, end)
        came, to = _median_or_nan(before[-LEVEL_ROWS:]), _median_or_nan(after[slice(*_SETTLE_ROWS)])
        held = _count_held_rows(after, to)
        steady = len(before) == 2 * LEVEL_ROWS and bool((np.abs(before - came) <= _STEADY).all())
        if held < _SHORTEST_ROWS or not steady:
            self.too_short += 1
            return None
        tip = self._measure_tip(onset, onset + held, kind, (came, to))
        if all(one is None for one in tip.measures):
            self.unjudged += 1
            return None
        return tip

    def _measure_tip(self, onset: int, end: int, kind: Kind, from_to: tuple[float, float]) -> Tip:
        first = max(onset - _ROWS_BEFORE_TIP, 0)
        names = ("valid", "oxygen", "target", "at_valve")
        rows = TipRows(onset - first, *(self._recent.rows(name, first, end) for name in names))
        t = int(self._recent.rows("t", onset, onset + 1)[0])
        assert self._stretch is not None
        lag_s = self._lags.at(self._stretch, t)
        trace = tip_trace(rows, from_to, lag_s, self._fuel)
        rpm = self._recent.rows("rpm", onset, end)
        return Tip(
            kind=kind,
            t=t,
            from_opening=from_to[0],
            to_opening=from_to[1],
            rate=_opening_rate(self._recent.rows("opening", onset, onset + _SETTLE_ROWS[0]), from_to),
            from_rpm=float(rpm[0]),
            to_rpm=float(rpm[-1]),
            seconds=(end - onset) * GRID_NS / 1e9,
            lag_s=float(lag_s.max(initial=0.0)),
            trace=trace,
            measures=measures(trace),
        )


def _median_or_nan(x: Floats) -> float:
    return float(np.median(x)) if len(x) else np.nan


def _count_held_rows(after: Floats, opening: float) -> int:
    """Counts the rows at the new opening, once the throttle has had time to get there."""
    first = _SETTLE_ROWS[0]
    left = np.flatnonzero(~(np.abs(after[first:] - opening) <= _STEADY))
    return len(after) if not len(left) else (first + int(left[0]) if left[0] else 0)


def _opening_rate(opening: Floats, from_to: tuple[float, float]) -> float:
    """Gives percent a second between a tenth and nine tenths of the way; rows limit its time to 20 ms."""
    way = (opening - from_to[0]) / (from_to[1] - from_to[0])
    rows = max(int(np.argmax(way >= 0.9)) - int(np.argmax(way >= 0.1)), 1)
    return 0.8 * (from_to[1] - from_to[0]) / (rows * GRID_NS / 1e9)


def without_misfires(tips: Iterable[Tip], events: Iterable[Event]) -> tuple[Tip, ...]:
    """Gives the tips without the measures of nodes that may have misfired within them, or just before.

    A missed charge reads lean as a film of fuel on the walls does, and would be taken for one.
    """
    misses = [e for e in events if e.kind in NOT_JUDGED]
    return tuple(_without_misfires(tip, misses) for tip in tips)


def _without_misfires(tip: Tip, misses: Sequence[Event]) -> Tip:
    begin, end = tip.t - LEVEL_ROWS * GRID_NS, tip.t + round(tip.seconds * 1e9)
    nodes = sorted({i for e in misses if e.t < end and e.end > begin for i in e.nodes})
    if not nodes:
        return tip
    excursion, over = tip.trace.excursion.copy(), tip.trace.over_target.copy()
    excursion[:, nodes] = over[:, nodes] = np.nan
    measured = tuple(None if i in nodes else one for i, one in enumerate(tip.measures))
    trace = replace(tip.trace, excursion=excursion, over_target=over)
    return replace(tip, trace=trace, measures=measured, misfired=tuple(nodes))


def group(tips: Sequence[Tip]) -> tuple[TipGroup, ...]:
    """Groups tips of the same kind, openings and speed; gives groups of two and more."""
    groups: list[list[int]] = []
    for i, tip in enumerate(tips):
        mates = next((g for g in groups if _is_repeat(tips[g[0]], tip)), None)
        if mates is None:
            groups.append([i])
        else:
            mates.append(i)
    return tuple(TipGroup(tuple(g), repeated([tips[i].trace for i in g])) for g in groups if len(g) > 1)


def _is_repeat(a: Tip, b: Tip) -> bool:
    openings = max(abs(a.from_opening - b.from_opening), abs(a.to_opening - b.to_opening))
    speeds = max(abs(a.from_rpm - b.from_rpm), abs(a.to_rpm - b.to_rpm))
    return a.kind == b.kind and openings <= _SAME_OPENING and speeds <= _SAME_RPM


def find_tips(
    session: Session, fuel: Fuel, blocks: Iterable[CylinderBlock], lag_s: Lags | None = None
) -> TipReview:
    """Finds all tips of a run.

    Args:
        session: as read.
        fuel: as burnt.
        blocks: its rows, such as a `Run`.
        lag_s: sensor lag in seconds, for all cylinders or by cylinder.

    Raises:
        UsageError: an impossible lag.
    """
    stage = TipStage(session, fuel, lag_s)
    tips = list(run_through(stage, blocks))
    return TipReview(tuple(tips), group(tips), stage.too_short, stage.unjudged)


# A tip in numbers, one set a node: how far, how much, how long; and repeats averaged.

BACK_WITHIN = 0.02
"""Lambda from its own settled mixture within which a cylinder counts as back (common practice, no source)."""

_STAYS_ROWS = 20
"""Rows for which it must stay there. Our choice: 0.2 s, so that a crossing is no return."""

_SMOOTH_ROWS = 5
"""Rows of the mean in which peaks are found. Our choice: 50 ms, shorter than the lag of a quick sensor."""

_FEWEST_REPEATS = 3
"""Repeats from which an interval is given. Our choice: from two, its factor is 12.7 (Student's t)."""


@dataclass(frozen=True, slots=True)
class TipMeasure:
    """One cylinder's excursion, lambda and seconds; lean is positive.

    Times count from the arrival of the new gas at the sensor and hold the lag to which all sensors
    were brought.

    peak         largest excursion, over 50 ms
    peak_s       when
    area         lambda times seconds, over the whole time; the sensor's lag does not change it
    back_s       when it is back within `BACK_WITHIN` to stay; 0 if it never left, NaN if it does not come
    over_target  highest lambda over the target, over 50 ms; NaN where no target is known
    noise        standard deviation of the same before the tip: a peak below three of these may be chance
    """

    peak: float
    peak_s: float
    area: float
    back_s: float
    over_target: float
    noise: float


@dataclass(frozen=True, slots=True)
class Repeated:
    """Repeats of a tip, averaged moment by moment and then measured.

    peak_half, area_half   half the 95 % interval by the scatter of the repeats; NaN for fewer than three
    """

    mean: TipMeasure
    repeats: int
    peak_half: float
    area_half: float


def measures(trace: TipTrace) -> tuple[TipMeasure | None, ...]:
    """Measures each node; None for one that could not be judged."""
    smooth = _smooth_rows(trace.excursion)
    over = _smooth_rows(trace.over_target)
    return tuple(
        _measure_node(trace.excursion[:, j], smooth[:, j], over[:, j], int(trace.arrival[j]))
        if np.isfinite(smooth[:, j]).all()
        else None
        for j in range(smooth.shape[1])
    )


def repeated(traces: Sequence[TipTrace]) -> tuple[Repeated | None, ...]:
    """Averages repeats for each node; None for one that could not be judged in any.

    Cuts the traces to the shortest.
    """
    rows = min(len(trace.excursion) for trace in traces)
    excursions = np.array([trace.excursion[:rows] for trace in traces])
    over = np.array([trace.over_target[:rows] for trace in traces])
    arrival = np.rint(np.mean([trace.arrival for trace in traces], axis=0)).astype(np.int64)
    together = measures(TipTrace(mean_of_known(excursions), mean_of_known(over), arrival))
    single = [measures(trace) for trace in traces]
    return tuple(_combine_repeats(mean, [s[j] for s in single]) for j, mean in enumerate(together))


def _combine_repeats(mean: TipMeasure | None, single: Sequence[TipMeasure | None]) -> Repeated | None:
    known = [one for one in single if one is not None]
    if mean is None:
        return None
    return Repeated(
        mean,
        len(known),
        _half_interval([one.peak for one in known]),
        _half_interval([one.area for one in known]),
    )


def _half_interval(values: list[float]) -> float:
    n = len(values)
    if n < _FEWEST_REPEATS:
        return np.nan
    return student_t95(n - 1) * float(np.std(values, ddof=1)) / float(np.sqrt(n))


def _measure_node(raw: Floats, smooth: Floats, over: Floats, arrival: int) -> TipMeasure:
    after = smooth[arrival:]
    peak = int(np.argmax(np.abs(after)))
    return TipMeasure(
        peak=float(after[peak]),
        peak_s=peak * ROW_S,
        area=float(raw[arrival:].sum()) * ROW_S,
        back_s=_back_s(after, peak),
        over_target=float(over[arrival:].max()),
        noise=float(np.std(smooth[:LEVEL_ROWS])),
    )


def _back_s(after: Floats, peak: int) -> float:
    """Gives the seconds until it is back within the band to stay; 0 if it never left, NaN if it does not."""
    if abs(after[peak]) <= BACK_WITHIN:
        return 0.0
    inside = np.abs(after[peak:]) <= BACK_WITHIN
    held = np.convolve(inside, np.ones(_STAYS_ROWS), "valid") > _STAYS_ROWS - 0.5
    return (peak + int(np.argmax(held))) * ROW_S if held.any() else np.nan


def _smooth_rows(x: Floats) -> Floats:
    """Gives the centred mean over `_SMOOTH_ROWS`, fewer at the ends, float64[k, n]."""
    half = _SMOOTH_ROWS // 2
    padded = np.pad(x, ((half, half), (0, 0)), constant_values=0.0)
    count = np.pad(np.ones((len(x), 1)), ((half, half), (0, 0)))
    total = sum(padded[i : i + len(x)] for i in range(_SMOOTH_ROWS))
    return np.asarray(total / sum(count[i : i + len(x)] for i in range(_SMOOTH_ROWS)))


# What the mixture of each cylinder does after a tip, all sensors made equally slow.
#
# A slow sensor shows a smaller and later excursion than a quick one of the same gas, so two such cylinders
# differ although their fuel does not. Making the slow one quick would raise its noise. So each quicker one
# is made as slow as the slowest, in the oxygen balance, in which sensors are linear:
#
# (1 + tau_j s) / (1 + tau s) = r + (1 - r) / (1 + tau s),  r = tau_j / tau <= 1,
#
# which raises no frequency. For a sensor whose lag differs between lean-going and rich-going readings, each
# step of the reading is scaled by r of its direction, u = sum of r dx, and the result is
# u + (x - u) / (1 + tau s); with one r this is the same.
#
# The excursion is what remains when the expected path is subtracted: the target when the gas left its valve,
# times the ratio of this cylinder to the target, which changes from the ratio before the tip to the ratio
# once it has settled; lagged the same.

LEVEL_ROWS = 50
"""Rows before the tip, and at the end, whose mean is the level of a cylinder. Our choice: half a second,
several cycles."""

_DIRECTION_ROWS = 6
"""Rows over which the direction of a reading is found. Our choice: over 60 ms noise changes it less often."""

_BEFORE_SHARE, _AFTER_SHARE = 0.8, 0.9
"""Parts of the rows before and after the beginning in which a node must be valid. Our choice: gaps of a
tenth of the time are filled by the value before."""


@dataclass(frozen=True, slots=True, eq=False)
class TipRows:
    """k rows around a tip, n nodes.

    onset     row at which the throttle begins to move
    valid     bool[k, n]
    oxygen    float64[k, n]  percent
    target    float64[k, n]  lambda when the gas left its valve; NaN where not known
    at_valve  float64[k, n]  opening then, percent
    """

    onset: int
    valid: Bools
    oxygen: Floats
    target: Floats
    at_valve: Floats


@dataclass(frozen=True, slots=True, eq=False)
class TipTrace:
    """k rows of n nodes, 100 a second, from `LEVEL_ROWS` before the onset.

    excursion    float64[k, n]  lambda less what is expected; NaN for nodes that could not be judged
    over_target  float64[k, n]  lambda less target, equally lagged; NaN where no target is known
    arrival      int64[n]       row at which the gas of the new opening reaches the sensor
    """

    excursion: Floats
    over_target: Floats
    arrival: Ints


def equalised(oxygen: Floats, lag_s: Floats, slowest_s: float) -> Floats:
    """Gives each column as a sensor with the lag `slowest_s` would have shown it, float64[k, n].

    lag_s  float64[2, n]  lean-going and rich-going lag of the columns, none longer than that
    """
    if slowest_s <= 0.0:
        return oxygen
    lean, rich = lag_s / slowest_s
    before = np.concatenate([oxygen[:1].repeat(_DIRECTION_ROWS, axis=0), oxygen])[: len(oxygen)]
    share = np.where(oxygen >= before, lean, rich)
    quick = np.cumsum(share * np.diff(oxygen, axis=0, prepend=oxygen[:1]), axis=0)
    quick += lean * oxygen[:1]
    return np.asarray(quick + _apply_lag(oxygen - quick, slowest_s))


def tip_trace(rows: TipRows, from_to: tuple[float, float], lag_s: Floats, fuel: Fuel) -> TipTrace:
    """Computes the excursion of every node.

    from_to  opening before and after, percent
    lag_s    float64[2, n], lean-going and rich-going
    """
    slowest = float(lag_s.max(initial=0.0))
    seen = equalised(_hold_valid(rows.oxygen, rows.valid), lag_s, slowest)
    target = np.where(np.isfinite(rows.target).all(axis=0), rows.target, 1.0)
    way = np.clip((rows.at_valve - from_to[0]) / (from_to[1] - from_to[0]), 0.0, 1.0)
    way = np.nan_to_num(way)
    lam = lambda_from_oxygen(seen, fuel)
    expected = np.exp(_find_off_target(rows.onset, lam, target, way)) * target
    path = _apply_lag(oxygen_balance(expected, fuel), slowest)
    first = rows.onset - LEVEL_ROWS
    judged = _find_judged(rows)
    aim = lambda_from_oxygen(_apply_lag(oxygen_balance(target, fuel), slowest), fuel)
    known = judged & np.isfinite(rows.target).all(axis=0)
    return TipTrace(
        excursion=np.where(judged, lam - lambda_from_oxygen(path, fuel), np.nan)[first:],
        over_target=np.where(known, lam - aim, np.nan)[first:],
        arrival=np.argmax(way[rows.onset :] >= 0.5, axis=0) + LEVEL_ROWS,
    )


def _find_off_target(onset: int, lam: Floats, target: Floats, way: Floats) -> Floats:
    """Gives how far each node is off the target, in ln lambda, on its way from before to after."""
    off = np.log(lam) - np.log(target)
    before = off[onset - LEVEL_ROWS : onset].mean(axis=0)
    after = off[-LEVEL_ROWS:].mean(axis=0)
    return np.asarray(before + (after - before) * way)


def _find_judged(rows: TipRows) -> Bools:
    """Marks nodes that were valid nearly all the time, bool[n]."""
    before = rows.valid[rows.onset - LEVEL_ROWS : rows.onset].mean(axis=0)
    after = rows.valid[rows.onset :].mean(axis=0)
    return np.asarray((before >= _BEFORE_SHARE) & (after >= _AFTER_SHARE))


def _hold_valid(x: Floats, valid: Bools) -> Floats:
    """Gives the newest valid value of each column, the first one before there is any, 0 where none is."""
    known = valid & np.isfinite(x)
    row = np.where(known, np.arange(len(x))[:, None], -1)
    row = np.maximum.accumulate(row, axis=0)
    row = np.where(row < 0, np.argmax(known, axis=0), row)
    held = np.take_along_axis(x, row, axis=0)
    return np.where(known.any(axis=0), held, 0.0)


def _apply_lag(oxygen: Floats, lag_s: float) -> Floats:
    return FirstOrderLag(GRID_NS / 1e9, np.full(oxygen.shape[1], lag_s)).feed(oxygen)
