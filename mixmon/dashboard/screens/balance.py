"""The balance screen: the dwell clock, the map of cells by speed and load, and the needs that follow.

It fills while the engine is held in a cell, and says for how many seconds it must still be held. It
shows the newest balance, which is renewed every other second, and the dwell under way. The watch
screen shows the clock in one line and the cells as well.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from mixmon.dashboard.digits import big, big_width, size_for
from mixmon.dashboard.pictures.balance_bars import need_picture
from mixmon.dashboard.pictures.plot import KEPT_PICTURES, PANE_GAP, Keyed, Same, has_panes, pane, panes_beside
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import (
    Row,
    Segment,
    blank,
    clean,
    fit,
    fit_row,
    half_text,
    number,
    padded,
    row_width,
    signed,
    tall_need,
    wrap,
)
from mixmon.dashboard.text import width as cells
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.balance.balance import Balance, Spread
from mixmon.mixture.steady import Cell
from mixmon.report.intervals import total_words
from mixmon.report.words import sentence
from mixmon.watch.snapshot import Holding

# ----------------------------------------------------------------------------------------------------
# The dwell clock: which cell is held, and for how many seconds more.
# ----------------------------------------------------------------------------------------------------

_FIELD_GAP = 3
"""Cells between two large numbers. Our choice: they read as two numbers from two metres."""

_LEAST_WORDS = 24
"""Cells of the words beside the digits, at least: `not steady` and a line of advice."""

_MOST_WAIT_S = 999
"""The largest time that the field of three digits can show."""

_LOAD_UNITS = {"throttle": "% throttle", "map_kpa": "kPa"}


def dwell_zone(scene: Scene, width: int, height: int, about: str) -> list[Row]:
    """Labels, then large digits with words beside them; one row more than the digits are tall.

    height: of the whole terminal; about: what the cells below show
    """
    size = size_for(height)
    fields = _large_fields(scene)
    words = [*_dwell_words(scene), (about, "label")]
    while fields and _fields_width(fields, size) + _LEAST_WORDS > width:
        if size == 3:
            fields.pop()
        else:
            size -= 2
    if not fields:
        return [fit_row([(f" {text}", style)], width) for text, style in words]
    words = [*[("", "text")] * (size - len(words)), *words]
    label: list[Segment] = [(" ", "text")]
    rows: list[list[Segment]] = [[(" ", "text")] for _ in range(size)]
    for name, value, widest in fields:
        cells = big_width(widest, size)
        label += [(fit(name, cells), "label"), (" " * _FIELD_GAP, "text")]
        digits = big(value, size, ascii_only=scene.options.ascii)
        for row, line in zip(rows, digits, strict=True):
            row += [(fit(line, cells, right=True), "big"), (" " * _FIELD_GAP, "text")]
    for row, word in zip(rows, words, strict=True):
        row.append(word)
    return [fit_row(row, width) for row in (label, *rows)]


def _fields_width(fields: list[tuple[str, str, str]], size: int) -> int:
    return 1 + sum(big_width(widest, size) + _FIELD_GAP for _, _, widest in fields)


def _large_fields(scene: Scene) -> list[tuple[str, str, str]]:
    """Name, value and widest value of what is drawn large: seconds more, speed and load of the cell."""
    held = scene.holding
    axes = scene.setting.session.axes
    left = "- -"
    if held is not None:
        wait = held.settle_s if held.settle_s > 0 else held.left_s
        left = "- -" if wait is None else f"{min(max(math.ceil(wait), 0), _MOST_WAIT_S)}"
    fields = [("HOLD s more", left, "888")]
    if axes.rpm:
        fields.append(("rpm", _centre_text(held.cell.rpm if held else None), "8888"))
    if axes.load:
        fields.append((axes.load_signal, _centre_text(held.cell.load if held else None), "888"))
    return fields


def _centre_text(centre: float | None) -> str:
    return "- -" if centre is None else f"{centre:.0f}"


def _dwell_words(scene: Scene) -> list[tuple[str, str]]:
    held = scene.holding
    if scene.dead:
        return [("not known", "strong"), ("the analysis does not go on", "dim")]
    if held is None:
        return [("not steady", "strong"), ("hold speed and load in one cell", "dim")]
    if held.settle_s > 0:
        return [("settling", "text"), ("nothing is counted yet", "dim")]
    return [(f"{held.used_s:.1f} s counted", "text"), (_time_left(scene, held), "strong")]


def _time_left(scene: Scene, held: Holding) -> str:
    """The time that the dwell still needs, and the cylinder that needs it."""
    wanted = f"{scene.marks.plus_minus}{held.wanted_percent:g} %"
    if held.left_s is None:
        return f"too early to tell until {wanted}"
    if held.left_s <= 0:
        return f"done: all within {wanted}"
    who = "" if held.worst is None else f", cyl {held.worst}"
    bar = filled(held.used_s / (held.used_s + held.left_s), 8, scene.marks.full, scene.marks.empty)
    return f"{bar} {math.ceil(held.left_s)} s to {wanted}{who}"


def _cell_name(cell: Cell, scene: Scene) -> str:
    rpm = "" if cell.rpm is None else f"{cell.rpm:g} rpm"
    name = scene.setting.session.axes.load_signal
    load = "" if cell.load is None else f"{cell.load:g} {_LOAD_UNITS.get(name, clean(name))}"
    return ", ".join(part for part in (rpm, load) if part) or "any cell"


def dwell_row(scene: Scene, width: int) -> Row:
    """The dwell clock in one line."""
    first, second = _dwell_words(scene)
    held = scene.holding
    cell: Row = (
        ((f" HOLD {_cell_name(held.cell, scene)} ", "cell-held"), ("  ", "text"))
        if held
        else ((" ", "text"),)
    )
    return fit_row([*cell, (f"{first[0]}  ", first[1]), second], width)


def filled(done: float, cells: int, full: str, empty: str) -> str:
    """A bar of that many cells, filled by a share between 0 and 1.

    >>> filled(0.5, 6, "#", ".")
    '###...'
    """
    count = min(max(round(cells * done), 0), cells) if math.isfinite(done) else 0
    return full * count + empty * (cells - count)


# ----------------------------------------------------------------------------------------------------
# The cells: what a cylinder needs at each speed and load, and how well that is known.
# ----------------------------------------------------------------------------------------------------

_LEAST_CELL, _MOST_CELL = 9, 13
"""Cells of a column: a need with its interval, and the widest at which a row reads as one. Our choice."""

_LOAD_CELLS = 7
"""Cells of the load at the left."""

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
    """A heading with speeds, then the loads, highest on top: number, seconds and shade, as far as rows go."""
    held = scene.holding
    cell = (held.cell.rpm, held.cell.load) if held else None
    shown = (Same(scene.snapshot.balance), Same(scene.setting), cell, scene.options.ascii)
    return list(_draw_cells(Keyed(scene, shown), view, width, height))


@lru_cache(KEPT_PICTURES)
def _draw_cells(seen: Keyed, view: CellView, width: int, height: int) -> tuple[Row, ...]:
    scene: Scene = seen.it
    axes = scene.setting.session.axes
    speeds: Sequence[float | None] = axes.rpm or (None,)
    loads: Sequence[float | None] = tuple(reversed(axes.load)) or (None,)
    size = min(max((width - _LOAD_CELLS) // len(speeds), _LEAST_CELL), _MOST_CELL)
    window, cut = _speeds_in_sight(scene, view, speeds, max((width - _LOAD_CELLS) // size, 1))
    double = 2 * len(loads) + 1 <= height
    shades = min(max((height - 1) // len(loads) - 2, 0), _MOST_SHADES)
    loads = _loads_in_sight(scene, view, loads, height - 1)
    known = _cell_values(scene.snapshot.balance, view)
    rows = [_heading_row(scene, window, size, width, cut=cut)]
    for load in loads:
        name = "any" if load is None else f"{load:g}"
        top: list[Segment] = [(f"{name:>{_LOAD_CELLS - 2}}  ", "label")]
        below: list[Segment] = [(" " * _LOAD_CELLS, "text")]
        for speed in window:
            first, second = _draw_cell(scene, view, known, (speed, load), size)
            top.append(first)
            below.append(second)
        rows.append(fit_row(top, width))
        if double:
            rows.append(fit_row(below, width))
        shade = [
            (" " * _LOAD_CELLS, "text"),
            *(_shade_cell(scene, known.get((v, load)), size) for v in window),
        ]
        rows += [fit_row(shade, width)] * shades
    return tuple(rows[:height])


_MOST_SHADES = 4
"""Rows of shade below a number. Our choice: with more, number and shade are no longer one."""

_SHADES = ((0.25, "█#"), (0.5, "▓="), (1.0, "▒-"), (math.inf, "░."))
"""Signs of a half interval up to so many percent: the darker the surer. Our choice: half of a usual trim step
is the darkest. The second sign is for terminals with ASCII alone."""


def _shade_legend(scene: Scene) -> str:
    """What the shades mean."""
    ends = (f"{signs[scene.options.ascii]} to {most:g}" for most, signs in _SHADES[:-1])
    return f"half interval %: {'  '.join(ends)}  {_SHADES[-1][1][scene.options.ascii]} more; (s): no trims"


def _shade_cell(scene: Scene, known: tuple[float, float, float, bool] | None, size: int) -> Segment:
    """How sure a cell's need is: the darker the surer; in colour where zero lies outside the interval."""
    if known is None or not math.isfinite(known[1]):
        return (" " * size, "text")
    need, half, _, used = known
    signs = next(signs for most, signs in _SHADES if half <= most)
    sign = signs[1] if scene.options.ascii else signs[0]
    style = "dim" if not used or abs(need) <= half else "shade-lean" if need > 0 else "shade-rich"
    return (" " + sign * (size - 2) + " ", style)


