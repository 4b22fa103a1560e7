"""Pictures of a pull: needs over speed, who needs most, and whether it repeats an earlier pull.

All cylinders are dotted; the chosen one and the leanest are solid lines, with their numbers at the right
edge. What was not counted is hatched where the line would be. A pull is drawn once and kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from mixmon.arrays import Floats
from mixmon.dashboard.pictures.interval_bars import IntervalBar, interval_bars
from mixmon.dashboard.pictures.plot import (
    KEPT_PICTURES,
    LEAST_PLOT_COLUMNS,
    LEAST_PLOT_ROWS,
    Plot,
    Reach,
    Same,
    pane,
    panes_beside,
    reach_over,
)
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, fit_row, signed
from mixmon.findings.pulls.bands import PullTable
from mixmon.findings.pulls.quality import PullState
from mixmon.findings.pulls.review import PullReview
from mixmon.findings.stats import mean_of_known
from mixmon.mixture.block import SampleState
from mixmon.session.alarm_kinds import RangeEnd, kind_of

_LEAST_SPAN: Final = 2.0
"""Percent that the scale spans at least. Our choice: below that, noise looks like a need."""

_HATCHED = frozenset({PullState.EVENT, PullState.OUTLIER})


@dataclass(frozen=True, slots=True)
class PullView:
    """What of a pull is drawn: nodes by index, limits in percent against the target by band.

    chosen, leanest  nodes; None for none
    compared         against the earlier pull
    """

    number: int
    chosen: int | None
    leanest: int | None
    compared: bool
    lean_limit: tuple[float, ...]
    labels: tuple[str, ...]
    ascii_only: bool


@lru_cache(KEPT_PICTURES)
def leanest_of(table: PullTable) -> int | None:
    """The node that needs most over the pull: against the target, else against its peers."""
    for needs in (table.target, table.peers):
        means = mean_of_known(needs)
        if np.isfinite(means).any():
            return int(np.nanargmax(means))
    return None


def chosen_in(scene: Scene, table: PullTable) -> int | None:
    """The node that the person picked, else the leanest of this pull."""
    if scene.options.chosen is not None:
        return scene.setting.node_of(scene.options.chosen)
    return leanest_of(table)


def pull_picture(
    scene: Scene, review: PullReview, number: int, *, compared: bool, width: int, height: int
) -> list[Row]:
    """The picture of a pull in `height` rows; nothing where the room is too small."""
    if width < LEAST_PLOT_COLUMNS or height < LEAST_PLOT_ROWS + 2:
        return []
    table = review.tables[number]
    view = PullView(
        number,
        chosen_in(scene, table),
        leanest_of(table),
        compared and review.repeats[number] is not None,
        _lean_limits(Same(scene.setting.rules), review, number),
        scene.setting.labels,
        scene.options.ascii,
    )
    return list(_draw_pull(Same(review), view, width, height))


def pull_answer(table: PullTable, labels: tuple[str, ...]) -> str:
    """Which cylinder needs most, how much over the pull, and where most, in words."""
    leanest = leanest_of(table)
    if leanest is None:
        return "no cylinder has a need in this pull"
    against, needs = _usual_needs(table)
    column = needs[:, leanest]
    worst = int(np.nanargmax(column))
    mean, least, most = float(mean_of_known(column)), float(np.nanmin(column)), float(column[worst])
    place = f"{table.bands.centres[worst]:.0f} rpm"
    over = f"{signed(least)} to {signed(most)}, most at {place}"
    return f"cyl {labels[leanest]} needs {signed(mean)} % {against}: {over}"


def _usual_needs(table: PullTable) -> tuple[str, Floats]:
    """Needs against the target, or against peers in a session without one."""
    known = np.isfinite(table.target).any()
    return ("vs target", table.target) if known else ("vs peers", table.peers)


@lru_cache(KEPT_PICTURES)
def _targets_of(review: PullReview, number: int) -> Floats:
    """Lambda that was asked for in each band, float64[b]; NaN where not known."""
    trace, bands = review.pulls[number].trace, review.bands
    known = np.isfinite(trace.rpm) & np.isfinite(trace.target)
    band = np.searchsorted(np.array(bands.edges), trace.rpm[known], side="right") - 1
    inside = (band >= 0) & (band < len(bands))
    count = np.bincount(band[inside], minlength=len(bands))
    total = np.bincount(band[inside], trace.target[known][inside], minlength=len(bands))
    mean = np.divide(total, count, out=np.full(len(bands), np.nan), where=count > 0)
    return np.asarray(np.exp(mean))


@lru_cache(KEPT_PICTURES)
def _lean_limits(rules: Same, review: PullReview, number: int) -> tuple[float, ...]:
    """The tightest lean limit of priority 1 by band, percent against the target; empty: none."""
    target = _targets_of(review, number)
    found = []
    for rule in rules.it:
        kind = kind_of(rule)
        if not kind.mixture or kind.bound is not RangeEnd.LEAN or rule.priority != 1:
            continue
        at = [kind.lambda_at(rule.limit, wanted) if wanted > 0 else None for wanted in target.tolist()]
        found.append([np.nan if lam is None else lam for lam in at])
    if not found or not np.isfinite(target).any():
        return ()
    tightest = np.fmin.reduce(np.array(found, np.float64), axis=0)
    return tuple((100.0 * (tightest / target - 1.0)).tolist())


@lru_cache(KEPT_PICTURES)
def _draw_pull(review: Same, view: PullView, width: int, height: int) -> tuple[Row, ...]:
    """Curves to the left; to the right who needs most, or who differs from the earlier pull."""
    shown: PullReview = review.it
    table = shown.tables[view.number]
    bars = _side_width(width) if height >= len(view.labels) + 3 else 0
    peers = (width - bars) * 2 // 5 if width >= _THREE_PANES else 0
    curves = width - bars - peers - 2 * bool(bars) - 2 * bool(peers)
    against, needs = _usual_needs(table)
    title = f"WHICH CYLINDER, WHERE, HOW MUCH?  needs % {against} over rpm"
    answer = pull_answer(table, view.labels)
    legend = fit_row([(_legend_words(shown, view), "dim")], curves)
    body = [*_curve_rows(shown, view, needs, against, (curves, height - 3)), legend]
    blocks = [(pane(title, answer, body, curves, height), curves)]
    if peers:
        rows = _curve_rows(shown, view, table.peers, "vs peers", (peers, height - 2))
        blocks.append(
            (pane("WHO DIFFERS FROM THE OTHERS?  needs % vs peers", "", rows, peers, height), peers)
        )
    if bars:
        blocks.append((_side_pane(shown, view, bars, height), bars))
    return tuple(panes_beside(blocks, height))


_THREE_PANES: Final = 160
"""Columns from which the needs against peers have a plot of their own. Our choice: each still has fifty."""


def _side_width(width: int) -> int:
    """Cells of the bars at the right; 0 where the curves need the room."""
    return 0 if width < 110 else min(width // 3, 54)


def _legend_words(review: PullReview, view: PullView) -> str:
    parts = []
    if view.chosen is not None:
        bold = dict.fromkeys((view.chosen, view.leanest if view.leanest is not None else view.chosen))
        parts.append(f"thick: cyl {' and '.join(view.labels[i] for i in bold)} with 95 % interval")
    repeat = review.repeats[view.number]
    if repeat is not None:
        parts.append(f"{_dot(view)} pull {repeat.against + 1}")
    parts += [f"{'#' if view.ascii_only else '▒'} masked", "- lean limit"]
    return "      " + "  ".join(parts)


def _dot(view: PullView) -> str:
    return "d" if view.ascii_only else "◦"


def _curve_rows(
    review: PullReview, view: PullView, needs: Floats, against: str, size: tuple[int, int]
) -> list[Row]:
    """All cylinders over speed: dotted, then the chosen one and the leanest."""
    width, height = size
    table = review.tables[view.number]
    limit = np.array(view.lean_limit) if against == "vs target" and view.lean_limit else np.full(1, np.nan)
    half = table.target_half if against == "vs target" else table.peers_half
    thick = [i for i in dict.fromkeys((view.leanest, view.chosen)) if i is not None]
    y = _reach_of(needs, half[:, thick], limit, thick)
    if y is None or height < LEAST_PLOT_ROWS:
        return []
    centres = np.array(table.bands.centres)
    edge = _edge_cells(view, height)
    plot = Plot(_reach_of_speeds(table), y, width, height, ascii_only=view.ascii_only, edge=edge)
    plot.level(0.0, "=" if view.ascii_only else "═", "rule")
    _draw_limit(plot, centres, limit)
    bold = {view.chosen, view.leanest}
    for node in (i for i in range(needs.shape[1]) if i not in bold):
        _draw_node(plot, table, view, needs, node)
    for node in thick:
        _draw_node(plot, table, view, needs, node)
        for x, value, h in zip(centres, needs[:, node], half[:, node], strict=True):
            plot.span(float(x), float(value - h), float(value + h), _style_of(view, node))
    _draw_earlier(plot, review, view, against)
    return plot.rows(unit="rpm")


def _edge_cells(view: PullView, height: int) -> int:
    """Cells for the numbers at the right edge: more where cylinders share rows."""
    widest = max(map(len, view.labels), default=1) + 1
    return widest * max(-(-len(view.labels) // max(height - 2, 1)), 1) + 1


def _reach_of(needs: Floats, half: Floats, limit: Floats, thick: list[int]) -> Reach | None:
    """A scale for all needs, the intervals of the thick ones, and a limit that is not far beyond them."""
    ends = (needs, needs[:, thick] - half, needs[:, thick] + half)
    known = np.concatenate([end[np.isfinite(end)] for end in ends])
    if not len(known):
        return None
    near = limit[np.isfinite(limit) & (limit < 2 * max(float(np.abs(known).max()), _LEAST_SPAN))]
    return reach_over([*known.tolist(), *near.tolist(), 0.0], _LEAST_SPAN)


def _reach_of_speeds(table: PullTable) -> Reach:
    return Reach(table.bands.edges[0], table.bands.edges[-1])


def _draw_limit(plot: Plot, centres: Floats, limit: Floats) -> None:
    """Dashes along the limit."""
    if len(limit) != len(centres):
        return
    x = np.linspace(centres[0], centres[-1], max(plot.columns // 2, 2))
    known = np.isfinite(limit)
    if known.any():
        plot.points(x, np.interp(x, centres[known], limit[known]), "rule", "-")


def _draw_node(plot: Plot, table: PullTable, view: PullView, needs: Floats, node: int) -> None:
    """One cylinder's line, what is hatched in it, and its number at the edge."""
    column = needs[:, node]
    bold = node in {view.chosen, view.leanest}
    style = _style_of(view, node)
    centres = np.array(table.bands.centres)
    plot.line(centres, column, style, bold=bold)
    known = np.flatnonzero(np.isfinite(column))
    if not len(known):
        return
    plot.label(float(column[known[-1]]), view.labels[node], style)
    for band in np.flatnonzero(~np.isfinite(column)).tolist():
        sign = _hatch_sign(table, view, band, node)
        if sign:
            level = float(np.interp(band, known, column[known]))
            low, high = table.bands.edges[band], table.bands.edges[band + 1]
            plot.hatch(max(low, plot.x.low), min(high, plot.x.high), level, sign, style)


