"""Cells of throttle or pressure by speed: what a cylinder needs there, and how well it is known.

A cell fills while the engine is held in it. What is drawn is the newest balance, which is renewed
about once a second, and the dwell under way.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, Segment, fit, fit_row, signed
from mixmon.findings.balance import Balance, CellNeed

_LEAST_CELL, _MOST_CELL = 9, 13
_LABEL = 7

Place = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class CellView:
    """Which number the cells show, and where the cursor is.

    spread  the spread of all cylinders instead of one cylinder's need
    cursor  the cell that was picked, None for none
    """

    cylinder: int | None = None
    spread: bool = False
    cursor: Place | None = None


def cell_rows(scene: Scene, view: CellView, width: int, height: int) -> list[Row]:
    """A heading with speeds, then two rows a load, highest load on top; one row each where room is short."""
    axes = scene.setting.session.axes
    speeds: Sequence[float | None] = axes.rpm or (None,)
    loads: Sequence[float | None] = tuple(reversed(axes.load)) or (None,)
    size = min(max((width - _LABEL) // len(speeds), _LEAST_CELL), _MOST_CELL)
    window, cut = _window(scene, view, speeds, max((width - _LABEL) // size, 1))
    double = 2 * len(loads) + 1 <= height
    loads = _loads_in_sight(scene, view, loads, height - 1)
    known = _known(scene.snapshot.balance, view)
    rows = [_heading(scene, window, size, width, cut=cut)]
    for load in loads:
        name = "any" if load is None else f"{load:g}"
        top: list[Segment] = [(f"{name:>{_LABEL - 2}}  ", "label")]
        below: list[Segment] = [(" " * _LABEL, "text")]
        for speed in window:
            first, second = _cell(scene, view, known, (speed, load), size)
            top.append(first)
            below.append(second)
        rows.append(fit_row(top, width))
        if double:
            rows.append(fit_row(below, width))
    return rows[:height]


def _window(
    scene: Scene, view: CellView, speeds: Sequence[float | None], room: int
) -> tuple[Sequence[float | None], str]:
    """The speeds that fit, about the cursor or the cell that is held; and which ends are cut."""
    if room >= len(speeds):
        return speeds, "  "
    held = scene.holding
    about = view.cursor[0] if view.cursor else held.cell.rpm if held else None
    centre = speeds.index(about) if about in speeds else 0
    first = min(max(centre - room // 2, 0), len(speeds) - room)
    ends = ("<" if first else " ") + (">" if first + room < len(speeds) else " ")
    return speeds[first : first + room], ends


def _loads_in_sight(
    scene: Scene, view: CellView, loads: Sequence[float | None], room: int
) -> Sequence[float | None]:
    """All loads, or those about the cursor or the cell that is held."""
    held = scene.holding
    about = view.cursor[1] if view.cursor else held.cell.load if held else None
    centre = loads.index(about) if about in loads else 0
    first = min(max(centre - room // 2, 0), max(len(loads) - room, 0))
    return loads[first : first + max(room, 0)]


def _heading(scene: Scene, speeds: Sequence[float | None], size: int, width: int, *, cut: str) -> Row:
    signal = {"throttle": "thr %", "map_kpa": "kPa"}.get(scene.setting.session.axes.load_signal, "load")
    row: list[Segment] = [(f"{signal:>{_LABEL - 2}}{cut[0]} ", "label")]
    row += [(fit(_rpm(speed), size - 1, right=True) + " ", "label") for speed in speeds]
    tail = f"rpm{cut[1]}"
    return fit_row([*row, (tail, "label")] if len(row) * size + 4 <= width else row, width)


def _rpm(speed: float | None) -> str:
    return "any" if speed is None else f"{speed:g}"


def _known(balance: Balance | None, view: CellView) -> Mapping[Place, tuple[float, float, float, bool]]:
    """Place -> number, half its interval, seconds, whether it may be trimmed by."""
    if balance is None:
        return {}
    if view.spread:
        return _spreads(balance.cells)
    return {
        (c.rpm, c.load): (c.needs_percent, c.half_interval_percent, c.usable_s, c.used_for_trims)
        for c in balance.cells
        if c.cylinder == view.cylinder
    }


def _spreads(cells: Sequence[CellNeed]) -> Mapping[Place, tuple[float, float, float, bool]]:
    """Largest less smallest need of the cylinders that have an interval; seconds of the one with fewest."""
    places: dict[Place, list[CellNeed]] = {}
    for cell in cells:
        if math.isfinite(cell.half_interval_percent):
            places.setdefault((cell.rpm, cell.load), []).append(cell)
    return {
        place: (
            max(c.needs_percent for c in here) - min(c.needs_percent for c in here),
            math.nan,
            min(c.usable_s for c in here),
            any(c.used_for_trims for c in here),
        )
        for place, here in places.items()
        if len(here) > 1
    }


def _cell(
    scene: Scene,
    view: CellView,
    known: Mapping[Place, tuple[float, float, float, bool]],
    place: Place,
    size: int,
) -> tuple[Segment, Segment]:
    """Number and interval above; how full the cell is, and seconds, below."""
    held = scene.holding
    here = held is not None and (held.cell.rpm, held.cell.load) == place
    style = "cell-held" if here else "chosen" if view.cursor == place else "text"
    if place not in known:
        above, below = ("held", _seconds(0.0)) if here else (scene.marks.dot, "")
        return (_in_cell(above, size), "dim" if style == "text" else style), (_in_cell(below, size), style)
    need, half, seconds, used = known[place]
    pm = scene.marks.plus_minus
    number = f"{need:.1f}" if view.spread and math.isfinite(need) else signed(need)
    above = f"{number}{pm}{half:.1f}" if math.isfinite(half) else number
    if style == "text" and not used:
        style = "gone"
    below = _seconds(seconds) if used else f"({_seconds(seconds)})"
    return (_in_cell(above, size), style), (_in_cell(below, size), style)


def _seconds(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 99.95 else f"{seconds:.0f} s"


def _in_cell(text: str, size: int) -> str:
    return fit(text, size - 1, right=True) + " "
