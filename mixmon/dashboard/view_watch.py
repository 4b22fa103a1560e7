"""The watch screen: everything at once where there is room, and what must not be missing where there is none.

What goes first on a small screen: rules and captions, then the strip, events, keys. What never
goes: the limit word, the leanest cylinder, NO DATA, and each cylinder's number and letter as long
as there is a row for them.
"""

from __future__ import annotations

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, beside, padded
from mixmon.dashboard.verdict import Verdict, Word
from mixmon.dashboard.view_cells import CellView, cell_rows
from mixmon.dashboard.view_dwell import dwell_row
from mixmon.dashboard.view_events import event_rows
from mixmon.dashboard.view_far import caption, far_plan, far_zone
from mixmon.dashboard.view_nodes import node_rows, worst_first
from mixmon.dashboard.view_plan import plan_rows
from mixmon.dashboard.view_rails import grid_rows, half_rails, plain_rows, rail_rows
from mixmon.dashboard.view_status import Sheet, keys_line, status
from mixmon.dashboard.view_strip import LEAST_HEIGHT, LEAST_WIDTH, strip_rows

NARROW = 80
"""Fewer columns have no rails."""

WIDE, HIGH = 160, 45
"""From here on everything is shown at once."""

_STRIP_ROWS, _EVENT_ROWS = 18, 5


def watch_page(scene: Scene, verdict: Verdict, sheet: Sheet) -> list[Row]:
    """The whole screen: `height` rows of `width` cells."""
    width, height = sheet.width, sheet.height
    plan = far_plan(width, height, scene.setting.label_width)
    head = [status(scene, verdict, width, far=plan.has_word)]
    if height < len(head) + plan.tall + 1 + 1:
        return padded([status(scene, verdict, width), *grid_rows(scene, width, height - 1)], width, height)
    zone = far_zone(scene, verdict, width, plan)
    if width >= WIDE and height >= HIGH:
        return _everything(scene, verdict, [*head, *zone], sheet)
    return _stack(scene, verdict, [*head, *zone], sheet)


def _stack(scene: Scene, verdict: Verdict, top: list[Row], sheet: Sheet) -> list[Row]:
    """One thing below the other; room is dealt out by importance."""
    width, height = sheet.width, sheet.height
    cylinders = _cylinders(scene, width, height - len(top))
    room = height - len(top) - len(cylinders)
    bottom = [keys_line(sheet.keys, width)] if room >= 1 and height >= 12 else []
    room -= len(bottom)
    asked = verdict.word in {Word.LOOK, Word.NO_DATA}
    events = min(room, 0 if asked and room == 1 else 1)
    room -= events
    why = [caption(scene, verdict, width)] if room >= 1 else []
    room -= len(why)
    rules = min(max(room - 1, 0), 2)
    room -= rules
    strip: list[Row] = []
    if width >= max(LEAST_WIDTH, NARROW) and room >= LEAST_HEIGHT + 4:
        strip = strip_rows(scene, width, min(max(room - _EVENT_ROWS, LEAST_HEIGHT), _STRIP_ROWS))
        room -= len(strip)
    events += max(room, 0)
    line = rule(scene, width)
    return padded(
        [
            *top,
            *why,
            *([line] if rules > 0 else []),
            *cylinders,
            *strip,
            *([line] if rules > 1 else []),
            *event_rows(scene, width, events),
            *bottom,
        ],
        width,
        height,
    )


def _cylinders(scene: Scene, width: int, room: int) -> list[Row]:
    """Rails if they fit, then rails in two columns, then numbers in a grid."""
    if len(scene.setting) + 1 <= room:
        return rail_rows(scene, width) if width >= NARROW else plain_rows(scene, width)
    if width >= NARROW and -(-len(scene.setting) // 2) + 1 <= room:
        return half_rails(scene, width)
    return grid_rows(scene, width, room)


def rule(scene: Scene, width: int) -> Row:
    """A line across."""
    return ((scene.marks.rule * width, "rule"),)


def _everything(scene: Scene, verdict: Verdict, top: list[Row], sheet: Sheet) -> list[Row]:
    """Rails, strip and plan; cells and nodes; events; keys."""
    width, height = sheet.width, sheet.height
    line = rule(scene, width)
    middle = _middle(scene, width, height)
    lower = _lower(scene, width, height)
    head = [*top, caption(scene, verdict, width), line, *middle, line, *lower, line]
    events = event_rows(scene, width, max(height - len(head) - 1, 0))
    return padded([*head, *events, keys_line(sheet.keys, width)], width, height)


def _middle(scene: Scene, width: int, height: int) -> list[Row]:
    """Rails to the left, the strip, the engine from above."""
    banks = len(scene.setting.banks)
    plan = min(max(20 * banks, 24), width // 5)
    strip = min(60, (width - plan) // 3)
    rails = width - strip - plan - 4
    rows = max(min(len(scene.setting) + 2, height // 2), 15)
    return beside(
        [
            (rail_rows(scene, rails)[:rows], rails),
            ([], 2),
            (strip_rows(scene, strip, rows), strip),
            ([], 2),
            (plan_rows(scene, plan, rows), plan),
        ],
        rows,
    )


def _lower(scene: Scene, width: int, height: int) -> list[Row]:
    """Cells with the dwell clock to the left, the chain to the right."""
    index = scene.chosen()
    cylinder = scene.setting.nodes[index].cylinders[0] if index is not None else None
    left = (width - 2) * 11 // 20
    right = width - 2 - left
    loads = len(scene.setting.session.axes.load) or 1
    rows = max(min(max(len(scene.setting) + 1, 2 * loads + 3), height // 4 + 2), 8)
    whose = f"CELLS cyl {cylinder}: needs % vs peers, 95 % interval, seconds" if cylinder else "CELLS"
    view = CellView(cylinder)
    cells = [((whose, "label"),), dwell_row(scene, left), *cell_rows(scene, view, left, rows - 2)]
    nodes = node_rows(scene, right, worst_first(scene))
    return beside([(padded(cells, left, rows), left), ([], 2), (nodes[:rows], right)], rows)
