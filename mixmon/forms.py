"""Every public result as plain data, as Arrow tables and as a page of a notebook.

`_RESULT_FORMS` has a row for each kind of result: its fields, which are those of the command's `--json`, and
its tables. A table takes its rows from these fields; its columns are declared here, so that they are the same
whatever was found. `result.Told` is what calls this module.
"""

from __future__ import annotations

import html
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from mixmon.errors import UsageError
from mixmon.extras import load_extra
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock
from mixmon.report.alarms import alarms_json
from mixmon.report.balance import balance_json, log_json
from mixmon.report.causes import causes_json
from mixmon.report.census import census_json
from mixmon.report.comparison import comparison_json
from mixmon.report.events import events_json
from mixmon.report.export.arrow import ArrowRows
from mixmon.report.export.tables import RowTable
from mixmon.report.identity import identity_json
from mixmon.report.lags import lags_json
from mixmon.report.pulls import pulls_json
from mixmon.report.response import response_json
from mixmon.report.rotation import design_json, rotation_json
from mixmon.report.sessions.check import check_json
from mixmon.report.text import JSON_FORMAT, number, plain
from mixmon.report.tips import tips_json
from mixmon.report.trims import trims_json
from mixmon.result import Origin, Told

Fields = Mapping[str, Any]
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ResultTable:
    """One table of a result.

    columns  `path:type` by blanks; a path leads into objects (`lean.t63_s`), and dots become underscores in
             the name. Types: f float64, i int64, s text, b bool; I, S lists of int64 and text; r an interval,
             which makes two columns (_low, _high); c the code of a note, C those of a list of notes; t a time
             t_s, which makes t_s and t_ns
    rows     the rows, from the fields of JSON
    stamps   of each row, ns, from the result itself; where there is a column of type t
    """

    columns: str
    rows: Callable[[Fields], Iterator[Row]]
    stamps: Callable[[Any], list[int]] | None = None


@dataclass(frozen=True, slots=True)
class Form:
    """One kind of result: its fields as in JSON, and its tables by name, the first one first."""

    fields: Callable[[Any, Origin], Fields]
    tables: Mapping[str, ResultTable]


# ----------------------------------------------------------------------------------------------------
# Fields, by kind of result.
# ----------------------------------------------------------------------------------------------------


def _census_fields(found: Any, origin: Origin) -> Fields:
    session = origin.session
    name = "" if session is None else session.name or str(session.path or "")
    return {"session": name or None, "log": log_json(origin.logs[0]), **census_json(found)}


def _check_fields(found: Any, _: Origin) -> Fields:
    return check_json(found)


def _alarm_fields(found: Any, origin: Origin) -> Fields:
    run = origin.runs[0]
    return alarms_json(found, found.at_end, run.session, run.log.first_ns or 0)


def _pull_fields(found: Any, origin: Origin) -> Fields:
    return pulls_json(found, origin.lags, origin.runs[0], range(len(found.pulls)))


def _logs_of(origin: Origin) -> list[Any]:
    return [*origin.logs] or [run.log for run in origin.runs]


# ----------------------------------------------------------------------------------------------------
# Rows, from the fields.
# ----------------------------------------------------------------------------------------------------


def _rows_at(*path: str) -> Callable[[Fields], Iterator[Row]]:
    """The rows of the list at that place of the fields."""

    def rows(fields: Fields) -> Iterator[Row]:
        found: Any = fields
        for key in path:
            found = found[key]
        yield from found

    return rows


def _rows_within(outer: str, inner: str) -> Callable[[Fields], Iterator[Row]]:
    """The rows of a list in each object of a list; each has the fields of both, the inner ones first."""

    def rows(fields: Fields) -> Iterator[Row]:
        for one in fields[outer]:
            for part in one[inner]:
                yield {**one, **part}

    return rows


_BY_BAND = (
    "needs_percent",
    "half_interval_percent",
    "needs_vs_target_percent",
    "half_interval_vs_target_percent",
    "counted_s",
    "share",
    "left_out",
)


