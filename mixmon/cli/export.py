"""mixmon export: judged rows, frames, events, cells and trims as CSV, Parquet, MDF 4 or candump text."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

import mixmon
from mixmon.beside.beside import Beside, tables_beside
from mixmon.cli import options
from mixmon.cli.console import conclude, result_bytes, talk, unwritable
from mixmon.cli.output import TextOut, check_places, new_file
from mixmon.cli.paths import is_folder, is_there
from mixmon.cli.runs import add_lag, check_one_session, lags_of, log_status, opened_frames, opened_run
from mixmon.errors import SourceError, UsageError
from mixmon.findings.lags import NodeLag, lags_by_cylinder
from mixmon.findings.pulls.pulls import Pull
from mixmon.findings.pulls.review import pulls_by_stretch
from mixmon.frames.block import FrameBlock
from mixmon.frames.candump_write import write_candump
from mixmon.mixture.block import CylinderBlock
from mixmon.report.balance import log_troubles
from mixmon.report.export.fields import Columns, TableForm
from mixmon.report.export.files import CsvTable, MdfFile, ParquetFile, TableFile, load_asammdf, load_pyarrow
from mixmon.report.export.summary import Export, ExportedTable, export_json, export_remarks, export_text
from mixmon.report.export.tables import (
    CELL_TABLE,
    EVENT_TABLE,
    FRAME_TABLE,
    TRIM_TABLE,
    RowTable,
    cell_columns,
    event_columns,
    frame_columns,
    trim_columns,
    with_load_unit,
)
from mixmon.report.text import to_json
from mixmon.run import LogFacts, Run, cells_and_trims

_SUFFIXES = {"csv": (".csv",), "parquet": (".parquet", ".pq"), "mdf": (".mf4",), "candump": (".log",)}
"""Ends of names by format; the first one is that of files in a folder."""

_TABLE_NAMES = ("rows", "frames", "events", "cells", "trims")

_FRAMES_A_PIECE = 16_384
"""Our choice: some ten megabytes as columns of text."""


def configure(parser: argparse.ArgumentParser) -> None:
    """RUN..., the format, which tables and part, and where to."""
    options.add_log(parser, many=True)
    options.add_session(parser)
    options.add_end_or_format(parser, tuple(_SUFFIXES))
    parser.add_argument(
        "-o",
        "--out",
        metavar="FILE|FOLDER",
        type=Path,
        help="file; for several tables as CSV or Parquet a folder; standard output without it",
    )
    parser.add_argument(
        "--tables",
        metavar="NAME",
        nargs="+",
        action="extend",
        choices=(*_TABLE_NAMES, "all"),
        help=f"which tables: {', '.join(_TABLE_NAMES)} or all; default: rows, the judged samples",
    )
    options.add_begin(parser)
    parser.add_argument("--pull", metavar="N", type=options.whole, help="only pull N of mixmon pulls")
    parser.add_argument(
        "--cylinder",
        metavar="N",
        type=int,
        nargs="+",
        action="extend",
        default=[],
        help="only columns, events, cells and trims of these; the mean of the cylinders stays that of all",
    )
    options.add_leave_out(parser)
    add_lag(parser)
    options.add_force(parser)
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Reads the logs once for each kind of table, and writes as it reads."""
    order = _read_order(arguments)
    if order.tables == ("frames",) and arguments.pull is None:
        export = _export_frames(arguments, order)
    else:
        with opened_run(arguments) as opened:
            export = _export_run(arguments, order, opened)
    status = log_status(arguments, log_troubles(export.log))
    if order.out is None:
        for remark in [*log_troubles(export.log), *export_remarks(export)]:
            talk(remark, quiet=arguments.quiet)
        return status
    return conclude(to_json(export_json(export)) if arguments.json else export_text(export), status)


# What is asked for.


@dataclass(frozen=True, slots=True)
class _Order:
    """The format, the tables, and where they go: `paths` by table; none of them for standard output."""

    to: str
    tables: tuple[str, ...]
    out: Path | None
    paths: dict[str, Path]


