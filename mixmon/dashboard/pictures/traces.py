"""Pictures over time: an event with its fitted pulse, the minute around an alarm, the trend of a cylinder.

All are drawn from whole seconds of the snapshot's history, and anew only when a second is over. The
cylinder is a thick line, the median of the others a dotted one, what was asked for `=`. What no sensor
told, or what was not valid, is a gap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from mixmon.arrays import SECOND_NS, Bytes, Floats, Times
from mixmon.dashboard.pictures.plot import (
    KEPT_PICTURES,
    LEAST_PLOT_COLUMNS,
    LEAST_PLOT_ROWS,
    Keyed,
    Plot,
    Reach,
    Same,
    nothing_to_draw,
    pane,
    reach_over,
)
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, fit_row
from mixmon.findings.events.event import NOT_FUELLING, Event, Kind
from mixmon.mixture.block import SampleState
from mixmon.session.alarm_kinds import kind_of
from mixmon.session.model import AlarmRule
from mixmon.watch.history import Rows, Singles

# ----------------------------------------------------------------------------------------------------
# What is drawn, and over which time.
# ----------------------------------------------------------------------------------------------------

_BEFORE_EVENT_S, _AFTER_EVENT_S = 0.6, 1.4
"""Time around an event: our choice, its rise and its fall behind a usual sensor."""

_AROUND_ALARM_S: Final = 30.0
"""Time before and after an alarm: our choice, the pull or the dwell in which it came."""

_TREND_S: Final = 60
"""Time of a trend: our choice, three times the strip."""

_SHOWN_STATES: Final = np.array(
    [
        state
        in {SampleState.VALID, SampleState.SUSPECT, SampleState.AT_LEAN_LIMIT, SampleState.AT_RICH_LIMIT}
        for state in SampleState
    ]
)
"""Readings that say something of the gas, if only a side; others are gaps."""

_LEAST_LAMBDA_SPAN: Final = 0.04
"""Lambda that a scale spans at least: our choice; below that, noise looks like a change."""

_HIGHEST_LAMBDA: Final = 1.6
"""Readings above are drawn at the edge of the scale: our choice; near air, lambda grows without bound."""


@dataclass(frozen=True, slots=True)
class TraceView:
    """What is drawn of the rows around a moment.

    node          index of the thick line
    moment        t = 0 of the scale, ns
    before_s, after_s  how far the scale reaches
    limit         lambda at a target of 0, and by how much more for each lambda of target; None for none
    pulse         beginning and length of the gas, s, and its lambda; None for none
    """

    node: int
    moment: int
    before_s: float
    after_s: float
    limit: tuple[float, float] | None
    pulse: tuple[float, float, float] | None
    ascii_only: bool


def seconds_key(seconds: tuple[Rows, ...]) -> Keyed:
    """At least one second as a key of a cache: those that begin and end with the same ones are the same."""
    return Keyed(seconds, (Same(seconds[0]), Same(seconds[-1]), len(seconds)))


# ----------------------------------------------------------------------------------------------------
# The pictures.
# ----------------------------------------------------------------------------------------------------


Size = tuple[int, int]
"""Cells of a row, and rows."""


def event_picture(scene: Scene, event: Event, size: Size) -> list[Row]:
    """The trace of an event of one cylinder with the pulse of the gas that explains it."""
    view = TraceView(
        node=event.nodes[0],
        moment=event.t,
        before_s=_BEFORE_EVENT_S,
        after_s=_AFTER_EVENT_S + event.duration_ns / SECOND_NS,
        limit=None,
        pulse=_pulse_of(event),
        ascii_only=scene.options.ascii,
    )
    label = scene.setting.labels[view.node]
    title = f"WHAT HAPPENED IN CYL {label}?  lambda"
    return _trace_pane(scene, view, (title, _event_words(event, label)), size)


def alarm_picture(scene: Scene, moment: int, node: int, limit: tuple[str, float], size: Size) -> list[Row]:
    """The minute around when an alarm of a node was raised, with its rule's name and its limit."""
    rule = next((r for r in scene.setting.rules if r.name == limit[0]), None)
    view = TraceView(
        node,
        moment,
        _AROUND_ALARM_S,
        _AROUND_ALARM_S,
        None if rule is None else _line_of_limit(rule, limit[1]),
        None,
        ascii_only=scene.options.ascii,
    )
    title = f"WHAT CAME BEFORE AND AFTER?  cyl {scene.setting.labels[node]}, lambda"
    return _trace_pane(scene, view, (title, ""), size)


