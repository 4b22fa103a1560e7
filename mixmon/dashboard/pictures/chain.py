"""Pictures of the chain: volts from node to node, what each node sent lately, the step of each sensor."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mixmon.arrays import SECOND_NS, Floats
from mixmon.dashboard.pictures.plot import (
    KEPT_PICTURES,
    LEAST_PLOT_COLUMNS,
    LEAST_PLOT_ROWS,
    Keyed,
    Plot,
    Reach,
    nothing_to_draw,
    pane,
    reach_over,
)
from mixmon.dashboard.pictures.traces import Size, seconds_key
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import SAMPLE_LETTERS, Row, Segment, fit, fit_row, join_cells
from mixmon.findings.events.event import Event, Kind
from mixmon.findings.stats import mean_of_known
from mixmon.mixture.block import SampleState
from mixmon.watch.history import SECOND_ROWS, join_rows

# ----------------------------------------------------------------------------------------------------
# Volts along the chain.
# ----------------------------------------------------------------------------------------------------

_LEAST_VOLTS: Final = 0.4
"""Volts that the scale spans at least: our choice, twice the drop of a chain in order."""

_DROP_VOLTS: Final = 0.15
"""A joint that takes this much is named: our choice, more than a metre of usual cable with its connector."""


def volts_picture(scene: Scene, size: Size) -> list[Row]:
    """Supply of every node in the last second, along the chain; the joint at which most is lost is named."""
    width, height = size
    title = "WHERE IS SUPPLY LOST?  volts by node"
    if width < LEAST_PLOT_COLUMNS or height < LEAST_PLOT_ROWS + 2:
        return []
    seconds = scene.snapshot.history.latest(1)
    nodes = sorted(range(len(scene.setting)), key=lambda i: scene.setting.nodes[i].position)
    places = tuple((i, scene.setting.nodes[i].position) for i in nodes)
    answer, rows = (
        _draw_volts(seconds_key(seconds), places, (width, height - 2), scene.marks.now)
        if seconds
        else ("", ())
    )
    if not rows or scene.dead:
        words = "not known: the analysis has stopped" if scene.dead else "no node sends its supply"
        return pane(title, "", nothing_to_draw(words, width, height - 1), width, height)
    return pane(title, answer, rows, width, height)


@lru_cache(KEPT_PICTURES)
def _draw_volts(
    seconds: Keyed, places: tuple[tuple[int, int], ...], size: Size, sign: str
) -> tuple[str, tuple[Row, ...]]:
    """The answer and the plot; no row where no volts are known."""
    volts = mean_of_known(seconds.it[-1].supply.astype(np.float64))[[i for i, _ in places]]
    positions = [position for _, position in places]
    y = reach_over(volts.tolist(), _LEAST_VOLTS)
    if y is None:
        return "", ()
    plot = Plot(Reach(positions[0] - 0.5, positions[-1] + 0.5), y, *size, ascii_only=sign.isascii())
    at = np.array(positions, np.float64)
    plot.line(at, volts, "dim")
    plot.points(at, volts, "strong", sign)
    return volts_answer(positions, volts), tuple(plot.rows(unit="node", decimals=1))


def volts_answer(positions: list[int], volts: Floats) -> str:
    """From which volts to which, and the joint that takes more than cable does."""
    known = np.flatnonzero(np.isfinite(volts))
    first, last = volts[known[0]], volts[known[-1]]
    words = f"{first:.2f} V at node {positions[known[0]]}, {last:.2f} V at node {positions[known[-1]]}"
    drops = volts[known[:-1]] - volts[known[1:]]
    if len(drops) and float(drops.max()) >= _DROP_VOLTS:
        k = int(drops.argmax())
        a, b = positions[known[k]], positions[known[k + 1]]
        return f"{drops[k]:.2f} V lost between nodes {a} and {b}"
    return words


# ----------------------------------------------------------------------------------------------------
# What each node sent in the last minute.
# ----------------------------------------------------------------------------------------------------

_GAP_SECONDS: Final = 60
"""Our choice: a node that comes and goes does so within a minute."""

_SEVERITY: Final = np.array(
    [
        {SampleState.VALID: 0, SampleState.SILENT: 3, SampleState.DUPLICATE_NODE: 3, SampleState.HELD: 2}.get(
            state, 1
        )
        for state in SampleState
    ],
    np.int64,
)
"""Of the states in one cell of time the worst is shown: silent, then late, then what a sensor says itself."""


def gaps_picture(scene: Scene, size: Size) -> list[Row]:
    """A strip a node: a dot where all was well, the letter of the state where it was not."""
    width, height = size
    title = "WHO WAS SILENT?  last minute"
    seconds = scene.snapshot.history.latest(_GAP_SECONDS)
    if width < LEAST_PLOT_COLUMNS or height < 3:
        return []
    if not seconds:
        return pane(title, "", nothing_to_draw("nothing is known yet", width, height - 1), width, height)
    name = scene.setting.label_width + 6
    strips, silent = _draw_gaps(seconds_key(seconds), max(width - name, 1), scene.marks.dot)
    order, room = scene.order(), height - 2
    shown = order if len(order) <= room else order[: room - 1]
    rows = []
    for i in shown:
        label = f" cyl {fit(scene.setting.labels[i], name - 6, right=True)} "
        rows.append(fit_row([(label, "strong"), *strips[i]], width))
    if len(shown) < len(order):
        rows.append(
            fit_row([(f" {len(order) - len(shown)} more: a higher terminal shows them", "dim")], width)
        )
    return pane(title, _gaps_answer(scene, silent), rows, width, height)


def _gaps_answer(scene: Scene, silent: tuple[int, ...]) -> str:
    """How many nodes were silent, and who most; `silent`: rows of each."""
    if not any(silent):
        return "no node was silent"
    worst = int(np.argmax(silent))
    count = sum(rows > 0 for rows in silent)
    most = f"cyl {scene.setting.labels[worst]} for {silent[worst] / SECOND_ROWS:.1f} s"
    return f"{most} in all" if count == 1 else f"{count} nodes, most of all {most}"


@lru_cache(KEPT_PICTURES)
def _draw_gaps(seconds: Keyed, columns: int, dot: str) -> tuple[tuple[Row, ...], tuple[int, ...]]:
    """The strip of each node, `columns` cells, and the rows in which it was silent."""
    state = join_rows(seconds.it).state
    places = np.arange(columns + 1) * (_GAP_SECONDS * SECOND_ROWS) // columns
    offset = _GAP_SECONDS * SECOND_ROWS - len(state)
    worst = _worst_states(state, places - offset)
    signs = {None: (" ", "dim"), SampleState.VALID: (dot, "dim")}
    for one, sign in SAMPLE_LETTERS.items():
        signs.setdefault(one, (sign[-1], "strong"))
    strips = tuple(_strip_of([signs[one] for one in node]) for node in worst)
    return strips, tuple((state == SampleState.SILENT).sum(axis=0).tolist())


def _worst_states(state: NDArray[np.uint8], edges: NDArray[np.int64]) -> list[list[SampleState | None]]:
    """Of each node, the state in each cell of time that is shown; None where there were no rows yet."""
    count = len(state)
    first, end = np.maximum(edges[:-1], 0), np.maximum(edges[1:], 0)
    earlier = np.arange(count, 0, -1)[:, None]  # of states that are as bad, the first is shown
    ranked = _SEVERITY[state] * (count + 1) + earlier
    best = np.maximum.reduceat(ranked, np.minimum(first, count - 1), axis=0)
    row = count - best % (count + 1)
    worst = np.take_along_axis(state, row, axis=0)
    kinds, known = tuple(SampleState), (first < end).tolist()
    return [
        [kinds[one] if any_row else None for one, any_row in zip(node, known, strict=True)]
        for node in worst.T.tolist()
    ]


def _strip_of(cells: list[Segment]) -> Row:
    """One character a cell of time."""
    return tuple(join_cells([text for text, _ in cells], [style for _, style in cells]))


# ----------------------------------------------------------------------------------------------------
# The step of each sensor at the last fuel cut.
# ----------------------------------------------------------------------------------------------------

_BEFORE_CUT_S, _AFTER_CUT_S, _LEVEL_S = 0.2, 1.8, 0.2
"""Time shown about a cut, and the end of it that is the level in air. Our choice: a sensor of 0.4 s
is within a hundredth of it then."""

_LEAST_RISE_PERCENT: Final = 5.0
"""Oxygen by which a reading must rise to be drawn: our choice, a quarter of air."""

_TITLE_CELLS: Final = 56
"""Cells that the whole title takes, computed for a label of two digits and more."""

_T63: Final = 1.0 - math.exp(-1.0)


@dataclass(frozen=True, slots=True)
class StepView:
    """Which node is thick, and the moment of the cut, ns."""

    node: int
    moment: int
    ascii_only: bool
    labels: tuple[str, ...]


def response_picture(scene: Scene, node: int, size: Size) -> list[Row]:
    """The rise of every sensor into air at the newest fuel cut, as a share of its own rise."""
    width, height = size
    title = f"IS THE SENSOR OF CYL {scene.setting.labels[node]} SLOW?"
    title += "  share of its rise into air" if width >= _TITLE_CELLS else ""
    if width < LEAST_PLOT_COLUMNS or height < LEAST_PLOT_ROWS + 3:
        return []
    cut = _newest_cut(scene)
    if cut is None:
        words = "no fuel cut of two seconds in the last five minutes: lift the throttle at speed to see one"
        return pane(title, "", nothing_to_draw(words, width, height - 1), width, height)
    seconds = scene.snapshot.history.between(*_span_of_cut(cut.t))
    view = StepView(node, cut.t, scene.options.ascii, scene.setting.labels)
    answer, rows = _draw_steps(seconds_key(seconds), view, width, height - 2)
    return pane(title, answer, rows, width, height)


def has_cut(scene: Scene) -> bool:
    """Whether there is a fuel cut to be drawn."""
    return _newest_cut(scene) is not None


def _span_of_cut(t: int) -> tuple[int, int]:
    return t - int(_BEFORE_CUT_S * SECOND_NS), t + int(_AFTER_CUT_S * SECOND_NS)


def _newest_cut(scene: Scene) -> Event | None:
    """The newest fuel cut that lasts as long as is shown, and whose rows are all kept."""
    seconds = scene.snapshot.history.seconds
    if not seconds:
        return None
    cut = Kind.FUEL_CUT
    for event in reversed(scene.snapshot.happened):
        if event.kind is cut and event.all_nodes:
            first, last = _span_of_cut(event.t)
            if event.end >= last and seconds[0].t[0] <= first and seconds[-1].t[-1] >= last:
                return event
    return None


@lru_cache(KEPT_PICTURES)
def _draw_steps(seconds: Keyed, view: StepView, width: int, height: int) -> tuple[str, tuple[Row, ...]]:
    """The answer, and the plot."""
    rows = join_rows(seconds.it)
    s = (rows.t - view.moment) / SECOND_NS
    inside = (s >= -_BEFORE_CUT_S) & (s <= _AFTER_CUT_S)
    s, share = s[inside], _shares_of_rise(s[inside], rows.oxygen[inside].astype(np.float64))
    plot = Plot(
        Reach(-_BEFORE_CUT_S, _AFTER_CUT_S), Reach(-0.1, 1.15), width, height, ascii_only=view.ascii_only
    )
    plot.level(_T63, "-", "rule")
    for other in range(share.shape[1]):
        if other != view.node:
            plot.line(s, share[:, other], "dim")
    plot.line(s, share[:, view.node], "strong", bold=True)
    return _steps_answer(s, share, view), tuple(plot.rows(unit="s"))


def _shares_of_rise(s: Floats, oxygen: Floats) -> Floats:
    """Oxygen of each node from 0 before the cut to 1 at the end; NaN for a node that did not rise enough."""
    before = mean_of_known(oxygen[s < 0])
    rise = mean_of_known(oxygen[s > _AFTER_CUT_S - _LEVEL_S]) - before
    rise = np.where(rise >= _LEAST_RISE_PERCENT, rise, np.nan)
    return np.asarray((oxygen - before) / rise)


def _steps_answer(s: Floats, share: Floats, view: StepView) -> str:
    """When the sensor has made 63 % of its rise, against the median of the others."""
    passed = np.where(np.isfinite(share), share, -np.inf) >= _T63
    at = np.where(passed.any(axis=0), s[passed.argmax(axis=0)], np.nan)
    others = np.delete(at, view.node)
    others = others[np.isfinite(others)]
    if not np.isfinite(at[view.node]) or not len(others):
        return "this sensor, or all others, did not rise at this cut"
    late = float(at[view.node] - np.median(others))
    how = f"{abs(late):.2f} s {'after' if late >= 0 else 'before'} the others' median"
    return f"63 % {how} (dotted: the others)"