def _band_rows(fields: Fields) -> Iterator[Row]:
    """One row for each node in each band of each pull."""
    for pull in fields["pulls"]:
        for node in pull["nodes"]:
            for i, rpm in enumerate(fields["bands_rpm"]):
                yield {**node, "pull": pull["pull"], "rpm": rpm, **{name: node[name][i] for name in _BY_BAND}}


def _tip_rows(fields: Fields) -> Iterator[Row]:
    """One row for each node in each tip."""
    for tip in fields["tips"]:
        for node in tip["nodes"]:
            yield {**tip, **node, **(node["measures"] or {})}


def _own_times(found: Any) -> list[int]:
    return [one.t for one in found]


_NODE_COLUMNS = "position:i cylinders:I sensor:s "
_STAGED = " injection_stage:i"

_RESULT_FORMS: Mapping[str, Form] = {
    "Balance": Form(
        lambda found, origin: balance_json(found, origin.runs[0]),
        {
            "cells": ResultTable(
                "rpm:f load:f cylinder:i needs_percent:f half_interval_percent:f "
                "total_half_interval_percent:f usable_s:f used_for_trims:b not_used_because:s" + _STAGED,
                _rows_at("cells"),
            ),
            "cylinders": ResultTable(
                "cylinder:i position:i sensor:s needs_percent:f interval95_percent:r "
                "total_interval95_percent:r sensor_error_percent:f usable_s:f effective_samples:f "
                "trim_now_percent:f trim_new_percent:f flags:C",
                _rows_at("cylinders"),
            ),
            "whole_engine": ResultTable(
                "rpm:f load:f needs_percent:f half_interval_percent:f total_half_interval_percent:f lambda:f"
                + _STAGED,
                _rows_at("whole_engine"),
            ),
            "banks": ResultTable(
                "bank:s needs_percent:f half_interval_percent:f cylinders:i",
                _rows_at("banks"),
            ),
        },
    ),
    "TrimSheet": Form(
        lambda found, origin: trims_json(found, origin.runs[0]),
        {
            "sheet": ResultTable(
                "output:i cylinder:i position:i sensor:s bank:s needs_percent:f interval95_percent:r "
                "now_percent:f new_percent:f difference_percent:f certainty:c why:C",
                _rows_at("sheet"),
            ),
            "outlook": ResultTable(
                "rpm:f load:f spread_now_percent:f spread_after_percent:f interval95_percent:r "
                "total_interval95_percent:r used_for_trims:b outlook:c" + _STAGED,
                _rows_at("outlook"),
            ),
        },
    ),
    "Causes": Form(
        lambda found, origin: causes_json(found, origin.runs[0]),
        {
            "cylinders": ResultTable(
                "cylinder:i position:i sensor:s level_percent:f level_half_percent:f change_percent:f "
                "dead_time_ms:f dead_time_half_ms:f flags:C",
                _rows_at("cylinders"),
            ),
            "causes": ResultTable(
                "cylinder:i code:s share:f size:f half:f", _rows_within("cylinders", "causes")
            ),
        },
    ),
    "BeforeAfter": Form(
        lambda found, origin: comparison_json(found, _logs_of(origin)),
        {
            "cylinders": ResultTable(
                "cylinder:i cells:i before_percent:f before_half_interval_percent:f after_percent:f "
                "after_half_interval_percent:f change_percent:f interval90_percent:r equivalent:b outcome:s",
                _rows_at("cylinders"),
            ),
            "cells": ResultTable(
                "rpm:f load:f lambda_before:f lambda_after:f cylinders:i", _rows_at("cells")
            ),
            "effect": ResultTable(
                "cylinder:i entered_percent:f slope:f interval95:r verdict:c", _rows_at("effect")
            ),
            "conditions": ResultTable("quantity:s before:f after:f band:f alike:b", _rows_at("conditions")),
        },
    ),
    "Rotation": Form(
        lambda found, origin: rotation_json(found, _logs_of(origin)),
        {
            "cylinders": ResultTable(
                "cylinder:i needs_percent:f half_interval_percent:f", _rows_at("cylinders")
            ),
            "sensors": ResultTable("sensor:s bias_percent:f half_interval_percent:f", _rows_at("sensors")),
            "design": ResultTable("session:i cylinder:i sensor:s", _rows_within("design", "placed")),
        },
    ),
    "RotationDesign": Form(
        lambda found, _: design_json(found),
        {"design": ResultTable("session:i cylinder:i sensor:s", _rows_within("design", "placed"))},
    ),
    "Identity": Form(
        lambda found, origin: identity_json(found, origin.runs[0]),
        {
            "labels": ResultTable(
                "position:i sensor:s labelled:I cylinder:I confidence:f gain:f gain_half:f delay_s:f lag_s:f "
                "flags:C",
                _rows_at("labels"),
            )
        },
    ),
    "Events": Form(
        lambda found, origin: events_json(found, origin.lags, origin.runs[0]),
        {
            "events": ResultTable(
                "t_s:t kind:s cylinders:I positions:I peak_lambda:f duration_s:f rpm:f load:f "
                "evidence.missed_cycles:i evidence.shape:s",
                _rows_at("events"),
                _own_times,
            )
        },
    ),
    "AlarmEvents": Form(
        _alarm_fields,
        {
            "alarms": ResultTable(
                "t_s:t rule:s priority:i position:i cylinders:I all_nodes:b what:s before:s state:s "
                "silenced:s active:b announced:b for_s:f value:f limit:f unit:s in_ten_minutes:i flood:b "
                "chattering:b misfire:s lean_before:b reason:s",
                _rows_at("alarms"),
                _own_times,
            ),
            "alarms_standing": ResultTable(
                "rule:s priority:i position:i cylinders:I all_nodes:b state:s silenced:s active:b since_s:f "
                "chattering:b misfire:s lean_before:b reason:s",
                _rows_at("alarms_standing"),
            ),
        },
    ),
    "NodeLags": Form(
        lambda found, _: {"lags": lags_json(found)},
        {"lags": ResultTable("position:i cylinders:I lean_s:f rich_s:f source:s", _rows_at("lags"))},
    ),
    "PullReview": Form(
        _pull_fields,
        {
            "bands": ResultTable(
                "pull:i rpm:f "
                + _NODE_COLUMNS
                + "needs_percent:f half_interval_percent:f needs_vs_target_percent:f "
                "half_interval_vs_target_percent:f counted_s:f share:f left_out:s",
                _band_rows,
            ),
            "pulls": ResultTable(
                "pull:i t_s:t to_s:f from_rpm:f to_rpm:f rate_rpm_s:f ended_by:s suggestion:s "
                "quality.coolant_c:f quality.intake_c:f quality.valid_share:f quality.valid_cylinders:i",
                _rows_at("pulls"),
                lambda found: [pull.begin for pull in found.pulls],
            ),
        },
    ),
    "TipReview": Form(
        lambda found, origin: tips_json(found, origin.lags, origin.runs[0]),
        {
            "nodes": ResultTable(
                "tip:i kind:s t_s:t "
                + _NODE_COLUMNS
                + "peak:f peak_s:f area:f back_s:f over_target:f noise:f",
                _tip_rows,
                lambda found: [tip.t for tip in found.tips for _ in tip.measures],
            ),
            "tips": ResultTable(
                "tip:i kind:s t_s:t from_opening:f to_opening:f rate_percent_s:f from_rpm:f to_rpm:f "
                "seconds:f equalised_lag_s:f misfired:I",
                _rows_at("tips"),
                lambda found: [tip.t for tip in found.tips],
            ),
        },
    ),
    "ResponseReview": Form(
        lambda found, origin: response_json(found, (), origin.runs[0]),
        {
            "sensors": ResultTable(
                _NODE_COLUMNS
                + "t63_s:f lean.t63_s:f lean.half_s:f rich.t63_s:f rich.half_s:f times_peers:f uneven:f "
                "uneven_half:f air_percent:f air_half_percent:f air_to_peers_percent:f "
                "air_to_expected_percent:f warm_up_s:f flags:C",
                _rows_at("sensors"),
            ),
            "cells": ResultTable(
                "rpm:f load:f dead_s:f dead_half_s:f delay_s:f delay_half_s:f", _rows_at("delay", "cells")
            ),
        },
    ),
    "CensusReport": Form(
        _census_fields,
        {
            "nodes": ResultTable(
                _NODE_COLUMNS
                + "bus:s ids:I samples:i rate_hz:f expected_hz:f gap_p50_s:f gap_p99_s:f gap_max_s:f "
                "jitter_s:f share_ready:f resets:i checksum_errors:i counter_jumps:i frames_lost:i "
                "frames_repeated:i silent:b notes:C",
                _rows_at("nodes"),
            ),
            "ids": ResultTable(
                "bus:s id:i extended:b name:s position:i frames:i rate_hz:f expected_hz:f gap_p50_s:f "
                "gap_p99_s:f gap_max_s:f jitter_s:f",
                _rows_at("ids"),
            ),
            "bus": ResultTable(
                "name:s channel:s bitrate:i frames:i error_frames:i load_percent:f load_peak_percent:f",
                _rows_at("bus"),
            ),
        },
    ),
    "SessionCheck": Form(
        _check_fields,
        {
            "mistakes": ResultTable("where:s line:i found:s expected:s", _rows_at("mistakes")),
            "cautions": ResultTable("code:s text:s", _rows_at("cautions")),
            "implausible": ResultTable("level:s key:s signal:s code:s text:s", _rows_at("implausible")),
        },
    ),
}