def _read_order(arguments: argparse.Namespace) -> _Order:
    """What is asked for; refused before a log is read where it cannot be done.

    Raises:
        UsageError: options that exclude each other, a library that is missing, or a file that is there.
        OutputError: a place that cannot be written to.
        SourceError: a log that is not there.
    """
    to = _format_of(arguments)
    tables = _chosen_tables(arguments, to)
    _check_part(arguments, tables)
    for log in arguments.log:
        if log != "-" and not is_there(log):
            raise SourceError(f"{log}: no such file or folder; expected a run or a log; correct the name")
    paths = _table_paths(arguments.out, to, tables)
    inputs = [log for log in arguments.log if log != "-"]
    unique = {f"--out ({name})": path for name, path in paths.items()}
    if len(set(paths.values())) == 1:
        unique = {"--out": next(iter(paths.values()))}
    check_places(unique, inputs, session=arguments.session, force=arguments.force)
    if to == "parquet":
        load_pyarrow(next(iter(paths.values())))
    if to == "mdf":
        load_asammdf(next(iter(paths.values())))
    if arguments.session is None and tables != ("frames",):
        check_one_session(arguments.log)
    return _Order(to, tables, arguments.out, paths)


def _format_of(arguments: argparse.Namespace) -> str:
    """The format, by --to or by the end of --out."""
    out: Path | None = arguments.out
    end = "" if out is None else out.suffix.lower()
    by_name = next((to for to, ends in _SUFFIXES.items() if end in ends), None)
    to: str = arguments.to or by_name or "csv"
    if out is not None and end and by_name is None and not is_folder(out):
        expected = ", ".join(ends[0] for ends in _SUFFIXES.values())
        raise UsageError(f"--out {out}: expected a name that ends in {expected}, or a folder; change it")
    if by_name not in {None, to}:
        raise UsageError(f"--out {out}: is a name of {by_name}, and --to says {to}; change one of both")
    if out is None and to in {"parquet", "mdf"}:
        raise UsageError(f"--to {to}: no --out; expected a file, as {to} is no text; name one")
    if out is None and arguments.json:
        raise UsageError("--json: no --out; expected a file, as the table goes to standard output; name one")
    return to


def _chosen_tables(arguments: argparse.Namespace, to: str) -> tuple[str, ...]:
    """The tables, in their order."""
    asked = arguments.tables or (["frames"] if to == "candump" else ["rows"])
    chosen = _TABLE_NAMES if "all" in asked else tuple(name for name in _TABLE_NAMES if name in asked)
    if to == "candump" and chosen != ("frames",):
        raise UsageError(
            "--to candump: candump text holds frames alone; omit --tables, or choose another --to"
        )
    if len(chosen) > 1 and to != "mdf" and (arguments.out is None or arguments.out.suffix):
        raise UsageError(
            f"--tables {' '.join(chosen)}: several as {to}; expected --out FOLDER, a name without a suffix; "
            "name one, or use --to mdf"
        )
    passes = sum(name != "trims" or "cells" not in chosen for name in chosen) + (arguments.pull is not None)
    if "-" in arguments.log and passes > 1:
        raise UsageError(
            "-: standard input can be read once; expected one table and no --pull; give a file instead"
        )
    return chosen


def _check_part(arguments: argparse.Namespace, tables: Sequence[str]) -> None:
    """Refuses parts that a table does not have.

    Raises:
        UsageError: with the table.
    """
    whole = [name for name in ("cells", "trims") if name in tables]
    if arguments.pull is not None and whole:
        raise UsageError(
            f"--pull: {' and '.join(whole)} are of steady time; expected rows, events or frames; "
            "choose those by --tables, or a part by --from and --to"
        )
    if (arguments.cylinder or arguments.leave_out) and "frames" in tables:
        option = "--cylinder" if arguments.cylinder else "--leave-out"
        raise UsageError(f"{option}: frames are of no cylinder; expected other tables; omit one of both")


def _table_paths(out: Path | None, to: str, tables: Sequence[str]) -> dict[str, Path]:
    """The file of each table; empty for standard output.

    Raises:
        OutputError: there is no folder for it.
    """
    if out is None:
        return {}
    if not out.suffix and to in {"csv", "parquet"} and (is_folder(out) or not is_there(out)):
        return {name: out / f"{name}{_SUFFIXES[to][0]}" for name in tables}
    return dict.fromkeys(tables, out)


