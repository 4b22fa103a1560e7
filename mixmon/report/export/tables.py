"""The tables of a run: rows, frames, events, cells and trims, each as its form and its columns.

`RowTable` turns judged rows into columns, block by block; no sample is left out, and each has its state.
Frames come as blocks too. Events, cells and trims are few and come whole.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from mixmon.arrays import SECOND_NS, Floats, Ints
from mixmon.beside.beside import Beside
from mixmon.findings.balance.balance import Balance, CellNeed, EngineNeed
from mixmon.findings.events.event import Event
from mixmon.findings.events.event import Kind as EventKind
from mixmon.findings.stats import engine_lambda, needs_percent
from mixmon.findings.trims.maps import MapTrim
from mixmon.findings.trims.sheet import TrimRow, TrimSheet
from mixmon.frames.block import EXTENDED, FrameBlock, FrameFlag
from mixmon.messages.binding import Binding
from mixmon.mixture.block import CylinderBlock, SampleState
from mixmon.report.export.fields import NO, NO_YES, YES, ColumnKind, Columns, TableField, TableForm, Words
from mixmon.report.text import plain
from mixmon.session.charges import reference_weights
from mixmon.session.keys import CHAIN_QUANTITIES, ENGINE_QUANTITIES, Quantity
from mixmon.session.model import Session

WORDS_OF_STATES = tuple(state.word for state in SampleState)
"""The states of samples in words, by their numbers."""

_SECONDS = TableField("t_s", unit="s", about="from the log's first frame")
_STAMP = TableField("t_ns", ColumnKind.WHOLE, "ns", "as stamped in the log")

# Judged rows.

_OF_NODE = (
    TableField("lambda", unit="lambda", about="of the newest sample, whatever its state"),
    TableField("oxygen_percent", unit="percent", about="oxygen balance, wet gas, negative when rich"),
    TableField(
        "state",
        ColumnKind.WORD,
        about="why the sample counts or does not: valid ones count",
        words=WORDS_OF_STATES,
    ),
    TableField("age_s", unit="s", about="since the newest sample; none where there never was one"),
    TableField("fresh", ColumnKind.WORD, about="a new sample came since the row before", words=NO_YES),
    TableField("target", unit="lambda", about="lambda asked for when the gas at the sensor left its valve"),
    TableField(
        "needs_vs_target_percent",
        unit="percent",
        about="fuel that takes this reading to its target, plus: add; of valid samples; as read, without "
        "interval",
    ),
    TableField(
        "needs_vs_peers_percent",
        unit="percent",
        about="fuel that takes this reading to the mean of the valid cylinders of its row, plus: add; of "
        "valid samples; as read, without interval",
    ),
)
"""The columns of each node."""

_MADE_BY_MIXMON = {"own_target", "arrived", "step", "rich_end", "lean_end"}
"""Columns of rows that are aids of the analysis; of all others a signal was mapped."""


class RowTable:
    """Turns blocks of judged rows into columns: those of all cylinders side by side."""

    def __init__(
        self, binding: Binding, nodes: Sequence[int], block: CylinderBlock, beside: Sequence[Beside] = ()
    ) -> None:
        """What the columns of all blocks are.

        Args:
            binding: the session's, for units.
            nodes: those whose columns are wanted.
            block: the first one; it has the quantities of all to come.
            beside: tables that were merged with the run.
        """
        session = binding.session
        self._nodes = list(nodes)
        self._weights = reference_weights(session)
        labels = _node_labels(session)
        self._labels = [labels[i] for i in self._nodes]
        self._engine = list(block.now)
        self._aux = [name for name in block.aux if name not in _MADE_BY_MIXMON]
        self._counts = np.zeros(len(SampleState), np.int64)
        engine = [_engine_field(name, binding) for name in self._engine]
        aux = [_field_of(CHAIN_QUANTITIES.get(name), name) for name in self._aux]
        stretch = TableField("stretch", ColumnKind.WHOLE, about="goes up where the stamps jump")
        known = TableField(
            "cylinders_valid", ColumnKind.WHOLE, about="sensors whose sample is valid: the peers of the row"
        )
        self._beside = _name_beside(beside)
        of_tables = [
            TableField(name, unit=table.units[c], about=f"of {table.name}, by lines between its samples")
            for name, (table, c) in self._beside.items()
        ]
        of_nodes = [_of_node(field, label) for label in self._labels for field in (*_OF_NODE, *aux)]
        self.form = TableForm(
            "rows",
            (_SECONDS, _STAMP, stretch, *engine, *of_tables, known, *of_nodes),
            "judged rows, 100 a second: every sample with its state, those that do not count too; columns of "
            "a sensor end in its cylinder; engine quantities are those of the row's own time",
            of_time=True,
        )

    def columns(self, block: CylinderBlock, first: int) -> Columns:
        """The columns of a block; `first` is the zero of time, ns."""
        valid = block.state == SampleState.VALID
        lam, like = np.where(valid, block.lam, np.nan), np.where(valid, block.comparable, np.nan)
        target = block.shifted.get("target", np.full(block.lam.shape, np.nan))
        of_node: dict[str, Any] = {
            "lambda": block.lam,
            "oxygen_percent": block.oxygen,
            "state": block.state,
            "age_s": np.where(block.age >= 0, block.age / SECOND_NS, np.nan),
            "fresh": block.fresh.astype(np.uint8),
            "target": target,
            "needs_vs_target_percent": needs_percent(lam, target),
            "needs_vs_peers_percent": needs_percent(like, engine_lambda(like, self._weights)[:, None]),
            **{name: block.aux[name] for name in self._aux},
        }
        found: dict[str, Any] = {
            "t_s": (block.t - first) / SECOND_NS,
            "t_ns": block.t,
            "stretch": block.stretch.astype(np.int64),
            **{name: block.now[name] for name in self._engine},
            **{name: table.at(c, block.t) for name, (table, c) in self._beside.items()},
            "cylinders_valid": valid.sum(axis=1),
        }
        words = {"state": WORDS_OF_STATES, "fresh": NO_YES}
        for node, label in zip(self._nodes, self._labels, strict=True):
            for name, values in of_node.items():
                column = np.ascontiguousarray(values[:, node])
                found[f"{name}_{label}"] = Words(column, words[name]) if name in words else column
        self._counts += np.bincount(block.state[:, self._nodes].ravel(), minlength=len(self._counts))
        return found

    @property
    def samples(self) -> Mapping[str, int]:
        """Samples that were turned into columns, by their state; states that did not occur are left out."""
        return {WORDS_OF_STATES[i]: int(count) for i, count in enumerate(self._counts.tolist()) if count}


def _of_node(field: TableField, label: str) -> TableField:
    return TableField(f"{field.name}_{label}", field.kind, field.unit, field.about, field.words)


def _name_beside(beside: Sequence[Beside]) -> dict[str, tuple[Beside, int]]:
    """A name for each column of the tables beside a run: the table and its column."""
    found: dict[str, tuple[Beside, int]] = {}
    for table in beside:
        for c, written in enumerate(table.names):
            name = "beside_" + "_".join(written.split())
            count = sum(known == name or known.startswith(f"{name}_no") for known in found)
            found[f"{name}_no{count + 1}" if count else name] = (table, c)
    return found


def _node_labels(session: Session) -> list[str]:
    """The cylinders of each node, joined by `_`; its place behind them where two nodes have the same."""
    labels = ["_".join(map(str, node.cylinders)) for node in session.chain.nodes]
    twice = {label for label, count in Counter(labels).items() if count > 1}
    places = [node.position for node in session.chain.nodes]
    return [f"{name}_at_{at}" if name in twice else name for name, at in zip(labels, places, strict=True)]


def _engine_field(name: str, binding: Binding) -> TableField:
    """The field of a quantity of the engine, or of an own channel."""
    if name not in binding.channels:
        return _quantity_field(name, binding.session)
    about = "own channel" + (": 1 yes, 0 no" if binding.channels[name].choice.equals else "")
    return TableField(name, unit=binding.channel_unit(name), about=about)


def _quantity_field(name: str, session: Session) -> TableField:
    """The field of a quantity of the engine."""
    if name == "load":
        return _field_of(ENGINE_QUANTITIES.get(session.axes.load_signal or ""), name)
    return (
        TableField(name, unit="lambda") if name == "target" else _field_of(ENGINE_QUANTITIES.get(name), name)
    )


def _field_of(quantity: Quantity | None, name: str) -> TableField:
    if quantity is None:
        return TableField(name, unit="percent" if name.startswith("trim") else "")
    return (
        TableField(name, about="1 yes, 0 no") if quantity.claim else TableField(name, unit=quantity.units[0])
    )


# Frames.

_FRAME_KINDS = ("data", "remote", "error")
_DIRECTIONS = ("received", "sent")

FRAME_TABLE = TableForm(
    "frames",
    (
        _SECONDS,
        _STAMP,
        TableField("channel", ColumnKind.WORD, about="the interface, as in the log"),
        TableField("identifier", ColumnKind.WHOLE, about="without the mark of 29 bits"),
        TableField("extended", ColumnKind.WORD, about="an identifier of 29 bits", words=NO_YES),
        TableField("kind", ColumnKind.WORD, words=_FRAME_KINDS),
        TableField("fd", ColumnKind.WORD, about="CAN FD", words=NO_YES),
        TableField("bit_rate_switch", ColumnKind.WORD, words=NO_YES),
        TableField("error_state", ColumnKind.WORD, about="of a CAN FD frame's sender", words=NO_YES),
        TableField("direction", ColumnKind.WORD, words=_DIRECTIONS),
        TableField("length_code", ColumnKind.WHOLE, about="data length code, as sent"),
        TableField("data", ColumnKind.TEXT, about="hex digits"),
    ),
    "all frames of the log, as they came",
    of_time=True,
)
"""What a table of frames holds."""


def frame_columns(block: FrameBlock, first: int) -> Columns:
    """The columns of a block of frames; `first` is the zero of time, ns."""
    flags = block.flags

    def marked(flag: FrameFlag) -> Words:
        return Words(((flags & flag) != 0).astype(np.uint8), NO_YES)

    kind = np.where(flags & FrameFlag.ERROR, 2, np.where(flags & FrameFlag.REMOTE, 1, 0))
    sent, received = flags & FrameFlag.SENT, flags & FrameFlag.RECEIVED
    digits, width = block.data.tobytes().hex().upper(), 2 * block.width
    spans = zip(range(0, width * len(block), width), (2 * block.size.astype(int)).tolist(), strict=True)
    return {
        "t_s": (block.t - first) / SECOND_NS,
        "t_ns": block.t,
        "channel": Words(block.bus, block.channels),
        "identifier": (block.can_id & np.uint32(0xFFFF_FFFF ^ EXTENDED)).astype(np.int64),
        "extended": Words((block.can_id >= EXTENDED).astype(np.uint8), NO_YES),
        "kind": Words(kind, _FRAME_KINDS),
        "fd": marked(FrameFlag.FD),
        "bit_rate_switch": marked(FrameFlag.BIT_RATE_SWITCH),
        "error_state": marked(FrameFlag.ERROR_STATE),
        "direction": Words(np.where(sent, 1, np.where(received, 0, -1)), _DIRECTIONS),
        "length_code": block.dlc.astype(np.int64),
        "data": [digits[at : at + count] for at, count in spans],
    }


# Events.

_EVENT_KINDS = tuple(str(kind) for kind in EventKind)

EVENT_TABLE = TableForm(
    "events",
    (
        _SECONDS,
        _STAMP,
        TableField("kind", ColumnKind.WORD, words=_EVENT_KINDS),
        TableField("cylinders", ColumnKind.TEXT, about="those concerned"),
        TableField("positions", ColumnKind.TEXT, about="their nodes' places in the chain"),
        TableField(
            "whole_engine", ColumnKind.WORD, about="of the engine, not of single cylinders", words=NO_YES
        ),
        TableField("peak_lambda", unit="lambda", about="reading furthest from what was expected"),
        TableField("duration_s", unit="s"),
        TableField("rpm", unit="rpm", about="when the gas left the valve"),
        TableField("load", about="when the gas left the valve"),
        TableField(
            "evidence", ColumnKind.TEXT, about="the reasons for the kind, as JSON; units in the names"
        ),
    ),
    "what happened; a moment is that at which the sensor shows it, less its lag",
    of_time=True,
)
"""What a table of events holds."""


def event_columns(events: Sequence[Event], session: Session, first: int) -> Columns:
    """The columns of all events; `first` is the zero of time, ns."""
    t = np.array([event.t for event in events], np.int64)
    places = [node.position for node in session.chain.nodes]
    return {
        "t_s": (t - first) / SECOND_NS,
        "t_ns": t,
        "kind": _word_column([str(event.kind) for event in events], _EVENT_KINDS),
        "cylinders": [_listed(event.cylinders) for event in events],
        "positions": [_listed(places[i] for i in event.nodes) for event in events],
        "whole_engine": _yes_column([event.all_nodes for event in events]),
        "peak_lambda": _floats(event.peak_lambda for event in events),
        "duration_s": _floats(event.duration_ns / SECOND_NS for event in events),
        "rpm": _floats(event.rpm for event in events),
        "load": _floats(event.load for event in events),
        "evidence": [json.dumps(plain(event.evidence), allow_nan=False) for event in events],
    }


def with_load_unit(form: TableForm, session: Session) -> TableForm:
    """The table with the unit in which the session's axis of load counts."""
    load = _quantity_field("load", session)
    fields = tuple(replace(f, unit=load.unit) if f.name == "load" else f for f in form.fields)
    return replace(form, fields=fields)