# ----------------------------------------------------------------------------------------------------
# What a result is asked for.
# ----------------------------------------------------------------------------------------------------


def result_dict(found: Told) -> dict[str, Any]:
    """See `Told.to_dict`."""
    fields = _form_of(found).fields(found, _origin_of(found))
    told: dict[str, Any] = plain({"format": JSON_FORMAT, **fields})
    return told


def _form_of(found: Told) -> Form:
    return _RESULT_FORMS[type(found).__name__]


_NO_ORIGIN = frozenset({"RotationDesign", "SessionCheck", "NodeLags"})
"""Results that stand for themselves."""


def _origin_of(found: Told) -> Origin:
    origin: Origin | None = getattr(found, "origin", None)
    kind = type(found).__name__
    if origin is None and kind not in _NO_ORIGIN:
        raise UsageError(
            f"{kind}: it does not know its run; expected what a function of mixmon gives, such as "
            "mixmon.balance(run); take its fields instead"
        )
    return origin or Origin()


def result_table(found: Told, name: str | None = None) -> Any:
    """See `Told.to_arrow`."""
    tables = _form_of(found).tables
    name = next(iter(tables)) if name is None else name
    if name not in tables:
        raise UsageError(
            f"{type(found).__name__}.to_arrow({name!r}): no such table; expected {' or '.join(tables)}"
        )
    pa = load_extra("arrow", "pyarrow", needed_by=f"{type(found).__name__}.to_arrow")[0]
    fields, origin = result_dict(found), _origin_of(found)
    logs = _logs_of(origin)
    first_ns = logs[0].first_ns if logs else None
    rows = list(tables[name].rows(fields))
    arrays, kinds = [], []
    stamps = tables[name].stamps
    times = [] if stamps is None else stamps(found)
    for column in tables[name].columns.split():
        for title, kind, values in _column_parts(column, rows, times):
            arrays.append(pa.array(values, _arrow_type(pa, kind)))
            unit = _unit_of(title)
            kinds.append(pa.field(title, arrays[-1].type, metadata={"unit": unit} if unit else None))
    about = {"table": name, "result": type(found).__name__, "session": str(fields.get("session") or "")}
    if first_ns is not None:
        about["first_ns"] = str(first_ns)
    return pa.table(arrays, pa.schema(kinds, metadata=about))


