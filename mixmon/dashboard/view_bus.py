"""Bus and sensors: the wires first, then the chain in the order of the wire."""

from __future__ import annotations

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, Segment, age_text, clean, fit_row, row_width, wrap
from mixmon.dashboard.text import width as cells
from mixmon.dashboard.verdict import Verdict
from mixmon.dashboard.view_events import event_rows
from mixmon.dashboard.view_nodes import in_chain_order, node_rows
from mixmon.dashboard.view_status import Sheet, framed, room_below, status
from mixmon.snapshot import BusNow

_MOST_EVENTS = 6


def bus_page(scene: Scene, verdict: Verdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """Buses, nodes, counters, the newest events; `first` nodes are scrolled away."""
    width, height = sheet.width, sheet.height
    head = [status(scene, verdict, width, title="BUS & SENSORS")]
    head += [_bus(bus, width) for bus in scene.snapshot.buses]
    room = room_below(head, height)
    heading, *nodes = node_rows(scene, width, in_chain_order(scene), chosen=scene.chosen())
    notes = _counters(scene, width)
    shown = nodes[min(first, max(len(nodes) + 1 - room, 0)) :]
    rest = room - 1 - len(shown)
    notes = notes[: max(rest, 0)]
    events = max(min(rest - len(notes) - 1, _MOST_EVENTS), 0)
    line: list[Row] = [((scene.marks.rule * width, "rule"),)] if events else []
    body = [heading, *shown, *notes, *line, *event_rows(scene, width, events)]
    return framed(head, body, sheet)


def _bus(bus: BusNow, width: int) -> Row:
    """As much of it as fits, what is wrong first."""
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


def _counters(scene: Scene, width: int) -> list[Row]:
    """What has been counted: nothing is dropped silently."""
    shown = scene.snapshot
    parts = [f"{_grouped(shown.frames)} frames"]
    if shown.late_by_clock:
        parts.append(f"{shown.late_by_clock} too late to be placed")
    parts += [f"{clean(name)} {_grouped(count)}" for name, count in shown.counters.items() if count]
    lines = wrap("counted: " + ", ".join(parts), width - 2)
    if scene.setting.sensorless:
        lines += wrap("no sensor at cylinder " + ", ".join(map(str, scene.setting.sensorless)), width - 2)
    return [fit_row([(f" {line}", "dim")], width) for line in lines]


def _grouped(count: int) -> str:
    return f"{count:,}".replace(",", " ")