def _listed(numbers: Iterable[int]) -> str:
    return " ".join(map(str, numbers))


def _floats(values: Iterable[float | None]) -> Floats:
    return np.array([np.nan if value is None else value for value in values], np.float64)


def _yes_column(values: Sequence[bool]) -> Words:
    return Words(np.array([YES if value else NO for value in values], np.int64), NO_YES)


def _word_column(values: Sequence[str | None], words: Sequence[str]) -> Words:
    """Words of a list by their index in it; -1 for None."""
    index: Ints = np.array([-1 if value is None else words.index(value) for value in values], np.int64)
    return Words(index, words)


# Cells and trims.

CELL_TABLE = TableForm(
    "cells",
    (
        TableField("rpm", unit="rpm", about="centre of the cell"),
        TableField("load", about="centre of the cell"),
        TableField("cylinder", ColumnKind.WHOLE, about="none for the whole engine"),
        TableField("against", ColumnKind.WORD, about="reference of the need", words=("peers", "target")),
        TableField("needs_percent", unit="percent", about="of fuel, plus: add"),
        TableField("half_interval_percent", unit="percent", about="95 %, of repeatability"),
        TableField("total_half_interval_percent", unit="percent", about="95 %, with the sensor's own error"),
        TableField("usable_s", unit="s", about="time that counted; of cylinders"),
        TableField("used_for_trims", ColumnKind.WORD, words=NO_YES),
        TableField("not_used_because", ColumnKind.TEXT),
        TableField("injection_stage", ColumnKind.WHOLE),
    ),
    "what each cylinder needs in each cell of speed and load, against its peers, and the whole engine "
    "against the target",
    of_time=False,
)
"""What a table of cells holds."""