def rows_table(binding: Binding, blocks: Sequence[CylinderBlock], first_ns: int) -> Any:
    """Judged rows as a pyarrow.Table, as `mixmon export` writes them; at least one block.

    Raises:
        UsageError: pyarrow is not installed.
    """
    pa = load_extra("arrow", "pyarrow", needed_by="to_arrow")[0]
    nodes = range(len(binding.session.chain.nodes))
    table = RowTable(binding, nodes, blocks[0])
    rows = ArrowRows(pa, table.form, {"session": binding.session.name, "first_ns": first_ns})
    return rows.table([rows.batch(table.columns(block, first_ns)) for block in blocks])


def _column_parts(
    column: str, rows: Sequence[Row], stamps: Sequence[int]
) -> Iterator[tuple[str, str, list[Any]]]:
    """The columns that one declared column makes: name, type and values."""
    path, _, kind = column.partition(":")
    values = [_value_at(row, path) for row in rows]
    title = path.replace(".", "_")
    match kind:
        case "r":
            for end, i in (("low", 0), ("high", 1)):
                yield f"{title}_{end}", "f", [None if v is None else v[i] for v in values]
        case "t":
            yield title, "f", values
            yield "t_ns", "i", list(stamps)
        case "c":
            yield title, "s", [None if v is None else v["code"] for v in values]
        case "C":
            yield title, "S", [None if v is None else [one["code"] for one in v] for v in values]
        case "I":
            yield title, "I", [v if v is None or isinstance(v, list) else [v] for v in values]
        case _:
            yield title, kind, values


