"""Tables as files: CSV, Parquet, and MDF 4 (ASAM MDF 4.1).

Rows are added as they come; what is kept in memory does not grow with their number. CSV is that of RFC 4180
with line feeds and UTF-8. Parquet and MDF 4 need pyarrow and asammdf, which are loaded when a file is opened;
they hold units, words and what each column is. CSV has the unit behind the name, in brackets.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, Protocol

import numpy as np

from mixmon.arrays import SECOND_NS
from mixmon.errors import OutputError, reason_of
from mixmon.extras import load_extra
from mixmon.frames.block import EXTENDED, NOT_DATA, FrameBlock, FrameFlag
from mixmon.report.export.arrow import ArrowRows
from mixmon.report.export.fields import ColumnKind, Columns, TableField, TableForm, Words
from mixmon.report.tables import quoted

_ROW_GROUP_ROWS = 32_768
"""Our choice: rows in a row group of Parquet; some ten megabytes, and large enough to be packed well."""


class TableFile(Protocol):
    """Takes the rows of one table."""

    def add(self, columns: Columns) -> None:
        """Adds rows.

        Raises:
            OutputError: the file cannot be written.
        """


def _call_writer(path: Path, act: Callable[..., Any], *arguments: Any, **options: Any) -> Any:
    """What the library's function gives; OutputError where the file cannot be written."""
    try:
        return act(*arguments, **options)
    except OSError as error:
        raise OutputError(
            f"{path}: {reason_of(error)}; expected a file that can be written; choose another"
        ) from error


# CSV.


class CsvTable:
    """One row a line; a field that is not known is empty."""

    def __init__(self, form: TableForm, write: Callable[[str], None]) -> None:
        """`write` takes whole lines; the first one names the columns, with their units in brackets."""
        self._fields, self._write = form.fields, write
        heads = [f"{field.name} [{field.unit}]" if field.unit else field.name for field in form.fields]
        write(",".join(map(quoted, heads)) + "\n")

    def add(self, columns: Columns) -> None:
        """Adds rows; raises what `write` raises."""
        texts = [_CSV_CELLS[field.kind](columns[field.name]) for field in self._fields]
        lines = "\n".join(map(",".join, zip(*texts, strict=True)))
        if lines:
            self._write(lines + "\n")


def _csv_numbers(values: Any) -> list[str]:
    """The shortest text that reads back to the same float; what stays from row to row is written once."""
    values = np.ascontiguousarray(values, np.float64)
    bits = values.view(np.int64)
    starts = np.flatnonzero(np.concatenate([[True], bits[1:] != bits[:-1]])) if len(bits) else bits
    texts = [repr(x) if x == x else "" for x in values[starts].tolist()]  # noqa: PLR0124  # NaN
    kept: list[str] = np.repeat(np.array(texts, object), np.diff(starts, append=len(bits))).tolist()
    return kept


def _csv_integers(values: Any) -> list[str]:
    return ["" if x is None else str(x) for x in _as_list(values)]


def _csv_words(column: Words) -> list[str]:
    texts = [*map(quoted, column.words), ""]
    return [texts[max(i, -1)] for i in column.index.tolist()]


def _csv_texts(values: Sequence[str | None]) -> list[str]:
    return ["" if text is None else quoted(text) for text in values]


_CSV_CELLS: Mapping[ColumnKind, Callable[[Any], list[str]]] = {
    ColumnKind.NUMBER: _csv_numbers,
    ColumnKind.WHOLE: _csv_integers,
    ColumnKind.WORD: _csv_words,
    ColumnKind.TEXT: _csv_texts,
}


def _as_list(values: Any) -> list[Any]:
    listed: list[Any] = values.tolist() if hasattr(values, "tolist") else list(values)
    return listed


# Parquet.


def load_pyarrow(path: Path) -> tuple[Any, ...]:
    """The library and its Parquet module, for the file of that name.

    Raises:
        UsageError: pyarrow is not installed.
    """
    otherwise = ", or a name that ends in .csv"
    return load_extra("parquet", "pyarrow", "pyarrow.parquet", needed_by=str(path), otherwise=otherwise)


