"""The chain, node by node, in the order of the wire: faults follow the chain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, clean, fit, fit_row, letter, number, state_word
from mixmon.dashboard.text import width as cells
from mixmon.dashboard.view_alarms import short_word, value_now
from mixmon.dashboard.view_events import measure
from mixmon.mixture.block import SampleState

_NARROW = 60
_HEADING = " pos  cyl  sensor      state           age   volt  heat %  "


def node_rows(scene: Scene, width: int, order: Sequence[int], *, chosen: int | None = None) -> list[Row]:
    """A heading, then one row a node; on a narrow screen without what stands on the sensor's own frames."""
    if width < _NARROW:
        return [
            fit_row([(" pos  cyl  state           age", "label")], width),
            *(_short_row(scene, index, width, chosen=index == chosen) for index in order),
        ]
    return [
        fit_row([(_HEADING + "alarm", "label")], width),
        *(_row(scene, index, width, chosen=index == chosen) for index in order),
    ]


def in_chain_order(scene: Scene) -> list[int]:
    """Nodes by their place on the wire."""
    return sorted(range(len(scene.setting)), key=lambda i: scene.setting.nodes[i].position)


def worst_first(scene: Scene) -> list[int]:
    """Nodes that are not valid first, then by their place on the wire."""
    return sorted(in_chain_order(scene), key=scene.counted)


def _row(scene: Scene, index: int, width: int, *, chosen: bool) -> Row:
    node, state, now = scene.setting.nodes[index], scene.state(index), scene.snapshot.cylinders
    silent = state is None or state is SampleState.SILENT
    supply, heater = (np.nan if silent else float(x[index]) for x in (now.supply, now.heater))
    return fit_row(
        [
            *_place(scene, index, chosen=chosen),
            (f"{fit(clean(node.sensor or scene.marks.dash), 10)}  ", "text"),
            *_standing(scene, index),
            (f"  {fit(number(supply, 2), 5, right=True)}  {fit(number(heater, 0), 6, right=True)}  ", "text"),
            (_alarm(scene, index, width - len(_HEADING)), "text"),
        ],
        width,
    )


def _short_row(scene: Scene, index: int, width: int, *, chosen: bool) -> Row:
    return fit_row([*_place(scene, index, chosen=chosen), *_standing(scene, index)], width)


def _place(scene: Scene, index: int, *, chosen: bool) -> Row:
    mark = scene.marks.chosen if chosen else " "
    return (
        (f"{mark}{scene.setting.nodes[index].position:>3}  ", "strong"),
        (f"{fit(scene.setting.labels[index], 3, right=True)}  ", "strong"),
    )


def _standing(scene: Scene, index: int) -> Row:
    """Letter, word and age."""
    state, over = scene.state(index), index in scene.over()
    valid = state is SampleState.VALID
    style = "text" if valid else "gone-strong"
    words = f"{letter(state, over=over):<2} {fit(state_word(state, over=over), 9)}  "
    return (
        (words, "over-text" if over and valid else style),
        (fit(scene.age(index), 7, right=True), "dim" if valid else style),
    )


def _alarm(scene: Scene, index: int, room: int) -> str:
    """The node's most pressing alarm, with its value if it holds and there is room for it."""
    position = scene.setting.nodes[index].position
    for alarm in scene.alarms():
        if alarm.position == position:
            value = f"  {measure(value_now(scene, alarm), alarm.unit)}" if alarm.active else ""
            words = f"{clean(alarm.rule.name)} {short_word(alarm)}"
            return words + value if cells(words) + len(value) <= room else words
    return ""