def _value_at(row: Row, path: str) -> Any:
    found: Any = row
    for key in path.split("."):
        found = None if found is None else found.get(key)
    return found


def _arrow_type(pa: Any, kind: str) -> Any:
    single = {"f": pa.float64, "i": pa.int64, "s": pa.string, "b": pa.bool_}[kind.lower()]()
    return pa.list_(single) if kind.isupper() else single


_UNITS = {"percent": "%", "s": "s", "ns": "ns", "ms": "ms", "rpm": "1/min", "hz": "Hz", "c": "degC"}


def _unit_of(title: str) -> str:
    """The unit that stands at the end of a column's name; empty for none."""
    return _UNITS.get(title.removesuffix("_low").removesuffix("_high").rpartition("_")[2], "")


# As one line, and as a page of a notebook.

_MOST_PAGE_ROWS = 200  # our choice: a notebook shows a table that a person still scrolls through


def result_repr(found: Told) -> str:
    """One line: what it is of, and how many rows its tables have."""
    kind = type(found).__name__
    if getattr(found, "origin", None) is None and kind not in _NO_ORIGIN:
        return f"<{kind}>"
    fields = result_dict(found)
    counts = {name: sum(1 for _ in table.rows(fields)) for name, table in _form_of(found).tables.items()}
    shown = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in counts.items())
    session = fields.get("session")
    return f"<{kind}{f' of {session!r}' if session else ''}: {shown}>"


def result_html(found: Told) -> str:
    """The answer in sentences, and the first table; refused as `to_dict`."""
    fields = result_dict(found)
    name, table = next(iter(_form_of(found).tables.items()))
    rows = list(table.rows(fields))
    titles = [column.partition(":")[0] for column in table.columns.split()]
    head = "".join(f"<th>{html.escape(title.replace('.', ' ').replace('_', ' '))}</th>" for title in titles)
    body = "".join(
        "<tr>" + "".join(f"<td>{_html_cell(_value_at(row, title))}</td>" for title in titles) + "</tr>"
        for row in rows[:_MOST_PAGE_ROWS]
    )
    left = len(rows) - _MOST_PAGE_ROWS
    more = f"<p>and {left} rows more: to_arrow() has all</p>" if left > 0 else ""
    answer = "".join(f"<p>{html.escape(str(one['text']))}</p>" for one in fields.get("answer", ()))
    of = html.escape(str(fields.get("session") or ""))
    caption = f"{type(found).__name__}: {name.replace('_', ' ')} {of}".strip()
    return f"{answer}<table><caption>{caption}</caption><tr>{head}</tr>{body}</table>{more}"


def _html_cell(value: Any) -> str:
    """One value as HTML; nothing where it is not known."""
    if value is None:
        return ""
    if isinstance(value, float):
        return number(value, 3)
    if isinstance(value, dict):
        return html.escape(str(value.get("text", json.dumps(value))))
    if isinstance(value, list):
        return " ".join(map(_html_cell, value)) if value else ""
    return html.escape(str(value))