def cell_columns(balance: Balance, cylinders: Sequence[int]) -> Columns:
    """The columns of the cells of these cylinders, and of the whole engine; the balance is against peers."""
    cells = [cell for cell in balance.cells if cell.cylinder in cylinders]
    engine = balance.whole_engine
    both: list[CellNeed | EngineNeed] = [*cells, *engine]
    names = ("rpm", "load", "needs_percent", "half_interval_percent", "total_half_interval_percent")
    none = [None] * len(engine)
    return {
        **{name: _floats(getattr(one, name) for one in both) for name in names},
        "cylinder": [cell.cylinder for cell in cells] + none,
        "against": Words(np.repeat([0, 1], [len(cells), len(engine)]), ("peers", "target")),
        "usable_s": _floats([*(cell.usable_s for cell in cells), *none]),
        "used_for_trims": Words(
            np.array([int(cell.used_for_trims) for cell in cells] + [-1] * len(engine), np.int64), NO_YES
        ),
        "not_used_because": [cell.not_used_because for cell in cells] + none,
        "injection_stage": [one.injection_stage for one in both],
    }


TRIM_TABLE = TableForm(
    "trims",
    (
        TableField(
            "cylinder", ColumnKind.WHOLE, about="by its label where by_label says so; none for a bank"
        ),
        TableField("bank", ColumnKind.TEXT, about="of a trim of a whole bank, or of the cylinder"),
        TableField("rpm", unit="rpm", about="breakpoint of a map of trims"),
        TableField("load", about="breakpoint of a map of trims"),
        TableField("output", ColumnKind.WHOLE, about="of the engine control, from 1"),
        TableField("position", ColumnKind.WHOLE, about="place in the chain"),
        TableField("sensor", ColumnKind.TEXT),
        TableField("needs_percent", unit="percent", about="of fuel, plus: add"),
        TableField("interval95_low_percent", unit="percent", about="of repeatability"),
        TableField("interval95_high_percent", unit="percent", about="of repeatability"),
        TableField("now_percent", unit="percent", about="what the engine control holds"),
        TableField("new_percent", unit="percent", about="what to type; none where trims are withheld"),
        TableField("certainty", ColumnKind.TEXT, about="code of how sure the need is"),
        TableField("why", ColumnKind.TEXT, about="codes of what there is to know about the trim"),
        TableField(
            "by_label", ColumnKind.WORD, about="no fuel step has proved which cylinder is seen", words=NO_YES
        ),
        TableField("withheld", ColumnKind.TEXT, about="codes of why no trims are offered"),
    ),
    "the trims to type, percent of fuel",
    of_time=False,
)
"""What a table of trims holds."""


