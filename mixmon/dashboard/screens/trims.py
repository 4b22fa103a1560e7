"""The trim sheet: the trims to enter into the ECU, their intervals, and what must be done before."""

from __future__ import annotations

import math

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.balance import spread_text
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import NARROW_COLUMNS, Row, blank, clean, fit, fit_row, half_text, signed, wrap
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.balance.balance import Balance, CylinderNeed
from mixmon.report.intervals import total_words
from mixmon.report.words import sentence, sentences
from mixmon.session.evidence import IdentityState

TRIM_CAUTION = (
    "Measure again after. Nothing here senses knock: balanced mixture is not proof of knock margin. The "
    "builder's limits stand."
)

_PROVED = "Fuel steps have shown which cylinder each label sees."
_NOT_PROVED = "Prove each label by a fuel step on a known cylinder before a trim is entered."


_REMARKS_AT = 49
"""The column of the remarks (computed: the widths of the columns before it)."""


def trims_page(scene: Scene, verdict: LimitVerdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """One row a cylinder, then spread and cautions; `first` rows are scrolled away."""
    width, height = sheet.width, sheet.height
    head = [status(scene, verdict, width, title="TRIM SHEET")]
    balance = scene.snapshot.balance
    if balance is None:
        return framed(head, _empty_rows(width), sheet)
    body = _sheet_rows(scene, balance, width, whole=True)
    if len(body) > room_below(head, height):
        body = _sheet_rows(scene, balance, width, whole=False)
        body += _chosen_remark_rows(scene, balance, width)[: max(room_below(head, height) - len(body), 0)]
    return framed(head, body, sheet, first=first)


def _empty_rows(width: int) -> list[Row]:
    words = "no trims offered: no steady time has been counted yet; hold the engine in a cell (b)"
    return [blank(width), *(fit_row([(f"  {line}", "text")], width) for line in wrap(words, width - 4))]


def _sheet_rows(scene: Scene, balance: Balance, width: int, *, whole: bool) -> list[Row]:
    """The table and what must be said; `whole` gives remarks as many lines as they need."""
    offered = not balance.withheld
    if width < NARROW_COLUMNS:
        heading = f" cyl  needs {scene.marks.plus_minus}95 %    now    new"
        rows = [fit_row([(heading, "label")], width)]
        rows += [_narrow_row(scene, one, width, offered=offered) for one in _in_order(scene, balance)]
    else:
        rows = [fit_row([(" cyl  needs % 95 % interval    trim now    new  remarks", "label")], width)]
        for one in _in_order(scene, balance):
            rows += _cylinder_rows(one, width, offered=offered, whole=whole)
    spread = f"spread {spread_text(balance.spread)}"
    step = f"step {scene.setting.session.trims.step_percent:g} %"
    cell = balance.predicted_in
    centre = "/".join(f"{value:g}" for value in (cell.rpm, cell.load) if value is not None) if cell else ""
    where = f" at {centre}" if centre else ""
    after = f", predicted {spread_text(balance.predicted_spread, count=False)}{where}; {step}"
    lines = [f"no trims offered: {sentence(reason)}" for reason in balance.withheld]
    if scene.setting.session.injection.output_order is not None:
        lines.append("in the order of the engine control's outputs, from its first")
    lines += [spread + (after if offered else "")]
    total = total_words(balance, scene.marks.plus_minus)
    lines += [total] if total else []
    on_labels = _PROVED if balance.identity is IdentityState.PROVED else _NOT_PROVED
    lines += [f"{on_labels} {TRIM_CAUTION}", *(f"note: {sentence(note)}" for note in balance.notes)]
    for line in lines:
        style = "strong" if line.startswith("no trims") else "text"
        rows += [fit_row([(f" {part}", style)], width) for part in wrap(line, width - 2)]
    return rows


def _in_order(scene: Scene, balance: Balance) -> list[CylinderNeed]:
    """The cylinders by the engine control's outputs where the session tells them, else by number."""
    order = scene.setting.session.injection.output_order
    return [balance.cylinders[c - 1] for c in order] if order else list(balance.cylinders)


def _chosen_remark_rows(scene: Scene, balance: Balance, width: int) -> list[Row]:
    """All remarks on the chosen cylinder, where the table has no room for those of all."""
    index = scene.chosen()
    cylinders = scene.setting.nodes[index].cylinders if index is not None else ()
    told = [
        f"cyl {one.cylinder}: {sentences(one.flags)}"
        for one in balance.cylinders
        if one.cylinder in cylinders and one.flags
    ]
    return [fit_row([(f" {part}", "strong")], width) for line in told for part in wrap(line, width - 2)]


def _narrow_row(scene: Scene, one: CylinderNeed, width: int, *, offered: bool) -> Row:
    """One cylinder; at the right the new trim, which is never cut."""
    low, high = one.interval95_percent
    half = f"{scene.marks.plus_minus}{half_text((high - low) / 2)}" if math.isfinite(high - low) else "--"
    new = signed(one.trim_new_percent, 2) if offered else "--"
    words = f"{fit(signed(one.needs_percent), 6, right=True)} {fit(half, 5, right=True)} "
    words += fit(signed(one.trim_now_percent, 2), 6, right=True)
    row: Row = ((f"{one.cylinder:>4} ", "strong"), (words, "text"), (f" {fit(new, 6, right=True)}", "strong"))
    return fit_row(row, width)


def _cylinder_rows(one: CylinderNeed, width: int, *, offered: bool, whole: bool) -> list[Row]:
    low, high = one.interval95_percent
    interval = f"{signed(low)} to {signed(high)}" if math.isfinite(low) else "not known"
    new = signed(one.trim_new_percent, 2) if offered else "--"
    changed = offered and one.trim_new_percent != one.trim_now_percent
    remarks = clean(sentences(one.flags))
    room = width - _REMARKS_AT - 1
    first, *more = wrap(remarks, room) if whole and room >= 20 else [remarks]
    numbers: Row = (
        (f"{one.cylinder:>4} ", "strong"),
        (f"{fit(signed(one.needs_percent), 8, right=True)} ", "text"),
        (f"{fit(interval, 16)} ", "text"),
        (f"{fit(signed(one.trim_now_percent, 2), 8, right=True)} ", "text"),
        (f"{fit(new, 6, right=True)}  ", "strong" if changed else "text"),
    )
    return [
        fit_row([*numbers, (first, "text")], width),
        *(fit_row([(" " * _REMARKS_AT, "text"), (line, "text")], width) for line in more),
    ]
