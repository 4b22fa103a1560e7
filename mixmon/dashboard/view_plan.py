"""The engine seen from above: a box a cylinder, bank beside bank, in the order of the session file.

Which end of the engine is in front is not known to the program; it draws each bank's first
cylinder at the top.
"""

from __future__ import annotations

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, Segment, beside, fit, fit_row, letter, side, signed
from mixmon.dashboard.view_rails import need_style

LEAST_WIDTH = 18
_MOST_BOX = 18
_BOXED, _LINED = 3, 1
"""Rows of a cylinder with and without a box."""


def plan_rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Bank names, then the cylinders, boxed if there is room; fewer than all are never drawn."""
    banks = scene.setting.banks
    most = max(len(nodes) for _, nodes in banks)
    named = any(name for name, _ in banks)
    each = _BOXED if most * _BOXED + 1 + named <= height else _LINED
    box = min((width - 2 * (len(banks) - 1)) // len(banks), _MOST_BOX)
    columns: list[tuple[list[Row], int]] = []
    for name, nodes in banks:
        rows = [fit_row([(f" bank {name}" if name else " ", "label")], box)] if named else []
        for index in nodes:
            rows += _boxed(scene, index, box) if each == _BOXED else [_lined(scene, index, box)]
        columns += [(rows, box), ([], 2)]
    title = fit_row([("FROM ABOVE  needs %", "label")], width)
    body = beside(columns[:-1], max(len(rows) for rows, _ in columns))
    return [title, *(fit_row(row, width) for row in body)][:height]


def _lined(scene: Scene, index: int, width: int) -> Row:
    return fit_row(_content(scene, index), width)


def _boxed(scene: Scene, index: int, width: int) -> list[Row]:
    marks = scene.marks
    lean = scene.leanest()[0] == index
    style = "strong" if lean else "rule"
    line = marks.rule * (width - 2)
    left, right, low_left, low_right = tuple(marks.corners)
    middle = fit_row(_content(scene, index), width - 2)
    return [
        ((f"{left}{line}{right}", style),),
        ((marks.upright, style), *middle, (marks.upright, style)),
        ((f"{low_left}{line}{low_right}", style),),
    ]


def _content(scene: Scene, index: int) -> list[Segment]:
    counted, over = scene.counted(index), index in scene.over()
    need = scene.need(index)
    style = need_style(counted=counted, over=over)
    return [
        (f"{fit(scene.setting.labels[index], scene.setting.label_width, right=True)} ", "strong"),
        (f"{fit(signed(need), 5, right=True)} {side(need)}", style),
        (f" {letter(scene.state(index), over=over):<2}", style if counted else "gone-strong"),
    ]
