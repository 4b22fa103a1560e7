"""The check list: one line a check with its evidence; below, what to do about the chosen one."""

from __future__ import annotations

from mixmon.dashboard.checks import CHECKS, Finding, Stand, findings
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.text import Row, clean, fit, fit_row, wrap
from mixmon.dashboard.verdict import Verdict
from mixmon.dashboard.view_status import Sheet, framed, room_below, status

_NAME, _NARROW = 34, 60
_STYLES = {Stand.FAILED: "strong", Stand.OPEN: "strong", Stand.PASSED: "text", Stand.SKIPPED: "dim"}


def checks_page(scene: Scene, verdict: Verdict, chosen: int, sheet: Sheet) -> list[Row]:
    """All checks, and the chosen one's step."""
    width = sheet.width
    found = findings(scene)
    count = {stand: sum(one is stand for one, _ in found) for stand in Stand}
    totals = f" passed {count[Stand.PASSED]}   open {count[Stand.OPEN]}   failed {count[Stand.FAILED]}"
    skipped = f"   skipped {count[Stand.SKIPPED]}" if count[Stand.SKIPPED] else ""
    head = [
        status(scene, verdict, width, title="CHECK LIST"),
        fit_row([(totals + skipped, "text")], width),
    ]
    rows = [_row(scene, i, one, width, chosen=i == chosen) for i, one in enumerate(found)]
    step = _step(scene, chosen, found[chosen], width)
    room = room_below(head, sheet.height)
    step = step[: max(room - len(rows), min(3, room // 2))]
    first = min(max(chosen - (room - len(step)) // 2, 0), max(len(rows) - (room - len(step)), 0))
    return framed(head, [*rows[first : first + room - len(step)], *step], sheet)


def _row(scene: Scene, index: int, found: Finding, width: int, *, chosen: bool) -> Row:
    stand, evidence = found
    mark = scene.marks.chosen if chosen else " "
    name = CHECKS[index].name
    return fit_row(
        [
            (f"{mark}{index + 1:>2} ", "strong"),
            (f"{stand.value:<5} ", _STYLES[stand]),
            (fit(name, _NAME) if width >= _NARROW else name, "strong" if chosen else "text"),
            (f"  {clean(evidence)}" if width >= _NARROW else "", "dim"),
        ],
        width,
    )


def _step(scene: Scene, index: int, found: Finding, width: int) -> list[Row]:
    """What to do, and the whole of the evidence where its line may have cut it."""
    rows: list[Row] = [((scene.marks.rule * width, "rule"),)]
    lines = wrap(f"step {index + 1}: {CHECKS[index].todo}", width - 2)
    lines += wrap(f"found: {found[1]}", width - 2)
    return rows + [fit_row([(f" {line}", "text")], width) for line in lines]