def trim_columns(sheet: TrimSheet, cylinders: Sequence[int]) -> Columns:
    """The columns of the trims of these cylinders, those of banks, and those of a map."""
    lines = [_trim_line(row) for row in sheet.rows if row.cylinder in cylinders]
    lines += [_map_line(one) for one in sheet.map if one.cylinder in cylinders]
    for bank in sheet.banks:
        half = bank.half_interval_percent
        lines.append(
            {
                "bank": bank.bank,
                "needs_percent": bank.needs_percent,
                "interval95_low_percent": bank.needs_percent - half,
                "interval95_high_percent": bank.needs_percent + half,
                "now_percent": bank.now_percent,
                "new_percent": bank.new_percent,
            }
        )
    withheld = _codes(sheet.withheld)
    columns: dict[str, Any] = {
        field.name: _floats(line.get(field.name) for line in lines)
        if field.kind is ColumnKind.NUMBER
        else [line.get(field.name) for line in lines]
        for field in TRIM_TABLE.fields
    }
    columns["by_label"] = _yes_column([sheet.by_label for _ in lines])
    columns["withheld"] = [withheld or None for _ in lines]
    return columns


def _trim_line(row: TrimRow) -> Mapping[str, Any]:
    names = (
        "cylinder",
        "bank",
        "output",
        "position",
        "sensor",
        "needs_percent",
        "now_percent",
        "new_percent",
    )
    low, high = row.interval95_percent
    return {
        **{name: getattr(row, name) for name in names},
        "interval95_low_percent": low,
        "interval95_high_percent": high,
        "certainty": row.certainty.code.value,
        "why": _codes(row.why),
    }


def _map_line(one: MapTrim) -> Mapping[str, Any]:
    names = ("cylinder", "rpm", "load", "needs_percent", "now_percent", "new_percent")
    return {
        **{name: getattr(one, name) for name in names},
        "interval95_low_percent": one.needs_percent - one.half_interval_percent,
        "interval95_high_percent": one.needs_percent + one.half_interval_percent,
        "why": _codes(one.why),
    }


def _codes(notes: Iterable[Any]) -> str:
    return " ".join(note.code.value for note in notes)