# Where rows go.


class _Outputs:
    """The files of an export; each is opened with the first rows of its table."""

    def __init__(self, arguments: argparse.Namespace, order: _Order, opened: ExitStack) -> None:
        self._order, self._force, self._opened = order, arguments.force, opened
        self._files: dict[str, TableFile] = {}
        self._mdf: MdfFile | None = None
        self.tables: dict[str, ExportedTable] = {}
        self.about: dict[str, Any] = {}

    def add(self, form: TableForm, columns: Columns, first: int) -> None:
        """Adds rows of a table; `first` is the zero of time, ns.

        Raises:
            UsageError, OutputError: the file cannot be written.
        """
        if form.name not in self._files:
            self._files[form.name] = self._open_table(form, first)
        self._files[form.name].add(columns)
        stamp = columns[form.fields[0].name]
        self._count(form.name, len(stamp), form)

    def add_frames(self, frames: FrameBlock, first: int) -> None:
        """Adds frames; raises as `add`."""
        if self._order.to == "mdf":
            self._open_mdf(first).add_frames(frames)
            self._count(FRAME_TABLE.name, len(frames), FRAME_TABLE)
        else:
            self.add(FRAME_TABLE, frame_columns(frames, first), first)

    def _count(self, name: str, rows: int, form: TableForm) -> None:
        before = self.tables[name].rows if name in self.tables else 0
        self.tables[name] = ExportedTable(name, self._order.paths.get(name), before + rows, form)

    def _open_table(self, form: TableForm, first: int) -> TableFile:
        if self._order.to == "mdf":
            return self._open_mdf(first).table(form)
        path = self._order.paths.get(form.name)
        if self._order.to == "csv" or path is None:
            out = self._opened.enter_context(TextOut(path, force=self._force, whole=True))
            return CsvTable(form, out.write)
        file = self._opened.enter_context(new_file(path, force=self._force, whole=True))
        return self._opened.enter_context(closing(ParquetFile(path, file, form, self.about)))

    def _open_mdf(self, first: int) -> MdfFile:
        if self._mdf is None:
            path = next(iter(self._order.paths.values()))
            file = self._opened.enter_context(new_file(path, force=self._force, whole=True))
            self._mdf = self._opened.enter_context(closing(MdfFile(path, file, self.about, first)))
        return self._mdf


def _make_folder(order: _Order) -> None:
    """Makes the folder of several tables.

    Raises:
        OutputError: it cannot be made.
    """
    if order.out is not None and order.out not in order.paths.values():
        try:
            order.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise unwritable(order.out, error) from error


# The tables of a run.


@dataclass(slots=True)
class _ChosenPart:
    """What is chosen: a pull, with its stretch of time, and the nodes whose columns are wanted."""

    nodes: list[int]
    cylinders: list[int]
    pull: Pull | None = None
    stretch: int = 0

    def rows(self, run_: Run) -> Iterator[CylinderBlock]:
        """The chosen rows of a run, judged as in the whole of it."""
        for block in run_:
            if self.pull is None:
                yield block
            elif block.stretch[0] == self.stretch:
                low = np.searchsorted(block.t, self.pull.begin)
                high = np.searchsorted(block.t, self.pull.end, side="right")
                if low < high:
                    yield block.take(slice(int(low), int(high)))

    def holds(self, begin: int, end: int) -> bool:
        """Whether something from one moment to another lies in the pull, or there is none."""
        return self.pull is None or (end >= self.pull.begin and begin <= self.pull.end)


