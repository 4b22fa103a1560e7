"""mixmon trims: the sheet of trims to type into the engine control, and the record of what was typed."""

from __future__ import annotations

import argparse
import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.output import check_places, new_file
from mixmon.cli.runs import add_run, log_status, opened_run, trims_of
from mixmon.errors import UsageError
from mixmon.findings.trims.sheet import TrimSheet
from mixmon.report.balance import log_troubles
from mixmon.report.text import to_json
from mixmon.report.trims import trims_aloud, trims_csv, trims_text
from mixmon.run import Run
from mixmon.session.entered import entered_path, entered_text, load_entries
from mixmon.session.model import TrimEntry


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG..., the form of the sheet, and what was entered."""
    add_run(parser, many=True)
    parser.add_argument(
        "--read-aloud", action="store_true", help="short lines to read to the person who types"
    )
    parser.add_argument("--csv", metavar="FILE", type=Path, help="write the sheet as CSV, with units")
    options.add_force(parser)
    group = parser.add_argument_group(
        "record",
        "what was typed is kept beside the session file, as NAME.trims.json; later logs are read by it",
    )
    options.add_entered(
        group, "trims that were typed, such as 4=5.5; cylinders that are not named kept theirs"
    )
    group.add_argument(
        "--entered-as-offered", action="store_true", help="all of the sheet was typed as it stands"
    )
    group.add_argument("--by", metavar="NAME", help="who typed them")


def run(arguments: argparse.Namespace) -> int:
    """Makes the sheet, and keeps what was entered."""
    _check_options(arguments)
    inputs = [log for log in arguments.log if log != "-"]
    check_places({"--csv": arguments.csv}, inputs, session=arguments.session, force=arguments.force)
    typed = trims_of(arguments.entered)
    with opened_run(arguments) as opened:
        _check_cylinders(typed or {}, opened.session.engine.cylinders)
        sheet = mixmon.trims(opened)
    if arguments.csv is not None:
        unit = "kPa" if opened.session.axes.load_signal == "map_kpa" else "%"
        with new_file(arguments.csv, force=arguments.force) as file:
            file.write(trims_csv(sheet, unit).encode())
    if typed or arguments.entered_as_offered:
        _keep_entry(arguments, sheet, opened, typed)
    if arguments.json:
        text = to_json(sheet.to_dict())
    else:
        text = trims_aloud(sheet) if arguments.read_aloud else trims_text(sheet, opened)
    return conclude(text, log_status(arguments, log_troubles(opened.log)))


def _check_options(arguments: argparse.Namespace) -> None:
    """Refuses options that do not belong together.

    Raises:
        UsageError: with what is wrong.
    """
    kept = bool(arguments.entered) or arguments.entered_as_offered
    if arguments.entered and arguments.entered_as_offered:
        raise UsageError("--entered, --entered-as-offered: expected one of both; take one out")
    if arguments.read_aloud and arguments.json:
        raise UsageError("--read-aloud, --json: expected one of both; take one out")
    if kept and not arguments.session:
        raise UsageError(
            "--entered: no session; expected --session, beside which the record is kept; give one"
        )
    if kept and "-" in arguments.log:
        raise UsageError("--entered: standard input; expected a log that can be read again; give its file")
    if arguments.by and not kept:
        raise UsageError("--by: nothing to keep; expected --entered or --entered-as-offered beside it")


def _check_cylinders(typed: Mapping[int, float], count: int) -> None:
    """Refuses trims of cylinders that the engine does not have.

    Raises:
        UsageError: with the first of them.
    """
    for cylinder in typed:
        if not 1 <= cylinder <= count:
            raise UsageError(f"--entered: cylinder {cylinder}; expected 1 to {count}; correct it")


def _keep_entry(
    arguments: argparse.Namespace, sheet: TrimSheet, opened: Run, typed: Mapping[int, float] | None
) -> None:
    """Adds what was entered to the record beside the session.

    Raises:
        UsageError: the sheet offers nothing, or has trims of another shape.
        OutputError: the record cannot be written.
    """
    count = opened.session.engine.cylinders
    if sheet.shape != "cylinder":
        raise UsageError(
            f"--entered: trims by {sheet.shape}; expected one a cylinder ([trims] shape); write what was "
            "typed into the session file"
        )
    before = {row.cylinder: row.now_percent for row in sheet.rows}
    after = before | (_offered_trims(sheet) if typed is None else dict(typed))
    entry = TrimEntry(
        log=", ".join(Path(log).name for log in arguments.log),
        fingerprint=opened.fingerprint(),
        first_ns=sheet.first_ns or 0,
        last_ns=sheet.last_ns or 0,
        entered_at=dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        by=arguments.by,
        sensors=tuple(node.sensor for node in opened.session.chain.nodes),
        before=tuple(before[c] for c in range(1, count + 1)),
        after=tuple(after[c] for c in range(1, count + 1)),
    )
    place = entered_path(Path(arguments.session))
    entries = load_entries(Path(arguments.session))
    with new_file(place, force=True) as file:
        file.write(entered_text((*entries, entry)).encode())
    talk(f"{place}: {len(entries) + 1} kept", quiet=arguments.quiet)


def _offered_trims(sheet: TrimSheet) -> dict[int, float]:
    """What the sheet offers, by cylinder.

    Raises:
        UsageError: it offers nothing.
    """
    offered = {row.cylinder: row.new_percent for row in sheet.rows}
    if not all(map(math.isfinite, offered.values())):
        raise UsageError(
            "--entered-as-offered: no trims are offered; expected --entered with what was typed; give it"
        )
    return offered