def _speeds_in_sight(
    scene: Scene, view: CellView, speeds: Sequence[float | None], room: int
) -> tuple[Sequence[float | None], str]:
    """The speeds that fit, around the cursor or the held cell; and marks for the ends that are cut."""
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
    """All loads, or those around the cursor or the cell that is held."""
    held = scene.holding
    about = view.cursor[1] if view.cursor else held.cell.load if held else None
    centre = loads.index(about) if about in loads else 0
    first = min(max(centre - room // 2, 0), max(len(loads) - room, 0))
    return loads[first : first + max(room, 0)]


def _heading_row(scene: Scene, speeds: Sequence[float | None], size: int, width: int, *, cut: str) -> Row:
    signal = {"throttle": "thr %", "map_kpa": "kPa"}.get(scene.setting.session.axes.load_signal, "load")
    row: list[Segment] = [(f"{signal:>{_LOAD_CELLS - 2}}{cut[0]} ", "label")]
    row += [(fit(_speed_text(speed), size - 1, right=True) + " ", "label") for speed in speeds]
    tail = f"rpm{cut[1]}"
    return fit_row([*row, (tail, "label")] if len(row) * size + 4 <= width else row, width)


def _speed_text(speed: float | None) -> str:
    return "any" if speed is None else f"{speed:g}"


def _cell_values(balance: Balance | None, view: CellView) -> Mapping[Place, tuple[float, float, float, bool]]:
    """Place -> number, half its interval, seconds, whether it may be trimmed by.

    Where a staging line splits a place, it is the side that the balance is of.
    """
    if balance is None:
        return {}
    if view.spread:
        return {
            (c.rpm, c.load): (c.spread_percent, math.nan, c.usable_s, c.used_for_trims)
            for c in sorted(balance.cell_spreads, key=lambda c: c.used_for_trims)
        }
    return {} if view.cylinder is None else _needs_by_place(Same(balance)).get(view.cylinder, {})


@lru_cache(2)
def _needs_by_place(balance: Same) -> Mapping[int, Mapping[Place, tuple[float, float, float, bool]]]:
    """The same of all cylinders: another one may be chosen at every moment, and the balance stays."""
    found: dict[int, dict[Place, tuple[float, float, float, bool]]] = {}
    for c in sorted(balance.it.cells, key=lambda c: c.used_for_trims):
        values = (c.needs_percent, c.half_interval_percent, c.usable_s, c.used_for_trims)
        found.setdefault(c.cylinder, {})[c.rpm, c.load] = values
    return found


def _draw_cell(
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
        above, below = ("held", _seconds_text(0.0)) if here else (scene.marks.dot, "")
        return (_fit_in_cell(above, size), "dim" if style == "text" else style), (
            _fit_in_cell(below, size),
            style,
        )
    need, half, seconds, used = known[place]
    pm = scene.marks.plus_minus
    number = f"{need:.1f}" if view.spread and math.isfinite(need) else signed(need)
    above = f"{number}{pm}{half_text(half)}" if math.isfinite(half) else number
    if style == "text" and not used:
        style = "gone"
    below = _seconds_text(seconds) if used else f"({_seconds_text(seconds)})"
    return (_fit_in_cell(above, size), style), (_fit_in_cell(below, size), style)


def _seconds_text(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 99.95 else f"{seconds:.0f} s"


def _fit_in_cell(text: str, size: int) -> str:
    return fit(text, size - 1, right=True) + " "


# ----------------------------------------------------------------------------------------------------
# The page.
# ----------------------------------------------------------------------------------------------------

_NAME_CELLS, _NEED_CELLS = 7, 9
"""Cells of the label and of one cylinder's need."""


def balance_page(
    scene: Scene, verdict: LimitVerdict, view: CellView, sheet: Sheet, *, picture: bool = False
) -> list[Row]:
    """Dwell clock, cells, and what follows from them.

    picture  the needs as bars stand in the place of the cells; where there is room they stand beside them
    """
    width, height = sheet.width, sheet.height
    title = "BALANCE spread" if view.spread else f"BALANCE cyl {view.cylinder or '?'}"
    head = [
        status(scene, verdict, width, title=title),
        *dwell_zone(scene, width, height, _shown_below(scene, view)),
    ]
    room = room_below(head, height)
    balance = scene.snapshot.balance
    if balance is not None and has_panes(width, height):
        return framed(head, _pane_rows(scene, balance, view, (width, room), picture=picture), sheet)
    if balance is not None and picture:
        return framed(head, need_picture(scene, balance, view.cylinder, (width, room)), sheet)
    loads = len(scene.setting.session.axes.load) or 1
    foot = _foot_rows(scene, width)[: max(room - loads - 1, 0)]
    grid = cell_rows(scene, view, width, room - len(foot))
    return framed(head, [*padded(grid, width, room - len(foot)), *foot], sheet)


def _pane_rows(
    scene: Scene, balance: Balance, view: CellView, size: tuple[int, int], *, picture: bool
) -> list[Row]:
    """Needs as bars beside the cells, or alone, and what follows below."""
    width, room = size
    foot = _verdict_rows(scene, balance, width)[: max(room - _LEAST_PANE_ROWS, 0)]
    tall = room - len(foot) - 1
    speeds = len(scene.setting.session.axes.rpm) or 1
    map_cells = _LOAD_CELLS + _LEAST_CELL * speeds + len("rpm ")
    left = width if picture else max(min(width * 2 // 5, width - map_cells - PANE_GAP), _LEAST_BARS)
    blocks = [(need_picture(scene, balance, view.cylinder, (left, tall)), left)]
    if not picture:
        right = width - left - PANE_GAP
        what = "spread of all" if view.spread else f"cyl {view.cylinder}: needs % vs {balance.against}"
        grid = cell_rows(scene, view, right, tall - 4)
        grid += [blank(right), fit_row([(f" {_shade_legend(scene)}", "dim")], right)]
        blocks.append((pane(f"WHERE?  {what}", _widest_words(balance, view), grid, right, tall), right))
    return [*panes_beside(blocks, tall), blank(width), *foot]


_LEAST_PANE_ROWS = 12
"""Rows of bars and cells, at least, before anything below them. Our choice: eight cylinders and a scale."""

_LEAST_BARS = 40
"""Cells of the bars beside the cells. Our choice: label, number and a field in which an interval is seen."""

_ONE_DWELL_S = 10.0
"""A further dwell that is spoken of. Our choice: as long as a usual one."""


def _widest_words(balance: Balance, view: CellView) -> str:
    """The cell that is known least, and what ten seconds more there would give at best."""
    cells = [
        c
        for c in balance.cells
        if c.cylinder == view.cylinder and c.used_for_trims and math.isfinite(c.half_interval_percent)
    ]
    if view.spread or not cells:
        return ""
    worst = max(cells, key=lambda c: c.half_interval_percent)
    half, seconds = worst.half_interval_percent, max(worst.usable_s, 1e-9)
    better = half * math.sqrt(seconds / (seconds + _ONE_DWELL_S))
    place = "/".join(f"{x:g}" for x in (worst.rpm, worst.load) if x is not None) or "any cell"
    return (
        f"least sure at {place}: within {half_text(half)} %; "
        f"{_ONE_DWELL_S:g} s more: {half_text(better)} % at best"
    )


def _shown_below(scene: Scene, view: CellView) -> str:
    balance = scene.snapshot.balance
    if balance is None:
        return "no cell has data yet"
    if view.spread:
        return "below: spread; (s): no trims"
    return f"below: vs {balance.against}; (s): no trims"


def _foot_rows(scene: Scene, width: int) -> list[Row]:
    """All cylinders, spread now and after the trims, the trims offered or why there are none."""
    balance = scene.snapshot.balance
    if balance is None:
        return []
    return [*_verdict_rows(scene, balance, width), *_need_rows(scene, balance, width)]


def _verdict_rows(scene: Scene, balance: Balance, width: int) -> list[Row]:
    """Spread now and after the trims, against the target, and why no trims are offered."""
    rows = [_spread_row(scene, balance, width)]
    if total := total_words(balance, scene.marks.plus_minus):
        rows.append(fit_row([(f" {total}", "text")], width))
    for reason in balance.withheld:
        words = wrap(f"no trims offered: {sentence(reason)}", width - 2)
        rows += [fit_row([(f" {line}", "strong")], width) for line in words]
    return rows


def _need_rows(scene: Scene, balance: Balance, width: int) -> list[Row]:
    """Needs of all cylinders with their intervals, as many columns as fit."""
    columns = max((width - _NAME_CELLS) // _NEED_CELLS, 1)
    rows: list[Row] = []
    for start in range(0, len(balance.cylinders), columns):
        names: list[Segment] = [(fit(" cyl", _NAME_CELLS), "label")]
        needs: list[Segment] = [(fit(" needs", _NAME_CELLS), "label")]
        for one in balance.cylinders[start : start + columns]:
            low, high = one.interval95_percent
            half = (
                f"{scene.marks.plus_minus}{half_text((high - low) / 2)}" if math.isfinite(high - low) else ""
            )
            names.append((fit(str(one.cylinder), _NEED_CELLS - 1, right=True) + " ", "strong"))
            needs.append(
                (fit(tall_need(one.needs_percent) + half, _NEED_CELLS - 1, right=True) + " ", "text")
            )
        rows += [fit_row(names, width), fit_row(needs, width)]
    return rows


def _spread_row(scene: Scene, balance: Balance, width: int) -> Row:
    pm = scene.marks.plus_minus
    row: list[Segment] = [(" spread ", "label"), (spread_text(balance.spread), "strong")]
    if not balance.withheld:
        after = spread_text(balance.predicted_spread, count=False)
        row += [("  predicted after trims ", "label"), (after, "strong")]
    if balance.injection_stage is not None:
        row.append((f"  injection stage {balance.injection_stage} alone", "strong"))
    banks = "".join(
        f"  bank {clean(b.bank)} {signed(b.needs_percent)}{pm}{number(b.half_interval_percent)}"
        for b in balance.banks
    )
    if row_width(row) + cells(banks) <= width:
        row.append((banks, "text"))
    return fit_row(row, width)


def spread_text(spread: Spread, *, count: bool = True) -> str:
    """A spread with its interval and the cylinders of which it is; "6 of 8" where some are missing."""
    if not math.isfinite(spread.value):
        return "not known"
    low, high = spread.interval95
    text = f"{spread.value:.1f} % ({low:.1f} to {high:.1f})"
    if not count:
        return text
    some = f" of {spread.of_cylinders}" if spread.cylinders_used < spread.of_cylinders else ""
    return f"{text} of {spread.cylinders_used}{some}"