def _export_run(arguments: argparse.Namespace, order: _Order, run_: Run) -> Export:

    part = _choose_part(arguments, run_)
    known: Sequence[NodeLag] = ()
    if arguments.pull is not None or "events" in order.tables:
        known = mixmon.lags(run_, lags_of(arguments.lag, run_.session.engine.cylinders))
    if arguments.pull is not None:
        _find_pull(arguments.pull, run_, known, part)
    if part.pull is not None and run_.log.jumps and "frames" in order.tables:
        raise UsageError(
            "--pull: the stamps of the log jump, so frames of other times may have those of the pull; "
            "expected rows or events; choose frames by --from and --to"
        )
    _make_folder(order)
    samples: dict[str, int] = {}
    session = run_.session.name or str(run_.session.path or "")
    with ExitStack() as opened:
        outputs = _Outputs(arguments, order, opened)
        outputs.about = _about(session, run_.name, _part_json(arguments))
        if "rows" in order.tables:
            beside = [table for log in arguments.log for table in tables_beside(log)]
            samples = _write_rows(run_, part, outputs, beside)
        if "events" in order.tables:
            _write_events(run_, part, known, outputs)
        if {"cells", "trims"} & set(order.tables):
            _write_balance(run_, part, order, outputs)
        cut = _write_frames(arguments, order, outputs, part).cut if "frames" in order.tables else 0
    tables = tuple(outputs.tables[name] for name in order.tables if name in outputs.tables)
    return Export(session, order.to, run_.log, tables, _part_json(arguments), samples, cut)


def _about(session: str, logs: str, part: Any) -> dict[str, Any]:
    """What a file says of itself."""
    from importlib.metadata import version  # slow to load

    return {"made_by": f"mixmon {version('mixmon')}", "session": session, "logs": logs, "part": part}


def _part_json(arguments: argparse.Namespace) -> dict[str, Any] | None:
    """What was chosen of the logs; None for all."""
    window = options.window(arguments)
    if window.whole and arguments.pull is None and not arguments.cylinder:
        return None
    return {
        "from_s": arguments.begin,
        "to_s": arguments.end,
        "pull": arguments.pull,
        "cylinders": sorted(set(arguments.cylinder)) or None,
    }


def _choose_part(arguments: argparse.Namespace, run_: Run) -> _ChosenPart:
    """The nodes and cylinders that are wanted.

    Raises:
        UsageError: a cylinder that the engine does not have, or that no sensor sees.
    """
    every, nodes = run_.session.engine.cylinders, run_.session.chain.nodes
    wanted = set(arguments.cylinder) or set(range(1, every + 1))
    for cylinder in arguments.cylinder:
        if not 1 <= cylinder <= every:
            raise UsageError(f"--cylinder {cylinder}: no such cylinder; expected 1 to {every}; correct it")
        if not any(cylinder in node.cylinders for node in nodes):
            raise UsageError(f"--cylinder {cylinder}: no sensor sees it; expected another; correct it")
    chosen = [i for i, node in enumerate(nodes) if wanted & set(node.cylinders)]
    return _ChosenPart(chosen, sorted(wanted))


def _find_pull(number: int, run_: Run, known: Sequence[NodeLag], part: _ChosenPart) -> None:
    """Looks for the pull of that number, and for the stretch of time that it lies in.

    Raises:
        UsageError: there is none.
    """
    found = pulls_by_stretch(run_.session, run_, lags_by_cylinder(known))
    if number > len(found):
        expected = f"1 to {len(found)}" if found else "none: the log holds no pull"
        raise UsageError(f"--pull {number}: no such pull; expected {expected}; mixmon pulls lists them")
    part.pull, part.stretch = found[number - 1]


def _write_rows(run_: Run, part: _ChosenPart, outputs: _Outputs, beside: Sequence[Beside]) -> dict[str, int]:
    """Writes the judged rows; the samples by state."""
    table: RowTable | None = None
    for block in part.rows(run_):
        if table is None:
            table = RowTable(run_.binding, part.nodes, block, beside)
        first = run_.log.first_ns or 0
        outputs.add(table.form, table.columns(block, first), first)
    return {} if table is None else dict(table.samples)


def _write_events(run_: Run, part: _ChosenPart, known: Sequence[NodeLag], outputs: _Outputs) -> None:

    found = mixmon.events(run_, lags_by_cylinder(known))
    wanted = set(part.cylinders)
    chosen = [e for e in found if part.holds(e.t, e.end) and (e.all_nodes or wanted & set(e.cylinders))]
    first = run_.log.first_ns or 0
    outputs.add(with_load_unit(EVENT_TABLE, run_.session), event_columns(chosen, run_.session, first), first)


