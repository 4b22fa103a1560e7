"""The balance screen: fills while the engine is held in a cell, and says how long it must still be held."""

from __future__ import annotations

import math

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import (
    Row,
    Segment,
    clean,
    fit,
    fit_row,
    padded,
    row_width,
    signed,
    tall_need,
    wrap,
)
from mixmon.dashboard.text import width as cells
from mixmon.dashboard.verdict import Verdict
from mixmon.dashboard.view_cells import CellView, cell_rows
from mixmon.dashboard.view_dwell import dwell_zone
from mixmon.dashboard.view_status import Sheet, framed, room_below, status
from mixmon.findings.balance import Balance
from mixmon.findings.spread import Spread

_LABEL, _NEED = 7, 9
"""Cells of the label and of one cylinder's need."""


def balance_page(scene: Scene, verdict: Verdict, view: CellView, sheet: Sheet) -> list[Row]:
    """Dwell clock, cells, and what follows from them."""
    width, height = sheet.width, sheet.height
    title = "BALANCE spread" if view.spread else f"BALANCE cyl {view.cylinder or '?'}"
    head = [
        status(scene, verdict, width, title=title),
        *dwell_zone(scene, width, height, _about(scene, view)),
    ]
    room = room_below(head, height)
    loads = len(scene.setting.session.axes.load) or 1
    foot = _foot(scene, width)[: max(room - loads - 1, 0)]
    grid = cell_rows(scene, view, width, room - len(foot))
    return framed(head, [*padded(grid, width, room - len(foot)), *foot], sheet)


def _about(scene: Scene, view: CellView) -> str:
    balance = scene.snapshot.balance
    if balance is None:
        return "no cell has data yet"
    if view.spread:
        return "below: spread; (s): no trims"
    return f"below: vs {balance.against}; (s): no trims"


def _foot(scene: Scene, width: int) -> list[Row]:
    """All cylinders, spread now and after the trims, the trims offered or why there are none."""
    balance = scene.snapshot.balance
    if balance is None:
        return []
    rows = [_spread_row(scene, balance, width)]
    for reason in balance.withheld:
        words = wrap(f"no trims offered: {reason}", width - 2)
        rows += [fit_row([(f" {line}", "strong")], width) for line in words]
    return [*rows, *_needs(scene, balance, width)]


def _needs(scene: Scene, balance: Balance, width: int) -> list[Row]:
    """Needs of all cylinders with their intervals, as many columns as fit."""
    columns = max((width - _LABEL) // _NEED, 1)
    rows: list[Row] = []
    for start in range(0, len(balance.cylinders), columns):
        names: list[Segment] = [(fit(" cyl", _LABEL), "label")]
        needs: list[Segment] = [(fit(" needs", _LABEL), "label")]
        for one in balance.cylinders[start : start + columns]:
            low, high = one.interval95_percent
            half = f"{scene.marks.plus_minus}{(high - low) / 2:.1f}" if math.isfinite(high - low) else ""
            names.append((fit(str(one.cylinder), _NEED - 1, right=True) + " ", "strong"))
            needs.append((fit(tall_need(one.needs_percent) + half, _NEED - 1, right=True) + " ", "text"))
        rows += [fit_row(names, width), fit_row(needs, width)]
    return rows


def _spread_row(scene: Scene, balance: Balance, width: int) -> Row:
    pm = scene.marks.plus_minus
    row: list[Segment] = [(" spread ", "label"), (spread_text(balance.spread), "strong")]
    if not balance.withheld:
        after = spread_text(balance.predicted_spread, count=False)
        row += [("  predicted after trims ", "label"), (after, "strong")]
    banks = "".join(
        f"  bank {clean(b.bank)} {signed(b.needs_percent)}{pm}{b.half_interval_percent:.1f}"
        for b in balance.banks
    )
    if row_width(row) + cells(banks) <= width:
        row.append((banks, "text"))
    return fit_row(row, width)


def spread_text(spread: Spread, *, count: bool = True) -> str:
    """A spread with its interval and the count of sensors it rests on."""
    if not math.isfinite(spread.value):
        return "not known"
    low, high = spread.interval95
    text = f"{spread.value:.1f} % ({low:.1f} to {high:.1f})"
    return f"{text} of {spread.cylinders_used}" if count else text