class ParquetFile:
    """One table. What was added before an interruption can be read after `close`.

    Unit, words and meaning of a column are metadata of its field; `mixmon` in those of the table says
    what it is.
    """

    def __init__(
        self, path: Path, file: BinaryIO, form: TableForm, about: Mapping[str, Any] | None = None
    ) -> None:
        """Writes into the open file; `path` is its name.

        Raises:
            UsageError: pyarrow is not installed.
            OutputError: the file cannot be written.
        """
        self._path = path
        pa, pq = load_pyarrow(path)
        self._rows = ArrowRows(pa, form, about)
        self._held: list[Any] = []
        self._writer: Any = _call_writer(path, pq.ParquetWriter, file, self._rows.schema)

    def add(self, columns: Columns) -> None:
        """Adds rows.

        Raises:
            OutputError: the file cannot be written.
        """
        self._held.append(self._rows.batch(columns))
        if sum(len(batch) for batch in self._held) >= _ROW_GROUP_ROWS:
            self._write_held()

    def close(self) -> None:
        """Writes what is held and the footer, without which the file cannot be read.

        Raises:
            OutputError: the file cannot be written.
        """
        self._write_held()
        _call_writer(self._path, self._writer.close)

    def _write_held(self) -> None:
        held, self._held = self._held, []
        if held:
            _call_writer(self._path, self._writer.write_table, self._rows.table(held))


# MDF 4.


def load_asammdf(path: Path) -> Any:
    """The library, for the file of that name.

    Raises:
        UsageError: asammdf is not installed.
    """
    return load_extra("mdf", "asammdf", needed_by=str(path), otherwise=", or --to csv")[0]


_TIME, _INDEX = 1, 4  # what a master channel counts (ASAM MDF 4.1, cn_sync_type)
_CAN_BUS, _BUS_SOURCE = 2, 2  # the kind of bus, and of source (ASAM MDF 4.1, si_bus_type and si_type)
_COMPRESSED = 2  # transposed, then packed (ASAM MDF 4.1, dz_zip_type 1): columns pack better than rows


