"""mixmon decode: signals as CSV or Parquet."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import replace
from pathlib import Path

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.output import FolderOut, TextOut, check_places, new_file
from mixmon.cli.paths import is_there
from mixmon.cli.runs import log_status, opened_frames
from mixmon.errors import UsageError
from mixmon.frames.block import FrameBlock
from mixmon.log import Decoded, Definitions, SignalValues
from mixmon.messages.bind import bind, load_databases
from mixmon.messages.chain import shipped_database
from mixmon.messages.database import Database, load_database
from mixmon.report.balance import log_troubles
from mixmon.report.export.files import ParquetFile, load_pyarrow
from mixmon.report.tables import (
    DECODED,
    SignalTally,
    corrupt_remarks,
    decoded_columns,
    decoded_json,
    decoding_remarks,
    long_header,
    long_lines,
    wide_header,
    wide_lines,
)
from mixmon.report.text import counted, to_json
from mixmon.session.load import load_session
from mixmon.session.model import Bus

_PARQUET = (".parquet", ".pq")


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG, definitions, which signals, and where to."""
    options.add_log(parser)
    options.add_session(parser)
    parser.add_argument(
        "-d",
        "--database",
        metavar="DBC",
        type=Path,
        help="message definitions for all channels, instead of a session; also a shipped name",
    )
    parser.add_argument(
        "--match",
        choices=("identifier", "pgn"),
        help="frames of a 29-bit message: those of its identifier, or those of its SAE J1939 parameter group "
        "from any source; default: as [[bus]] match says, else identifier",
    )
    parser.add_argument(
        "--j1939-codes",
        choices=("on", "off"),
        help='whether the SAE J1939 codes for "not available" and "error" hold in 29-bit messages; '
        "default: as [[bus]] j1939_codes says, else in messages that the definitions mark as J1939",
    )
    parser.add_argument(
        "--signals",
        metavar="NAME",
        nargs="+",
        action="extend",
        default=[],
        help="only these: Signal or Message.Signal; * and ? stand for any letters",
    )
    parser.add_argument(
        "-o", "--out", metavar="FILE", type=Path, help=".csv or .parquet; standard output without it"
    )
    parser.add_argument(
        "--wide",
        action="store_true",
        help="one CSV file a message, one column a signal; --out is their folder",
    )
    parser.add_argument("--raw", action="store_true", help="add raw values, exact where floats are not (CSV)")
    parser.add_argument(
        "--absolute", action="store_true", help="t_s as stamped in the log, not from its first frame (CSV)"
    )
    options.add_force(parser)
    options.add_window(parser)
    parser.add_argument(
        "--json",
        action="store_true",
        help="one JSON object: of every signal how many values, their quality and their range; the values "
        "themselves only with --out",
    )
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Decodes block by block; memory does not grow with the log."""
    read = _check_options(arguments)

    definitions = _load_definitions(arguments)
    with opened_frames(arguments) as frames:
        decoded = mixmon.decode(frames, definitions, arguments.signals)
        tally = SignalTally() if arguments.json else None
        if arguments.wide:
            _write_wide(arguments, read, decoded)
        elif _is_parquet(arguments.out):
            _write_parquet(arguments, decoded, tally)
        else:
            _write_long(arguments, decoded, tally)
    status = _report_counts(arguments, decoded)
    return status if tally is None else conclude(to_json(decoded_json(decoded, tally, arguments.out)), status)


def _check_options(arguments: argparse.Namespace) -> list[Path]:
    """The files that the command reads; options that exclude each other are refused."""
    if (arguments.session is None) == (arguments.database is None):
        raise UsageError("mixmon decode: expected --session or --database, one of them; give one")
    out = arguments.out
    if arguments.wide and arguments.json:
        raise UsageError("--json: tells of one table; expected no --wide; omit one")
    if arguments.wide and (arguments.raw or out is None or out.suffix):
        raise UsageError("--wide: expected --out FOLDER, a name without a suffix, and no --raw; change these")
    if out is not None and not arguments.wide and out.suffix.lower() not in (".csv", *_PARQUET):
        raise UsageError(f"--out {out}: expected a name that ends in .csv or .parquet; change it")
    if _is_parquet(out) and (arguments.raw or arguments.absolute):
        raise UsageError(
            "--raw and --absolute: are for CSV; Parquet has t_s and t_ns, and no raw values; omit them"
        )
    if _is_parquet(out):
        load_pyarrow(out)  # refused before the log is read
    inputs = [arguments.log, arguments.database]
    return check_places({"--out": out}, inputs, session=arguments.session, force=arguments.force)


def _is_parquet(out: Path | None) -> bool:
    return out is not None and out.suffix.lower() in _PARQUET


def _load_definitions(arguments: argparse.Namespace) -> Definitions:

    if arguments.session is not None:
        session = load_session(arguments.session)
        session = replace(session, buses=tuple(_asked_bus(bus, arguments) for bus in session.buses))
        databases = load_databases(session)
        _tell_notices(databases.values(), quiet=arguments.quiet)
        return Definitions.of_session(bind(session, databases))

    path = arguments.database
    found = path if is_there(path) else shipped_database(str(path)) or path
    asked = _asked_bus(Bus(""), arguments)
    database = load_database(found, j1939_codes=asked.j1939_codes, by_pgn=asked.match == "pgn")
    _tell_notices([database], quiet=arguments.quiet)
    return Definitions.of_database(database.name, database.messages)


def _asked_bus(bus: Bus, arguments: argparse.Namespace) -> Bus:
    """The bus, read as the options ask for."""
    codes = bus.j1939_codes if arguments.j1939_codes is None else arguments.j1939_codes == "on"
    return replace(bus, match=arguments.match or bus.match, j1939_codes=codes)


def _tell_notices(databases: Iterable[Database], *, quiet: bool) -> None:
    """Writes how odd entries of the files are taken: their number, and each with its line."""
    for database in databases:
        if database.notices:
            count = counted(len(database.notices), "entry", "entries")
            talk(f"{database.name}: {count} not as expected", quiet=quiet)
        for notice in database.notices:
            talk(f"{database.name}: {notice}", quiet=quiet)


def _tallied(decoded: Decoded, tally: SignalTally | None) -> Iterator[tuple[FrameBlock, list[SignalValues]]]:
    """Pieces of the log with their values, which are counted on the way where that is asked for."""
    for part, columns in decoded.columns():
        if tally is not None:
            tally.add(columns)
        yield part, columns


def _write_long(arguments: argparse.Namespace, decoded: Decoded, tally: SignalTally | None) -> None:

    with TextOut(arguments.out, force=arguments.force) as out:
        head = long_header(raw=arguments.raw)  # goes out with the first values
        for part, columns in _tallied(decoded, tally):
            if arguments.json and arguments.out is None:
                continue
            zero = 0 if arguments.absolute else decoded.frames.first
            lines = long_lines(part.t - zero, columns, raw=arguments.raw)
            if lines:
                out.write(head + lines)
                head = ""


def _write_wide(arguments: argparse.Namespace, read: Sequence[Path], decoded: Decoded) -> None:

    with FolderOut(arguments.out, read, force=arguments.force) as out:
        for part, messages in decoded.messages():
            zero = 0 if arguments.absolute else decoded.frames.first
            for one, names in messages:
                key = (one.channel, one.block.message.name)
                head = "" if out.has(key) else wide_header(one, names)
                out.write(key, head + wide_lines(part.t - zero, one, names))


def _write_parquet(arguments: argparse.Namespace, decoded: Decoded, tally: SignalTally | None) -> None:

    path, out = arguments.out, None
    with ExitStack() as opened:
        for part, found in _tallied(decoded, tally):
            columns = [column for column in found if len(column.rows)]
            if not columns:
                continue
            if out is None:
                file = opened.enter_context(new_file(path, force=arguments.force))
                out = opened.enter_context(closing(ParquetFile(path, file, DECODED)))
            out.add(decoded_columns(part.t, decoded.frames.first, columns))


def _report_counts(arguments: argparse.Namespace, decoded: Decoded) -> int:
    """Writes the counts of what was written, of what was not, and of what the log lacks; the exit status."""
    troubles = log_troubles(decoded.frames.log) + corrupt_remarks(decoded.decoding)
    for remark in decoding_remarks(decoded.decoding) + troubles:
        talk(remark, quiet=arguments.quiet)
    return log_status(arguments, troubles)
