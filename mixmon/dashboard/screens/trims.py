"""The trim sheet: what to type, in the engine control's order, how sure and why; what must be done before.

It draws the `TrimSheet` that `mixmon trims` prints. Where trims are withheld the reasons stand above the
table, each with the shortest way to lift it, and no new value is shown.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Final

from mixmon.dashboard.pictures.plot import Same
from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.balance import spread_text
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import (
    NARROW_COLUMNS,
    Row,
    blank,
    clean,
    fit,
    fit_row,
    half_text,
    signed,
    wrap,
)
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.findings.balance.balance import Balance
from mixmon.findings.balance.notes import BalanceNote
from mixmon.findings.trims.notes import Certainty, SheetNote
from mixmon.findings.trims.sheet import TrimRow, TrimSheet
from mixmon.report.intervals import total_words
from mixmon.report.trims import outlook_sentence
from mixmon.report.words import sentence, sentences
from mixmon.session.evidence import IdentityState

TRIM_CAUTION = (
    "Measure again after. Nothing here senses knock: balanced mixture is not proof of knock margin. The "
    "builder's limits stand."
)

_PROVED = "Fuel steps have shown which cylinder each label sees."
_NOT_PROVED = "Prove each label by a fuel step on a known cylinder before a trim is entered."

ENTERED: Final = "trims entered"
"""How the note begins that says what was typed into the engine control."""

_REMARKS_AT = 56
"""The column of how sure and why (computed: the widths of the columns before it)."""

_KEPT_CYLINDERS: Final = 128
"""Cylinders whose rows are kept. Our choice: those of a sheet at a few widths; a sheet lasts a second."""

_OUTPUT_CELLS = 4
"""Cells of the output before the cylinder, where the order of outputs is told."""


def trims_page(scene: Scene, verdict: LimitVerdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """Reasons, one row a cylinder, then spread, cautions and parts; `first` rows are scrolled away."""
    width, height = sheet.width, sheet.height
    head = [status(scene, verdict, sheet.frame_width, title="TRIM SHEET")]
    offer, balance = shown_sheet(scene), scene.snapshot.balance
    if offer is None or balance is None:
        return framed(head, _empty_rows(width), sheet)
    spread, caution = (_wrapped(lines, "text", width) for lines in _must_lines(scene, offer, balance))
    table = _table_rows(scene, offer, width, whole=True)
    more = _wrapped(_more_lines(scene, offer), "text", width)
    if len(table) + len(spread) + len(caution) + bool(more) > room_below(head, height):
        table = _table_rows(scene, offer, width, whole=False)
        spread += _chosen_remark_rows(scene, offer, width)
    return framed(head, [*table, *spread, *caution, *more], sheet, first=first)


def shown_sheet(scene: Scene) -> TrimSheet | None:
    """The sheet of the moment, without a new value where trims are withheld."""
    offer = scene.snapshot.sheet
    if offer is None or not offer.withheld:
        return offer
    return _without_new(Same(offer))


@lru_cache(4)
def _without_new(found: Same) -> TrimSheet:
    offer: TrimSheet = found.it
    rows = (replace(row, new_percent=math.nan, difference_percent=math.nan) for row in offer.rows)
    return replace(offer, rows=tuple(rows))


def entered_text(sheet: TrimSheet, by: str) -> str:
    """The note that says that a sheet was typed as it is, and by whom."""
    typed = [
        f"cyl {row.cylinder} {signed(row.now_percent, 2)} to {signed(row.new_percent, 2)}"
        for row in sheet.rows
        if row.new_percent != row.now_percent
    ]
    return f"{ENTERED} by {by}: {', '.join(typed) or 'all as before'}"


def _empty_rows(width: int) -> list[Row]:
    words = "no trims offered: no steady time has been counted yet; hold the engine in a cell (b)"
    return [blank(width), *(fit_row([(f"  {line}", "text")], width) for line in wrap(words, width - 4))]


def _table_rows(scene: Scene, offer: TrimSheet, width: int, *, whole: bool) -> list[Row]:
    """Reasons and table; `whole` gives remarks as many lines as they need."""
    rows = _wrapped([f"no trims offered: {sentence(reason)}" for reason in offer.withheld], "strong", width)
    who = "lab" if offer.by_label else "cyl"
    if width < NARROW_COLUMNS:
        rows.append(fit_row([(f" {who}  needs {scene.marks.plus_minus}95 %    now    new", "label")], width))
        rows += [_narrow_row(scene, one, width) for one in offer.rows]
    else:
        output = " out" if _has_outputs(offer) else ""
        heading = f"{output} {who}  needs % 95 % interval    trim now    new change  how sure, why"
        rows.append(fit_row([(heading, "label")], width))
        for one in offer.rows:
            rows += _cylinder_rows(Same(one), width, bool(output), whole)
    return rows + _map_rows(scene, offer, width)


def _wrapped(lines: list[str], style: str, width: int) -> list[Row]:
    return [fit_row([(f" {part}", style)], width) for line in lines for part in wrap(line, width - 2)]


def _has_outputs(offer: TrimSheet) -> bool:
    return any(row.output is not None for row in offer.rows)


def _must_lines(scene: Scene, offer: TrimSheet, balance: Balance) -> tuple[list[str], list[str]]:
    """The spread before and after; the cautions."""
    cell = balance.predicted_in
    centre = "/".join(f"{value:g}" for value in (cell.rpm, cell.load) if value is not None) if cell else ""
    where = f" at {centre}" if centre else ""
    after = f", predicted {spread_text(balance.predicted_spread, count=False)}{where}"
    step = f"step {offer.step_percent:g} %"
    lines = [f"spread {spread_text(balance.spread)}{'' if offer.withheld else after}; {step}"]
    if balance.injection_stage is not None:
        lines.append(
            f"injection stage {balance.injection_stage} alone; mixmon trims LOG has both, and the step"
        )
    total = total_words(balance, scene.marks.plus_minus)
    on_labels = _PROVED if offer.identity is IdentityState.PROVED else _NOT_PROVED
    return [*lines, *([total] if total else [])], [f"{on_labels} {TRIM_CAUTION}"]


def _more_lines(scene: Scene, offer: TrimSheet) -> list[str]:
    """What was typed before, the other parts, and what the set does to the cells."""
    lines = [*_entered_words(scene), *_part_lines(scene, offer)]
    if offer.outlook and not offer.withheld:
        lines.append(outlook_sentence(offer.outlook))
    notes = [note for note in offer.notes if note.code is not BalanceNote.FUEL_LEFT_OVER]  # among the parts
    return [*lines, *(f"note: {sentence(note)}" for note in notes)]


def _entered_words(scene: Scene) -> list[str]:
    """When a sheet was last typed, by the notes of this run."""
    begin = f"note: {ENTERED}"
    said = next((one for one in reversed(scene.live.remarks) if one[1].startswith(begin)), None)
    return [] if said is None else [f"{scene.clock(said[0])} {clean(said[1].removeprefix('note: '))}"]


def _part_lines(scene: Scene, offer: TrimSheet) -> list[str]:
    """Banks, the whole engine, and the fuel that the trims leave to the base map."""
    mark, lines = scene.marks.plus_minus, []
    for bank in offer.parts.banks:
        half = half_text(bank.half_interval_percent)
        own = "banks differ" if bank.differs else "no part of its own beyond the scatter of cylinders"
        typed = [
            f", trim {signed(b.now_percent, 2)} to {signed(b.new_percent, 2)}"
            for b in offer.banks
            if b.bank == bank.bank
        ]
        lines.append(
            f"bank {clean(bank.bank)} {signed(bank.needs_percent)} {mark}{half} %: {own}{''.join(typed)}"
        )
    known = [one for one in offer.parts.engine if math.isfinite(one.needs_percent)]
    if known:
        worst = max(known, key=lambda one: abs(one.needs_percent))
        place = "/".join(f"{value:g}" for value in (worst.rpm, worst.load) if value is not None)
        half = half_text(worst.half_interval_percent)
        lines.append(
            f"whole engine, for the base map: at most {signed(worst.needs_percent)} {mark}{half} % at {place}"
        )
    if math.isfinite(offer.fuel_percent) and abs(offer.fuel_percent) >= 0.005:
        lines.append(
            f"these trims change the engine's fuel by {offer.fuel_percent:+.2f} %; "
            f"{offer.base_map_percent:+.2f} % in the base map keeps it"
        )
    return lines


def _map_rows(scene: Scene, offer: TrimSheet, width: int) -> list[Row]:
    """Of a map: the breakpoints of the chosen cylinder that change."""
    if offer.shape != "map":
        return []
    index = scene.chosen()
    cylinders = scene.setting.nodes[0 if index is None else index].cylinders
    lines = []
    for cylinder in cylinders:
        changed = [
            f"{one.rpm:g}/{one.load:g} {signed(one.now_percent, 2)} to {signed(one.new_percent, 2)}"
            for one in offer.map
            if one.cylinder == cylinder
            and math.isfinite(one.new_percent)
            and one.new_percent != one.now_percent
        ]
        lines.append(f"cyl {cylinder}, by rpm/load: {', '.join(changed) or 'nothing changes'}")
    return _wrapped(lines, "strong", width)


def _why_text(row: TrimRow) -> str:
    """How sure, and what else there is to know; that a trim follows its need goes without saying."""
    within = row.certainty.code is Certainty.WITHIN_ERROR
    said = {SheetNote.MOVED_BY_NEED, *([BalanceNote.WITHIN_ERROR_OF_ZERO] if within else [])}
    why = tuple(one for one in row.why if one.code not in said)
    return clean("; ".join([sentence(row.certainty), *([sentences(why)] if why else [])]))


def _chosen_remark_rows(scene: Scene, offer: TrimSheet, width: int) -> list[Row]:
    """All remarks on the cylinder that was picked, where the table has no room for those of all."""
    index = scene.chosen() if scene.options.chosen is not None else None
    cylinders = scene.setting.nodes[index].cylinders if index is not None else ()
    told = [f"cyl {row.cylinder}: {_why_text(row)}" for row in offer.rows if row.cylinder in cylinders]
    return _wrapped(told, "strong", width)


def _narrow_row(scene: Scene, one: TrimRow, width: int) -> Row:
    """One cylinder; at the right the new trim, which is never cut."""
    low, high = one.interval95_percent
    half = f"{scene.marks.plus_minus}{half_text((high - low) / 2)}" if math.isfinite(high - low) else "--"
    words = f"{fit(signed(one.needs_percent), 6, right=True)} {fit(half, 5, right=True)} "
    words += fit(signed(one.now_percent, 2), 6, right=True)
    new = fit(signed(one.new_percent, 2), 6, right=True)
    return fit_row([(f"{one.cylinder:>4} ", "strong"), (words, "text"), (f" {new}", "strong")], width)


@lru_cache(_KEPT_CYLINDERS)
def _cylinder_rows(seen: Same, width: int, outputs: bool, whole: bool) -> tuple[Row, ...]:
    one: TrimRow = seen.it
    low, high = one.interval95_percent
    interval = f"{signed(low)} to {signed(high)}" if math.isfinite(low) else "not known"
    changed = math.isfinite(one.new_percent) and one.new_percent != one.now_percent
    output = "" if not outputs else f"{'--' if one.output is None else one.output:>{_OUTPUT_CELLS}}"
    at = _REMARKS_AT + len(output)
    room = width - at - 1
    remarks = _why_text(one)
    first, *more = wrap(remarks, room) if whole and room >= 20 else [remarks]
    numbers: Row = (
        (f"{output}{one.cylinder:>4} ", "strong"),
        (f"{fit(signed(one.needs_percent), 8, right=True)} ", "text"),
        (f"{fit(interval, 16)} ", "text"),
        (f"{fit(signed(one.now_percent, 2), 8, right=True)} ", "text"),
        (f"{fit(signed(one.new_percent, 2), 6, right=True)} ", "strong" if changed else "text"),
        (f"{fit(signed(one.difference_percent, 2), 6, right=True)}  ", "text"),
    )
    return (
        fit_row([*numbers, (first, "text")], width),
        *(fit_row([(" " * at, "text"), (line, "text")], width) for line in more),
    )
