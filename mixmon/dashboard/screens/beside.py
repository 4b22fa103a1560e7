"""Pictures beside a screen of rows: alarms, trims, the chain.

The screen itself knows nothing of them: it is drawn for the part of the width that it gets, and its first
and its last line for the whole of it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from mixmon.dashboard.pictures.balance_bars import trim_picture
from mixmon.dashboard.pictures.chain import gaps_picture, has_cut, response_picture, volts_picture
from mixmon.dashboard.pictures.plot import PANE_GAP, has_panes, nothing_to_draw, panes_beside
from mixmon.dashboard.pictures.traces import Size, alarm_picture
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.status import LEAST_ROWS_FOR_KEYS, Sheet
from mixmon.dashboard.text import Row, padded

_LEAST_ROWS_CELLS: Final = 76
"""Cells of the rows beside a picture, at least. Our choice: tables keep their columns, and a picture has
forty-two at 120."""

_MOST_ALARM_ROWS: Final = 36
"""Our choice: a taller trace says no more."""

Drawing = Callable[[Size], list[Row]]
"""What draws a picture in cells and rows."""


def with_picture(
    draw: Callable[[Sheet], list[Row]], picture: Drawing, sheet: Sheet, *, alone: bool
) -> list[Row]:
    """A screen with its picture beside it where there is room; `alone`: with the picture in its place."""
    width, height = sheet.width, sheet.height
    if height < LEAST_ROWS_FOR_KEYS or not (alone or has_panes(width, height)):
        return draw(sheet)
    room = height - 2
    if alone:
        first, *_, last = draw(sheet)
        rows = picture((width, room)) or nothing_to_draw(
            "the terminal is too small for a picture", width, room
        )
        return [first, *padded(rows, width, room), last]
    left = max(_LEAST_ROWS_CELLS, width * 3 // 5)
    right = width - left - PANE_GAP
    first, *body, last = draw(Sheet(left, height, sheet.keys, frame=width))
    return [
        first,
        *panes_beside([(body, left), (padded(picture((right, room)), right, room), right)], room),
        last,
    ]


def picture_of_alarm(scene: Scene, chosen: int) -> Drawing:
    """The minute around the alarm that is chosen in the list."""

    def draw(size: Size) -> list[Row]:
        width, height = size[0], min(size[1], _MOST_ALARM_ROWS)
        alarms = scene.alarms()
        alarm = alarms[min(chosen, len(alarms) - 1)] if alarms else None
        node = scene.setting.index_at.get(alarm.position) if alarm is not None else None
        if alarm is None or node is None or alarm.since is None:
            words = "no alarm" if alarm is None else "no picture: the alarm is of no single cylinder"
            return nothing_to_draw(words, width, height)
        return alarm_picture(scene, alarm.since, node, (alarm.rule.name, alarm.limit), (width, height))

    return draw


def picture_of_trims(scene: Scene) -> Drawing:
    """Needs now, and after the new trims."""
    balance = scene.snapshot.balance
    return lambda size: [] if balance is None else trim_picture(scene, balance, size)


def picture_of_chain(scene: Scene) -> Drawing:
    """Volts, silences and the step of the chosen sensor, one below the other, or two and one."""
    node = scene.chosen() or 0

    def draw(size: Size) -> list[Row]:
        width, height = size
        if height >= _THREE_HIGH:
            cut = has_cut(scene)
            gaps = min(
                len(scene.setting) + 2, height - (2 * _LEAST_PANE if cut else _LEAST_PANE + _WORDS_PANE)
            )
            step = (height - gaps) // 2 if cut else _WORDS_PANE
            return [
                *volts_picture(scene, (width, height - gaps - step)),
                *gaps_picture(scene, (width, gaps)),
                *response_picture(scene, node, (width, step)),
            ]
        half = (width - PANE_GAP) // 2
        top = height // 2
        low = response_picture(scene, node, (half, height - top))
        left = [*volts_picture(scene, (half, top)), *low]
        return panes_beside([(left, half), (gaps_picture(scene, (half, height)), half)], height)

    return draw


_LEAST_PANE, _WORDS_PANE = 9, 8
"""Rows of a picture below another at least, and of one that has words alone. Our choice."""

_THREE_HIGH: Final = 30
"""Rows for three pictures, one below the other. Our choice: each still has a scale of some numbers."""
