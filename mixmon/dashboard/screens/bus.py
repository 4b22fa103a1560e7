"""The bus and sensors screen: the buses, then the nodes in the order of the chain, then counters and events.

Faults follow the chain: the first node that is missing shows where a wire is open.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.alarms import short_word, value_text
from mixmon.dashboard.screens.events import event_rows, measure
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import (
    NARROW_COLUMNS,
    Row,
    Segment,
    age_text,
    clean,
    fit,
    fit_row,
    letter,
    number,
    row_width,
    state_word,
    wrap,
)
from mixmon.dashboard.text import width as cells
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.mixture.block import SampleState
from mixmon.watch.snapshot import BusNow

# ----------------------------------------------------------------------------------------------------
# The nodes of the chain.
# ----------------------------------------------------------------------------------------------------


_HEADING = " pos  cyl  sensor      state           age   volt  heat %  "


def node_rows(scene: Scene, width: int, order: Sequence[int], *, chosen: int | None = None) -> list[Row]:
    """A heading, then one row for each node; a narrow screen has only place, state and age."""
    if width < NARROW_COLUMNS:
        return [
            fit_row([(" pos  cyl  state           age", "label")], width),
            *(_short_node_row(scene, index, width, chosen=index == chosen) for index in order),
        ]
    return [
        fit_row([(_HEADING + "alarm", "label")], width),
        *(_node_row(scene, index, width, chosen=index == chosen) for index in order),
    ]


def in_chain_order(scene: Scene) -> list[int]:
    """Nodes by their place on the wire."""
    return sorted(range(len(scene.setting)), key=lambda i: scene.setting.nodes[i].position)


def worst_first(scene: Scene) -> list[int]:
    """Nodes that are not valid first, then by their place on the wire."""
    return sorted(in_chain_order(scene), key=scene.counted)


def _node_row(scene: Scene, index: int, width: int, *, chosen: bool) -> Row:
    node, state, now = scene.setting.nodes[index], scene.state(index), scene.snapshot.cylinders
    silent = state is None or state is SampleState.SILENT
    supply, heater = (np.nan if silent else float(x[index]) for x in (now.supply, now.heater))
    return fit_row(
        [
            *_place_segments(scene, index, chosen=chosen),
            (f"{fit(clean(node.sensor or scene.marks.dash), 10)}  ", "text"),
            *_state_segments(scene, index),
            (f"  {fit(number(supply, 2), 5, right=True)}  {fit(number(heater, 0), 6, right=True)}  ", "text"),
            (_alarm_words(scene, index, width - len(_HEADING)), "text"),
        ],
        width,
    )


def _short_node_row(scene: Scene, index: int, width: int, *, chosen: bool) -> Row:
    return fit_row([*_place_segments(scene, index, chosen=chosen), *_state_segments(scene, index)], width)


def _place_segments(scene: Scene, index: int, *, chosen: bool) -> Row:
    mark = scene.marks.chosen if chosen else " "
    return _write_place(mark, scene.setting.nodes[index].position, scene.setting.labels[index])


@lru_cache(256)
def _write_place(mark: str, position: int, label: str) -> Row:
    return ((f"{mark}{position:>3}  ", "strong"), (f"{fit(label, 3, right=True)}  ", "strong"))


def _state_segments(scene: Scene, index: int) -> Row:
    """Letter, word and age."""
    state, over = scene.state(index), index in scene.over()
    valid = state is SampleState.VALID
    style = "text" if valid else "gone-strong"
    words = f"{letter(state, over=over):<2} {fit(state_word(state, over=over), 9)}  "
    return (
        (words, "over-text" if over and valid else style),
        (fit(scene.age(index), 7, right=True), "dim" if valid else style),
    )


def _alarm_words(scene: Scene, index: int, room: int) -> str:
    """The node's most pressing alarm, with its value if it holds and there is room for it."""
    alarm = scene.alarm_at(scene.setting.nodes[index].position)
    if alarm is None:
        return ""
    raised = _raised_text(alarm.value, alarm.limit, alarm.unit) if alarm.value else value_text(alarm)
    return _write_alarm(short_word(alarm), alarm.name, raised, room)


@lru_cache(256)
def _raised_text(value: float, limit: float, unit: str) -> str:
    """What raised an alarm, never zero: one of these stands for as long as its alarm does."""
    return measure(value, limit, unit) if np.isfinite(value) else ""


@lru_cache(256)
def _write_alarm(word: str, name: str, text: str, room: int) -> str:
    value = f"  {text}" if text else ""
    words = f"{word} {clean(name)}"
    return words + value if cells(words) + len(value) <= room else words


