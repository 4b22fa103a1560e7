"""The sensor log: what the ledger knows of every sensor of the chain, a row each; the chosen one in words.

The ledger is read when watching begins; what a run teaches is entered afterwards by `mixmon sensors --add`.
"""

from __future__ import annotations

import numpy as np

from mixmon.dashboard.scene import Scene
from mixmon.dashboard.screens.bus import in_chain_order
from mixmon.dashboard.screens.status import Sheet, framed, room_below, status
from mixmon.dashboard.text import NARROW_COLUMNS, Row, Segment, clean, fit, fit_row, number, signed, wrap
from mixmon.dashboard.verdict import LimitVerdict
from mixmon.ledger.standing import SensorRecord
from mixmon.report.sensors import (
    air_check_words,
    bias_text,
    forecast_text,
    newest_warm_up_text,
    remarks_on,
    sums_words,
)

_LOG_HEADING = " pos  cyl  sensor      hours cycles  lean  rich  ready air %  bias % "
_REMARKS_COLUMNS = 110
"""Columns from which each row has its remarks: our choice; below, only their number."""


def sensors_page(scene: Scene, verdict: LimitVerdict, sheet: Sheet, *, first: int = 0) -> list[Row]:
    """A row a sensor in chain order, then the chosen one; `first` rows are scrolled away."""
    width = sheet.width
    head = [status(scene, verdict, sheet.frame_width, title="SENSOR LOG")]
    order = in_chain_order(scene)
    heading = _LOG_HEADING if width >= NARROW_COLUMNS else " pos  cyl  sensor      hours  bias %"
    rows = [fit_row([(heading + ("  remarks" if width >= _REMARKS_COLUMNS else ""), "label")], width)]
    rows += [_sensor_row(scene, index, width) for index in order]
    told: list[Row] = [((scene.marks.rule * width, "rule"),)]
    told += [
        fit_row([(f" {part}", style)], width)
        for line, style in _told(scene)
        for part in wrap(line, width - 2)
    ]
    room = room_below(head, sheet.height)
    return framed(head, [*rows, *told[: max(room - len(rows), 2)]], sheet, first=first)


def _sensor_row(scene: Scene, index: int, width: int) -> Row:
    node, record = scene.setting.nodes[index], scene.setting.record_of(index)
    mark = scene.marks.chosen if _told_index(scene) == index else " "
    place: list[Segment] = [
        (f"{mark}{node.position:>3}  {fit(scene.setting.labels[index], 3, right=True)}  ", "strong"),
        (f"{fit(clean(node.sensor or scene.marks.dash), 10)} ", "text"),
    ]
    if record is None:
        why = "no serial in the session" if node.sensor is None else "nothing is known of it"
        return fit_row([*place, (f" {why}", "dim")], width)
    bias = "--" if record.bias is None else bias_text(record.bias.percent, record.bias.half_percent)
    hours = fit(number(record.hot_h, 1), 6, right=True)
    if width < NARROW_COLUMNS:
        return fit_row([*place, (f"{hours}  {bias}", "text")], width)
    said = remarks_on(record)
    words = "; ".join(said) if width >= _REMARKS_COLUMNS else f"{len(said)} !" if said else ""
    return fit_row(
        [*place, (f"{hours} {_measured_text(record)}  {fit(bias, 12)}", "text"), (words, "strong")], width
    )


def _measured_text(record: SensorRecord) -> str:
    """Cycles, T63 both ways in ms, warm-up in s, and percent off in air."""
    lean, rich, air = (record.newest(name) for name in ("lean", "rich", "air_off"))
    cycles = "--" if record.heater_cycles is None else str(record.heater_cycles)
    times = (fit("--" if one is None else f"{1e3 * one.value:.0f}", 5, right=True) for one in (lean, rich))
    off = record.air_checks[-1].off_percent if record.air_checks else np.nan if air is None else air.value
    ready = fit(newest_warm_up_text(record), 6, right=True)
    return f"{fit(cycles, 6, right=True)} {' '.join(times)} {ready} {fit(signed(off), 5, right=True)}"


def _told_index(scene: Scene) -> int:
    """The sensor that was picked, else the first one with something to look at, else the first."""
    picked = None if scene.options.chosen is None else scene.chosen()
    if picked is not None:
        return picked
    order = in_chain_order(scene)
    records = ((index, scene.setting.record_of(index)) for index in order)
    return next((index for index, one in records if one is not None and remarks_on(one)), order[0])


def _told(scene: Scene) -> list[tuple[str, str]]:
    """The chosen sensor in words, what matters most first."""
    known = scene.setting.known
    if known.fault:
        return [(f"the ledger cannot be read: {known.fault}", "strong")]
    if not known.records:
        return [
            (
                "the ledger knows none of these sensors: mixmon sensors --add RUN enters what a run teaches",
                "text",
            )
        ]
    index = _told_index(scene)
    record = scene.setting.record_of(index)
    if record is None:
        return [(f"cyl {scene.setting.labels[index]}: nothing is known; digits choose another", "text")]
    lines = [(f"{record.serial}: {line}", "strong") for line in remarks_on(record)]
    lines.append((f"{record.serial}: {sums_words(record)}", "text"))
    lines += [(air_check_words(check), "text") for check in record.air_checks[-1:]]
    if record.bias is not None:
        lines.append((f"bias: {record.bias.source}, {record.bias.reason}", "text"))
    lines += [(forecast_text(one), "dim") for one in record.forecasts if one.why_not is None]
    lines.append(("lean, rich: T63, ms; ready: warm-up, s, + may be longer; air: newest check, % off", "dim"))
    lines.append(("!: so many things to look at; digits choose a sensor, and tell them", "dim"))
    return lines