def _line_of_limit(rule: AlarmRule, limit: float) -> tuple[float, float] | None:
    """A rule's limit of lambda as a line over the target; None where it limits something else."""
    kind = kind_of(rule)
    at_none, at_one = kind.lambda_at(limit, 0.0), kind.lambda_at(limit, 1.0)
    if not kind.mixture or at_none is None or at_one is None:
        return None
    return at_none, at_one - at_none


def trend_picture(scene: Scene, node: int, size: Size) -> list[Row]:
    """The last minute of one cylinder."""
    seconds = scene.snapshot.history.latest(_TREND_S)
    moment = int(seconds[-1].t[-1]) if seconds else 0
    view = TraceView(node, moment, float(_TREND_S), 0.0, None, None, ascii_only=scene.options.ascii)
    title = f"HOW DOES CYL {scene.setting.labels[node]} GO?  lambda, last minute"
    return _trace_pane(scene, view, (title, ""), size)


def _pulse_of(event: Event) -> tuple[float, float, float] | None:
    """The fitted pulse of an event, from its evidence; None where it has none."""
    length, lam = event.evidence.get("gas_s"), event.evidence.get("pulse_lambda")
    if not isinstance(length, int | float):
        return None
    return 0.0, float(length), float(lam) if isinstance(lam, int | float) else math.nan


def _event_words(event: Event, label: str) -> str:
    """What it is, in words, and what is not to be done about it."""
    rpm = f", {event.rpm:.0f} rpm" if math.isfinite(event.rpm) else ""
    peak = f", peak {event.peak_lambda:.2f}" if math.isfinite(event.peak_lambda) else ""
    what = f"cyl {label}: {event.kind}{peak}{rpm}"
    if event.kind is Kind.MISFIRE:
        return f"{what}: find the spark first"
    return what + (": no fuelling figure" if event.kind in NOT_FUELLING else "")


def _trace_pane(scene: Scene, view: TraceView, words: tuple[str, str], size: Size) -> list[Row]:
    """The picture under its question and its answer, or why there is none."""
    (title, answer), (width, height) = words, size
    room = height - 2 - bool(answer)
    if width < LEAST_PLOT_COLUMNS or room < LEAST_PLOT_ROWS:
        return []
    first = view.moment - int(view.before_s * SECOND_NS)
    seconds = scene.snapshot.history.between(first, view.moment + int(view.after_s * SECOND_NS))
    rows = list(_draw_trace(seconds_key(seconds), view, width, room)) if seconds else []
    if not rows:
        why = "no rows of this time are kept here; in a replay of the run they are"
        return pane(title, answer, nothing_to_draw(why, width, room + 1), width, height)
    return pane(title, answer, [*rows, fit_row([(_legend(view), "dim")], width)], width, height)


def _legend(view: TraceView) -> str:
    parts = ["dotted: others", "= asked for"]
    if view.limit is not None:
        parts.append("- limit")
    if view.pulse is not None:
        parts.append(f"{_gas_sign(view)} fitted gas")
    return "      " + "  ".join(parts)


def _gas_sign(view: TraceView) -> str:
    return "g" if view.ascii_only else "◦"