# ----------------------------------------------------------------------------------------------------
# The page.
# ----------------------------------------------------------------------------------------------------

_MOST_EVENTS = 6
"""Rows of events at most. Our choice: the nodes are the subject of this screen."""


def bus_page(scene: Scene, verdict: LimitVerdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """Buses, nodes, counters, the newest events; `first` nodes are scrolled away."""
    width, height = sheet.width, sheet.height
    head = [status(scene, verdict, sheet.frame_width, title="BUS & SENSORS")]
    head += [_bus_row(bus, width) for bus in scene.snapshot.buses]
    head += channel_rows(scene, width)[: max(height - len(head) - len(scene.setting) - 3, 0)]
    room = room_below(head, height)
    heading, *nodes = node_rows(scene, width, in_chain_order(scene), chosen=scene.chosen())
    notes = _counter_rows(scene, width)
    shown = nodes[min(first, max(len(nodes) + 1 - room, 0)) :]
    rest = room - 1 - len(shown)
    notes = notes[: max(rest, 0)]
    events = max(min(rest - len(notes) - 1, _MOST_EVENTS), 0)
    line: list[Row] = [((scene.marks.rule * width, "rule"),)] if events else []
    body = [heading, *shown, *notes, *line, *event_rows(scene, width, events)]
    return framed(head, body, sheet)


def _bus_row(bus: BusNow, width: int) -> Row:
    """One bus, as many facts as fit; faults come first."""
    quiet = bus.state in {"active", ""} and not bus.error_frames and not bus.lost
    load = "load not known (no bit rate)" if bus.load_percent is None else f"load {bus.load_percent:.0f} %"
    facts = [load, f"{bus.frames_per_s:.0f} frames/s", f"newest {age_text(bus.newest_age_ns)}"]
    health = [clean(bus.state), f"error frames {bus.error_frames}"]
    health += [] if bus.lost is None else [f"lost {bus.lost}"]
    row: list[Segment] = [(f" {clean(bus.name)}", "strong")]
    ordered = [*((one, "text") for one in facts), *((one, "text" if quiet else "strong") for one in health)]
    if not quiet:
        ordered = ordered[len(facts) :] + ordered[: len(facts)]
    for words, style in ordered:
        if row_width(row) + cells(words) + 2 <= width:
            row.append((f"  {words}", style))
    return fit_row(row, width)


def channel_rows(scene: Scene, width: int) -> list[Row]:
    """The own channels with their values now, as many a row as fit; no rows where there are none."""
    rows: list[Row] = []
    row: list[Segment] = [(" own  ", "label")]
    for name, channel in scene.setting.session.channels.items():
        value = np.nan if scene.dead else scene.snapshot.engine.get(name, np.nan)
        unit = f" {clean(channel.choice.unit)}" if channel.choice.unit else ""
        known = np.isfinite(value)
        digits = ("yes" if value else "no") if channel.choice.equals else value_in_digits(value)
        words = f"{digits}{unit}" if known else "NO DATA"
        if len(row) > 1 and row_width(row) + cells(f"{name} {words}  ") > width:
            rows.append(fit_row(row, width))
            row = [("      ", "label")]
        row += [(f"{name} ", "dim"), (f"{words}  ", "text" if known else "gone-strong")]
    return [*rows, fit_row(row, width)] if scene.setting.session.channels else []


def value_in_digits(value: float) -> str:
    """A value of any size in three digits or more.

    >>> [value_in_digits(x) for x in (812.34, 14.06, 1.4567, -0.05)]
    ['812', '14.1', '1.46', '-0.05']
    """
    return number(value, 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2)


def _counter_rows(scene: Scene, width: int) -> list[Row]:
    """All counters of frames that were taken or dropped, and cylinders without a sensor."""
    shown = scene.snapshot
    parts = [f"{_group_thousands(shown.frames)} frames"]
    if shown.late_by_clock:
        parts.append(f"{shown.late_by_clock} too late to be placed")
    parts += [f"{clean(name)} {_group_thousands(count)}" for name, count in shown.counters.items() if count]
    lines = wrap("counted: " + ", ".join(parts), width - 2)
    if scene.setting.sensorless:
        lines += wrap("no sensor at cylinder " + ", ".join(map(str, scene.setting.sensorless)), width - 2)
    return [fit_row([(f" {line}", "dim")], width) for line in lines]


def _group_thousands(count: int) -> str:
    return f"{count:,}".replace(",", " ")