class MdfFile:
    """Tables as channel groups of one file; rows stay in a file beside it until it is saved.

    Times count from the log's first frame, whose stamp is the start time of the file, cut to microseconds.
    Words are numbers with a conversion to text. A table whose time goes back goes on in a further group,
    as the time of a group never does (ASAM MDF 4.1, cn_type master).
    """

    def __init__(self, path: Path, file: BinaryIO, about: Mapping[str, Any], first_ns: int) -> None:
        """Writes into the open file when it is closed; `path` is its name, `first_ns` the zero of times.

        Raises:
            UsageError: asammdf is not installed.
            OutputError: there is no room for the rows.
        """
        self._library = load_asammdf(path)
        self._path, self._file, self._first = path, file, first_ns
        beside = (
            None if path.exists() and not path.is_file() else str(path.resolve().parent)
        )  # none beside a device
        options = {"version": "4.10", "temporary_folder": beside}
        self._mdf: Any = _call_writer(path, self._library.MDF, **options)
        self._mdf.header.start_time = datetime.fromtimestamp(first_ns // 1000 / 1e6, UTC)
        self._about = dict(about)
        self._frames: dict[tuple[str, int], int] = {}

    def table(self, form: TableForm) -> TableFile:
        """Takes the rows of a table. One with texts takes all of them at once."""
        return _MdfTable(self, form)

    def close(self) -> None:
        """Saves the file.

        Raises:
            OutputError: the file cannot be written.
        """
        self._mdf.header.comment = json.dumps(self._about)
        try:
            _call_writer(self._path, self._mdf.save, self._file, compression=_COMPRESSED)
        finally:
            with suppress(OSError):
                self._mdf.close()

    def append_group(self, form: TableForm, t: Any, samples: Sequence[Any]) -> int:
        """A new group with these rows, which may be none; the index of the group.

        Raises:
            OutputError: there is no room.
        """
        master = ("t_s", _TIME) if form.of_time else ("row", _INDEX)
        fields = form.fields[1:] if form.of_time else form.fields
        signals = [
            self._library.Signal(
                values,
                t,
                name=field.name,
                unit=field.unit,
                comment=field.about,
                conversion=_mdf_words(field),
                encoding="utf-8" if field.kind is ColumnKind.TEXT else None,
                master_metadata=master,
            )
            for field, values in zip(fields, samples, strict=True)
        ]
        options = {"acq_name": form.name, "comment": form.about, "common_timebase": True}
        index: int = _call_writer(self._path, self._mdf.append, signals, **options)
        return index

    def extend_group(self, index: int, t: Any, samples: Sequence[Any]) -> None:
        """More rows of a group.

        Raises:
            OutputError: there is no room.
        """
        records = [(values, None) for values in (t, *samples)]
        _call_writer(self._path, self._mdf.extend, index, records)

    def add_frames(self, block: FrameBlock) -> None:
        """Adds frames, as bus logging has them (ASAM MDF, bus logging): data, remote and error frames apart.

        Their times count from the start time of the file, so that stamps stay as they were logged.

        Raises:
            OutputError: there is no room.
        """
        kinds, zero = block.flags & np.uint8(NOT_DATA), self._first // 1000 * 1000
        numbers = _bus_numbers(block.channels)
        self._about["channels"] = dict(zip(map(str, numbers), block.channels, strict=True))
        for flag, name in _FRAME_GROUPS.items():
            some = block.take(np.flatnonzero(kinds == flag))
            if len(some):
                records = _bus_records(some, name, numbers)
                t = (some.t - zero) / SECOND_NS
                self.extend_group(self._frame_group(name, records), t, [records])

    def _frame_group(self, name: str, records: Any) -> int:
        """The index of the group for frames of that kind and width, which is made where there is none."""
        key = (name, records.dtype.itemsize)
        if key not in self._frames:
            source = self._library.Source("CAN", "CAN", "", _BUS_SOURCE, _CAN_BUS)
            signal = self._library.Signal(records[:0], np.zeros(0), name=name, source=source)
            self._frames[key] = _call_writer(self._path, self._mdf.append, signal, acq_name="frames")
        return self._frames[key]


class _MdfTable:
    """One table of an MDF file."""

    def __init__(self, file: MdfFile, form: TableForm) -> None:
        self._file, self._form = file, form
        self._group: int | None = None
        self._newest = -np.inf

    def add(self, columns: Columns) -> None:
        """Adds rows; raises as `TableFile.add`."""
        form = self._form
        values = [_mdf_samples(field, columns[field.name]) for field in form.fields]
        t, samples = (values[0], values[1:]) if form.of_time else (np.arange(len(values[0])) * 1.0, values)
        if any(field.kind is ColumnKind.TEXT for field in form.fields):
            self._file.append_group(form, t, samples)
            return
        if self._group is None or (len(t) and t[0] < self._newest):
            self._group = self._file.append_group(form, t[:0], [part[:0] for part in samples])
        self._file.extend_group(self._group, t, samples)
        self._newest = t[-1] if len(t) else self._newest


def _mdf_words(field: TableField) -> Mapping[str, Any] | None:
    """The conversion of a column of words; the number after the last word is no word."""
    if field.kind is not ColumnKind.WORD:
        return None
    pairs = enumerate((*field.words, ""))
    return {key: part for i, word in pairs for key, part in ((f"val_{i}", i), (f"text_{i}", word))}


def _mdf_samples(field: TableField, values: Any) -> Any:
    """The column as MDF has it; a whole number that may be missing is a float with NaN."""
    if field.kind is ColumnKind.WORD:
        index = values.index.astype(np.int64)
        return np.where(index < 0, len(field.words), index).astype(np.uint8)
    if field.kind is ColumnKind.TEXT:
        encoded = [("" if text is None else text).encode() for text in values]
        return np.array(encoded, f"S{max(map(len, encoded), default=1) or 1}")
    if field.kind is ColumnKind.NUMBER or hasattr(values, "dtype"):
        return np.asarray(values)
    return np.array([np.nan if x is None else x for x in values], np.float64)


_FRAME_GROUPS: Mapping[int, str] = {
    0: "CAN_DataFrame",
    int(FrameFlag.REMOTE): "CAN_RemoteFrame",
    int(FrameFlag.ERROR): "CAN_ErrorFrame",
}
"""Names of the channels that hold whole frames (ASAM MDF, bus logging)."""


def _bus_numbers(channels: Sequence[str]) -> list[int]:
    """The number of each bus: that at the end of its name, or its place where these are not all different.

    >>> _bus_numbers(["can1", "can0"]), _bus_numbers(["left", "right"])
    ([1, 0], [0, 1])
    """
    ends = [re.search(r"\d{1,2}$", name) for name in channels]
    numbers = [int(end[0]) for end in ends if end is not None]
    return numbers if len(set(numbers)) == len(channels) else list(range(len(channels)))


def _bus_records(block: FrameBlock, name: str, numbers: Sequence[int]) -> Any:
    """Frames of one kind as records of that channel; `numbers` are those of the buses."""
    flags = block.flags
    members = {
        "BusChannel": np.array(numbers, np.uint8)[block.bus],
        "ID": block.can_id & np.uint32(~EXTENDED & 0xFFFF_FFFF),
        "IDE": (block.can_id >= EXTENDED).astype(np.uint8),
        "DLC": block.dlc,
        "DataLength": block.size,
        "Dir": ((flags & FrameFlag.SENT) != 0).astype(np.uint8),
        "EDL": ((flags & FrameFlag.FD) != 0).astype(np.uint8),
        "BRS": ((flags & FrameFlag.BIT_RATE_SWITCH) != 0).astype(np.uint8),
        "ESI": ((flags & FrameFlag.ERROR_STATE) != 0).astype(np.uint8),
    }
    if name != _FRAME_GROUPS[int(FrameFlag.REMOTE)]:
        members["DataBytes"] = block.data
    kinds = [(f"{name}.{part}", column.dtype, column.shape[1:]) for part, column in members.items()]
    records = np.empty(len(block), np.dtype(kinds))
    for part, column in members.items():
        records[f"{name}.{part}"] = column
    return records