@lru_cache(KEPT_PICTURES)
def _draw_trace(seconds: Keyed, view: TraceView, width: int, height: int) -> tuple[Row, ...]:
    """The plot; no row where nothing is known."""
    s = (_join_times(seconds) - view.moment) / SECOND_NS
    begin, end = np.searchsorted(s, (-view.before_s, view.after_s + 1e-9)).tolist()
    s, inside = s[begin:end], slice(begin, end)
    rows: tuple[Rows, ...] = seconds.it
    target = np.concatenate([one.target[:, view.node] for one in rows])[inside].astype(np.float64)
    lam = np.concatenate([one.lam[:, view.node] for one in rows])[inside]
    state = np.concatenate([one.state[:, view.node] for one in rows])[inside]
    own = _shown_lambda(lam, state)
    others = np.full(len(s), np.nan)
    step = max(len(s) // (4 * width), 1)
    others[::step] = _median_of_others(_sample_lambda(seconds, begin, end, step), view.node)
    limit = np.full(len(s), np.nan) if view.limit is None else view.limit[0] + view.limit[1] * target
    y = _reach_of_lambda(view, (own, others, target, limit))
    if y is None:
        return ()
    plot = Plot(Reach(-view.before_s, view.after_s), y, width, height, ascii_only=view.ascii_only)
    if view.before_s and view.after_s:
        plot.upright(0.0, "|" if view.ascii_only else "┊", "rule")
    _draw_signs(plot, s, target, "=")
    _draw_signs(plot, s, limit, "-")
    plot.line(s, others, "dim")
    plot.line(s, own, "strong", bold=True)
    if view.pulse is not None:
        _draw_pulse(plot, view, y)
    return tuple(plot.rows(unit="s"))


# What several cylinders share that are drawn in turn is kept. Whole rows of a minute are never joined: a
# picture takes one column of all, and few rows of the others.


@lru_cache(KEPT_PICTURES // 4)
def _join_times(seconds: Keyed) -> Times:
    return np.concatenate([one.t for one in seconds.it])


@lru_cache(KEPT_PICTURES // 4)
def _sample_lambda(seconds: Keyed, begin: int, end: int, step: int) -> Floats:
    """Lambda of all nodes in every `step`-th row from row `begin` on, up to row `end`; float64[k, n]."""
    lam, state, at = [], [], 0
    for one in seconds.it:
        first = begin - at if at < begin else (begin - at) % step
        part = slice(first, max(end - at, 0), step)
        lam.append(one.lam[part])
        state.append(one.state[part])
        at += len(one)
    return _shown_lambda(np.concatenate(lam), np.concatenate(state))


def _shown_lambda(lam: Singles, state: Bytes) -> Floats:
    """Lambda; NaN where a reading says nothing of the gas."""
    return np.minimum(np.where(_SHOWN_STATES[state], lam, np.nan).astype(np.float64), _HIGHEST_LAMBDA)


def _median_of_others(lam: Floats, node: int) -> Floats:
    """The median of all but one, float64[k]; NaN where none is known."""
    others = np.sort(np.delete(lam, node, axis=1), axis=1)  # what is not known comes last
    count = np.isfinite(others).sum(axis=1)
    known = np.flatnonzero(count)
    out = np.full(len(lam), np.nan)
    low, high = (count[known] - 1) // 2, count[known] // 2
    out[known] = (others[known, low] + others[known, high]) / 2
    return out


def _reach_of_lambda(view: TraceView, lines: tuple[Floats, ...]) -> Reach | None:
    """A scale for all lines, the cylinder's and the others' first, and for a gas that is not far beyond."""
    if not any(np.isfinite(line).any() for line in lines[:2]):
        return None
    known = [line[np.isfinite(line)] for line in lines]
    ends = [float(end) for line in known if len(line) for end in (line.min(), line.max())]
    if view.pulse is not None and view.pulse[2] < _HIGHEST_LAMBDA:
        ends.append(view.pulse[2])
    return reach_over(ends, _LEAST_LAMBDA_SPAN)


def _draw_signs(plot: Plot, s: Floats, lam: Floats, sign: str) -> None:
    """A line of signs, one a cell, where a value is known."""
    known = np.isfinite(lam)
    if known.any():
        x = np.linspace(plot.x.low, plot.x.high, plot.columns)
        y = np.interp(x, s[known], lam[known], left=np.nan, right=np.nan)
        plot.points(x, y, "rule", sign)


def _draw_pulse(plot: Plot, view: TraceView, y: Reach) -> None:
    """The pulse of the gas: its top, or the upper edge where its lambda is not known, and its sides."""
    assert view.pulse is not None
    begin, length, lam = view.pulse
    top = min(lam, y.high) if math.isfinite(lam) else y.high
    count = max(round(length / (plot.x.high - plot.x.low) * plot.columns), 1) + 1
    x = np.linspace(begin, begin + length, count)
    plot.points(x, np.full(count, top), "text", _gas_sign(view))
