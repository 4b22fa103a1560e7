"""What lies under the pointer: a key of the last line, a cylinder, a cell, a line, an alarm, a check.

A screen is asked by drawing it: what is marked as chosen at that place, once a candidate is chosen, is what
lies there. So a screen that is arranged anew needs nothing here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from mixmon.dashboard.keys import PICTURED_PAGES, Page
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens import checks
from mixmon.dashboard.screens.pages import State, draw
from mixmon.dashboard.text import Row
from mixmon.dashboard.text import width as cells

_KEY_NAMES = {"space": " ", "esc": "escape", "ctrl-l": "ctrl+l", "ctrl-z": "ctrl+z"}
"""What a key's name on the last line is as a key; of others the first character counts."""

_NO_KEYS = frozenset({"arrows", "0-9"})
"""Names that stand for several keys."""


def pressed_by(name: str) -> tuple[str, ...]:
    """The keys that a name of the last line or the help stands for, each as it is pressed.

    >>> pressed_by("space"), pressed_by("p P"), pressed_by("q q"), pressed_by("arrows")
    ((' ',), ('p', 'P'), ('q',), ())
    """
    if name in _NO_KEYS:
        return ()
    return tuple(_KEY_NAMES.get(one, one) for one in dict.fromkeys(name.split()))


def key_at(row: Row, x: int) -> str | None:
    """The key whose name or words stand at column `x` of the line of keys; None between them."""
    at, name = 0, ""
    for text, style in row:
        at += cells(text)
        if style == "key":
            name = text
        if x < at:
            return next(iter(pressed_by(name)), None) if name and text.strip() else None
        if style != "key":
            name = ""
    return None


def choice_at(scene: Scene, state: State, size: tuple[int, int], x: int, y: int) -> State | None:
    """The state in which what lies at column `x` of row `y` is chosen; None where nothing can be."""
    if state.page is Page.EVENTS:
        return _event_at(scene, state, size, y)
    for candidate in _candidates(scene, state):
        row = _draw_as(scene, candidate, size)[y]
        if _is_marked(row, scene.marks.chosen, x, by_cell=state.page is Page.BALANCE):
            return candidate
    return _nearest_drawn(scene, state, size, x, y) if state.page in PICTURED_PAGES else None


_NEAR_ROWS = 3
"""Rows from the pointer to a line that is meant, and as much across. Our choice: a hand in a glove."""


def _nearest_drawn(scene: Scene, state: State, size: tuple[int, int], x: int, y: int) -> State | None:
    """The state with the cylinder whose line or bar is nearest to the pointer; None where none is near."""
    found: list[tuple[float, State]] = []
    for candidate in _each_cylinder(scene, state):
        rows = _draw_as(scene, candidate, size)
        near = range(max(y - _NEAR_ROWS, 0), min(y + _NEAR_ROWS + 1, len(rows) - 1))
        away = (math.hypot(j - y, _cells_away(rows[j], x) * CELL_SHARE) for j in near)
        found.append((min(away, default=math.inf), candidate))
    nearest, chosen = min(found, key=lambda one: one[0])
    return chosen if nearest <= _NEAR_ROWS else None


CELL_SHARE = 0.5
"""Width of a cell in its heights: usual fonts (common practice, no source)."""


def _cells_away(row: Row, x: int) -> float:
    """Cells from column x to what is drawn of the chosen cylinder in a row; infinite where nothing is."""
    at, nearest = 0, math.inf
    for text, style in row:
        begin, at = at, at + cells(text)
        if style == "picked":
            drawn = (begin + i for i, char in enumerate(text) if not char.isspace())
            nearest = min(nearest, *(abs(place - x) for place in drawn), math.inf)
    return nearest


def _each_cylinder(scene: Scene, state: State) -> Iterator[State]:
    """The states with one cylinder of each node chosen."""
    for node in scene.setting.nodes:
        yield replace(state, options=replace(state.options, chosen=node.cylinders[0]))


def _candidates(scene: Scene, state: State) -> Iterator[State]:
    """The states of which one may be meant by a place on this screen."""
    if state.page in {Page.WATCH, Page.PULLS, Page.BUS}:
        yield from _each_cylinder(scene, state)
    elif state.page is Page.BALANCE:
        axes = scene.setting.session.axes
        for rpm in axes.rpm or (None,):
            for load in axes.load or (None,):
                yield replace(state, cursor=(rpm, load))
    elif state.page is Page.ALARMS:
        for alarm in scene.alarms():
            yield replace(state, alarm=(alarm.rule.name, alarm.position))
    elif state.page is Page.CHECKS:
        for check in range(len(checks.CHECK_LIST)):
            yield replace(state, check=check)


def _draw_as(scene: Scene, state: State, size: tuple[int, int]) -> Sequence[Row]:
    shown = replace(state, prompt=None, message="")
    return draw(replace(scene, options=state.options), shown, *size)


def _is_marked(row: Row, mark: str, x: int, *, by_cell: bool) -> bool:
    """Whether the row has the mark, or the style of what is chosen, `by_cell`: at that column."""
    at, styled = 0, False
    for text, style in row:
        begin, at = at, at + cells(text)
        if style == "chosen":
            styled = styled or not by_cell or begin <= x < at
    return styled or (not by_cell and "".join(text for text, _ in row).lstrip().startswith(mark))


def _event_at(scene: Scene, state: State, size: tuple[int, int], y: int) -> State | None:
    """The list with the line of row `y` chosen: as many lines below the one that is marked."""
    rows = _draw_as(scene, state, size)
    begins = ["".join(text for text, _ in row).lstrip()[:1] for row in rows]
    if scene.marks.chosen not in begins or y >= len(rows) - 1 or not begins[y]:
        return None
    first = state.first + y - begins.index(scene.marks.chosen)
    return replace(state, first=first) if first >= 0 else None