def _style_of(view: PullView, node: int) -> str:
    return "picked" if node == view.chosen else "strong" if node == view.leanest else "dim"


def _hatch_sign(table: PullTable, view: PullView, band: int, node: int) -> str:
    """The character of what was not counted; none where the sensor said nothing."""
    why = table.why[band][node]
    if why in _HATCHED:
        return "#" if view.ascii_only else "▒"
    return {SampleState.AT_LEAN_LIMIT: ">", SampleState.AT_RICH_LIMIT: "<"}.get(why, "")  # type: ignore[arg-type]


def _draw_earlier(plot: Plot, review: PullReview, view: PullView, against: str) -> None:
    """The chosen cylinder in the earlier pull, a mark a band."""
    repeat = review.repeats[view.number]
    if repeat is None or view.chosen is None:
        return
    early = review.tables[repeat.against]
    needs = early.target if against == "vs target" else early.peers
    plot.points(np.array(early.bands.centres), needs[:, view.chosen], "text", _dot(view))


def _side_pane(review: PullReview, view: PullView, width: int, height: int) -> list[Row]:
    """Bars by cylinder: the mean over the pull, or the difference from the earlier pull."""
    repeat = review.repeats[view.number]
    table = review.tables[view.number]
    if view.compared and repeat is not None:
        title, answer = f"DOES IT REPEAT?  mean less pull {repeat.against + 1}", ""
        mean, half = repeat.by_node, repeat.by_node_half
    else:
        title, answer = "WHO NEEDS FUEL?  mean, % vs peers", ""
        mean, half = table.mean_over_bands()
    bars = [_bar_of(view, node, float(mean[node]), float(half[node])) for node in _by_need(mean)]
    rows = interval_bars(bars, width, height - 1, ascii_only=view.ascii_only)
    return pane(title, answer, rows, width, height)


def _by_need(mean: Floats) -> list[int]:
    """Nodes from the largest need to the smallest; unknown ones last."""
    return sorted(
        range(len(mean)), key=lambda i: (not np.isfinite(mean[i]), -float(np.nan_to_num(mean[i])), i)
    )


def _bar_of(view: PullView, node: int, value: float, half: float) -> IntervalBar:
    within = abs(value) <= half
    words = "no data" if not np.isfinite(value) else "within error" if within else ""
    return IntervalBar(view.labels[node], value, value - half, value + half, node == view.chosen, words)