def _write_balance(run_: Run, part: _ChosenPart, order: _Order, outputs: _Outputs) -> None:

    balance, sheet = cells_and_trims(run_)
    first = run_.log.first_ns or 0
    for form, columns in (
        (CELL_TABLE, cell_columns(balance, part.cylinders)),
        (TRIM_TABLE, trim_columns(sheet, part.cylinders)),
    ):
        if form.name in order.tables:
            outputs.add(with_load_unit(form, run_.session), columns, first)


# Frames, which need no session.


@dataclass(slots=True)
class _FrameCount:
    """What became of the frames: `cut` stamps lost what six decimals do not hold."""

    rows: int = 0
    cut: int = 0
    facts: list[LogFacts] = field(default_factory=list)


def _export_frames(arguments: argparse.Namespace, order: _Order) -> Export:

    _make_folder(order)
    with ExitStack() as opened:
        outputs = _Outputs(arguments, order, opened)
        outputs.about = _about("", ", ".join(arguments.log), _part_json(arguments))
        count = _write_frames(arguments, order, outputs, None)
    tables = tuple(outputs.tables.values())
    return Export("", order.to, _joined(count.facts), tables, _part_json(arguments), {}, count.cut)


def _write_frames(
    arguments: argparse.Namespace, order: _Order, outputs: _Outputs, part: _ChosenPart | None
) -> _FrameCount:
    """Writes the frames of all logs, or of a pull.

    Raises:
        SourceError: a stamp that candump text has no form for.
    """
    count = _FrameCount()
    first: int | None = None
    with ExitStack() as opened:
        write = _candump_writer(arguments, order, opened) if order.to == "candump" else None
        for log in arguments.log:
            with opened_frames(arguments, log) as reading:
                for block in reading:
                    first = reading.first if first is None else first
                    for frames in _pieces(block, part):
                        count.rows += len(frames)
                        if write is None:
                            outputs.add_frames(frames, first)
                            continue
                        count.cut += int(np.count_nonzero(frames.t % 1000))
                        write(_candump_text(frames, log))
                count.facts.append(reading.log)
    if order.to == "candump":
        outputs.tables["frames"] = ExportedTable("frames", order.out, count.rows, None)
    return count


def _pieces(block: FrameBlock, part: _ChosenPart | None) -> Iterator[FrameBlock]:
    """The chosen frames of a block, some thousand at a time."""
    if part is not None and part.pull is not None:
        block = block.take((block.t >= part.pull.begin) & (block.t <= part.pull.end))
    for start in range(0, len(block), _FRAMES_A_PIECE):
        yield block.take(slice(start, start + _FRAMES_A_PIECE))


def _candump_text(frames: FrameBlock, log: str) -> bytes:
    if int(frames.t.min()) < 0:
        raise SourceError(
            f"{log}: a stamp before 1970; expected later ones, as candump text has no form for it; "
            "use --to csv"
        )
    return write_candump(frames)


def _candump_writer(arguments: argparse.Namespace, order: _Order, opened: ExitStack) -> Any:
    """Takes lines of candump text: to the file, which is made now, or to standard output."""
    path = order.out
    if path is None:
        return result_bytes
    file = opened.enter_context(new_file(path, force=arguments.force, whole=True))

    def write(data: bytes) -> None:
        try:
            file.write(data)
        except OSError as error:
            raise unwritable(path, error) from error

    return write


def _joined(facts: Sequence[LogFacts]) -> LogFacts:
    """The account of several logs that were read one after another."""
    whole = facts[0]
    for more in facts[1:]:
        whole = replace(
            whole,
            **{
                name: getattr(whole, name) + getattr(more, name)
                for name in (
                    "frames",
                    "rejected_lines",
                    "first_rejected",
                    "skipped",
                    "losses",
                    "duration_s",
                    "jumps",
                    "first_jumps",
                    "decoded",
                    "faults",
                )
            },
            losses_counted=whole.losses_counted and more.losses_counted,
        )
    return whole
