"""The chain, node by node, in the order of the wire: faults follow the chain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mixmon.dashboard.view_events import measure
from mixmon.dashboard.view_limits import NOT_ACCEPTED
from mixmon.dashboard.view_marks import letter, state_word
from mixmon.dashboard.view_numbers import number
from mixmon.dashboard.view_scene import Scene
from mixmon.dashboard.view_text import Row, clean, fit, fit_row
from mixmon.mixture.block import SampleState

_HEADING = " pos  cyl  sensor      state           age   volt  heat %  "


def node_rows(scene: Scene, width: int, order: Sequence[int], *, chosen: int | None = None) -> list[Row]:
    """A heading, then one row a node."""
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
    node, state = scene.setting.nodes[index], scene.state(index)
    over = index in scene.over()
    now = scene.snapshot.cylinders
    valid = state is SampleState.VALID
    style = "text" if valid else "gone-strong"
    silent = state is None or state is SampleState.SILENT
    supply, heater = (np.nan if silent else float(x[index]) for x in (now.supply, now.heater))
    mark = scene.marks.chosen if chosen else " "
    return fit_row(
        [
            (f"{mark}{node.position:>3}  ", "strong"),
            (f"{fit(scene.setting.labels[index], 3, right=True)}  ", "strong"),
            (f"{fit(clean(node.sensor or scene.marks.dash), 10)}  ", "text"),
            (
                f"{letter(state, over=over):<2} {fit(state_word(state, over=over), 9)}  ",
                "over-text" if over and valid else style,
            ),
            (f"{fit(scene.age(index), 7, right=True)}  ", "dim" if valid else style),
            (f"{fit(number(supply, 2), 5, right=True)}  {fit(number(heater, 0), 6, right=True)}  ", "text"),
            (_alarm(scene, index), "text"),
        ],
        width,
    )


def _alarm(scene: Scene, index: int) -> str:
    """The node's most pressing alarm, with its value if it holds."""
    position = scene.setting.nodes[index].position
    for alarm in scene.alarms():
        if alarm.position == position:
            value = f" {measure(alarm.value, alarm.unit)}" if alarm.active else ""
            word = "not accepted" if alarm.state in NOT_ACCEPTED and not alarm.flags else alarm.word
            return f"P{alarm.rule.priority} {clean(alarm.rule.name)}{value}, {word}"
    return ""
