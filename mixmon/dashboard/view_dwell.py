"""The dwell clock: which cell is held, and for how many seconds more; large enough for two metres."""

from __future__ import annotations

import math

from mixmon.dashboard.digits import big, big_width, size_for
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, Segment, clean, fit, fit_row
from mixmon.mixture.steady import Cell
from mixmon.snapshot import Holding

_GAP = 3
_LEAST_WORDS = 24
_UNITS = {"throttle": "% throttle", "map_kpa": "kPa"}


def dwell_zone(scene: Scene, width: int, height: int, about: str) -> list[Row]:
    """Labels, then large digits with the words beside them: a row more than digits are tall.

    height: of the whole terminal; about: what the cells below show
    """
    size = size_for(height)
    fields = _fields(scene)
    words = [*_words(scene), (about, "label")]
    while fields and _width(fields, size) + _LEAST_WORDS > width:
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
        label += [(fit(name, cells), "label"), (" " * _GAP, "text")]
        digits = big(value, size, ascii_only=scene.options.ascii)
        for row, line in zip(rows, digits, strict=True):
            row += [(fit(line, cells, right=True), "big"), (" " * _GAP, "text")]
    for row, word in zip(rows, words, strict=True):
        row.append(word)
    return [fit_row(row, width) for row in (label, *rows)]


def _width(fields: list[tuple[str, str, str]], size: int) -> int:
    return 1 + sum(big_width(widest, size) + _GAP for _, _, widest in fields)


def _fields(scene: Scene) -> list[tuple[str, str, str]]:
    """Name, value and widest value of what is drawn large: seconds more, speed and load of the cell."""
    held = scene.holding
    axes = scene.setting.session.axes
    left = "- -"
    if held is not None:
        wait = held.settle_s if held.settle_s > 0 else held.left_s
        left = "- -" if wait is None else f"{min(max(math.ceil(wait), 0), 999)}"
    fields = [("HOLD s more", left, "888")]
    if axes.rpm:
        fields.append(("rpm", _name(held.cell.rpm if held else None), "8888"))
    if axes.load:
        fields.append((axes.load_signal, _name(held.cell.load if held else None), "888"))
    return fields


def _name(centre: float | None) -> str:
    return "- -" if centre is None else f"{centre:.0f}"


def _words(scene: Scene) -> list[tuple[str, str]]:
    held = scene.holding
    if scene.dead:
        return [("not known", "strong"), ("the analysis does not go on", "dim")]
    if held is None:
        return [("not steady", "strong"), ("hold speed and load in one cell", "dim")]
    if held.settle_s > 0:
        return [("settling", "text"), ("nothing is counted yet", "dim")]
    return [(f"{held.used_s:.1f} s counted", "text"), (_until(scene, held), "strong")]


def _until(scene: Scene, held: Holding) -> str:
    """What the dwell still lacks, and whose it is."""
    wanted = f"{scene.marks.plus_minus}{held.wanted_percent:g} %"
    if held.left_s is None:
        return f"too early to tell until {wanted}"
    if held.left_s <= 0:
        return f"done: all within {wanted}"
    who = "" if held.worst is None else f", cyl {held.worst}"
    bar = filled(held.used_s / (held.used_s + held.left_s), 8, scene.marks.full, scene.marks.empty)
    return f"{bar} {math.ceil(held.left_s)} s to {wanted}{who}"


def _cell(cell: Cell, scene: Scene) -> str:
    rpm = "" if cell.rpm is None else f"{cell.rpm:g} rpm"
    name = scene.setting.session.axes.load_signal
    load = "" if cell.load is None else f"{cell.load:g} {_UNITS.get(name, clean(name))}"
    return ", ".join(part for part in (rpm, load) if part) or "any cell"


def dwell_row(scene: Scene, width: int) -> Row:
    """The same in one line."""
    first, second = _words(scene)
    held = scene.holding
    cell: Row = (
        ((f" HOLD {_cell(held.cell, scene)} ", "cell-held"), ("  ", "text")) if held else ((" ", "text"),)
    )
    return fit_row([*cell, (f"{first[0]}  ", first[1]), second], width)


def filled(done: float, cells: int, full: str, empty: str) -> str:
    """A bar of that many cells, filled by a share between 0 and 1.

    >>> filled(0.5, 6, "#", ".")
    '###...'
    """
    count = min(max(round(cells * done), 0), cells) if math.isfinite(done) else 0
    return full * count + empty * (cells - count)
