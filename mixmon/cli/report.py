"""mixmon report: one run as one page to hand over, as HTML and, by a browser of this machine, as PDF."""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from mixmon.cli import options
from mixmon.cli.console import conclude, unwritable
from mixmon.cli.output import check_places, new_file
from mixmon.cli.paths import is_folder, is_there
from mixmon.cli.runs import add_lag, lags_of, log_status, opened_run, trims_of
from mixmon.errors import OutputError, SourceError, UsageError
from mixmon.findings.proof.compare import USUAL_MARGIN_PERCENT
from mixmon.ledger.ledger import Ledger
from mixmon.report.balance import log_troubles
from mixmon.report.handover.gather import HandOver, gather
from mixmon.report.handover.sections import handover_page, written_json, written_text
from mixmon.report.text import to_json
from mixmon.report.units import unit_named
from mixmon.run import Run

BROWSERS: Final = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge", "microsoft-edge")
"""Commands of browsers that print a page as PDF without a window, in the order in which they are sought."""

_LONGEST_PRINT_S: Final = 120
"""Our choice: a page takes some seconds, also on a machine that is busy."""


def configure(parser: argparse.ArgumentParser) -> None:
    """RUN or BEFORE AFTER, the run before, where to, and what the page needs to be told."""
    parser.add_argument(
        "log",
        metavar="RUN",
        nargs="+",
        help="folder of a run, or a log; two are before and after, and the page is of the second",
    )
    options.add_session(parser)
    parser.add_argument(
        "--session-before", metavar="FILE", type=Path, help="session file of the run before alone"
    )
    parser.add_argument(
        "-o", "--out", metavar="FILE", type=Path, help="page to be written, such as report.html"
    )
    parser.add_argument(
        "--pdf", metavar="FILE", type=Path, help="also as PDF, printed by a browser of this machine"
    )
    parser.add_argument("--against", metavar="RUN", help="the run before, with which the page compares")
    options.add_entered(
        parser, "trims that the engine control held in the later run, such as 4=5.5, as for mixmon compare"
    )
    options.add_margin(parser, USUAL_MARGIN_PERCENT)
    add_lag(parser)
    options.add_leave_out(parser)
    options.add_window(parser)
    options.add_units(parser)
    options.add_ledger(parser)
    options.add_force(parser)
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Reads the run, writes the page, and says what was written."""
    log, before = _read_runs(arguments)
    out = _read_out(arguments, [name for name in (log, before) if name is not None])
    browser = None if arguments.pdf is None else find_browser()
    found = _gather(arguments, log, before)
    page = handover_page(found).encode()
    with new_file(out, force=arguments.force) as file:
        _write(file.write, page, out)
    files = [(out, len(page), hashlib.sha256(page).hexdigest())]
    if browser is not None:
        printed = print_page(browser, out, arguments.pdf, force=arguments.force)
        files.append((arguments.pdf, len(printed), hashlib.sha256(printed).hexdigest()))
    text = to_json(written_json(found, files)) if arguments.json else written_text(found, files)
    arguments.log = [name for name in (log, before) if name is not None]
    troubles = log_troubles(found.run.log)
    troubles += [] if found.other is None else log_troubles(found.other.run.log)
    return conclude(text, log_status(arguments, troubles))


def _write(write: Callable[[bytes], object], data: bytes, path: Path) -> None:
    try:
        write(data)
    except OSError as error:
        raise unwritable(path, error) from error


def _read_runs(arguments: argparse.Namespace) -> tuple[str, str | None]:
    """The run of the page, and the one before it.

    Raises:
        UsageError: too many runs, or one named twice.
        SourceError: one is not there.
    """
    runs: list[str] = arguments.log
    if len(runs) > 2 or (len(runs) == 2 and arguments.against is not None):
        raise UsageError(
            f"{runs[-1]}: one run too many; expected one, or two as before and after; make a page for each"
        )
    log, before = (runs[0], arguments.against) if len(runs) == 1 else (runs[1], runs[0])
    if log == before:
        raise UsageError(f"{log}: named twice; expected two runs; a run is always like itself: name another")
    for name in filter(None, (log, before)):
        if name == "-":
            raise UsageError("-: standard input can be read once, and a report reads twice; give a file")
        if not is_there(name):
            raise SourceError(f"{name}: no such file or folder; expected a run or a log; correct the name")
    if before is None and (arguments.entered or arguments.session_before):
        option = "--entered" if arguments.entered else "--session-before"
        raise UsageError(f"{option}: no run before; expected --against RUN, or two runs; name one")
    return log, before


def _read_out(arguments: argparse.Namespace, inputs: list[str]) -> Path:
    """Where the page goes; refused before a log is read where it cannot go there.

    Raises:
        UsageError: no place, a folder, or a file that is there already.
    """
    out: Path | None = arguments.out
    if out is None:
        raise UsageError("--out: not given; expected a file to be written, such as -o report.html; name one")
    for option, place in (("--out", out), ("--pdf", arguments.pdf)):
        if place is not None and is_folder(place):
            raise UsageError(f"{option} {place}: is a folder; expected a file; add a name to it")
        if place is not None and not is_folder(place.parent):
            raise OutputError(f"{option} {place}: no folder {place.parent}; expected one; make it first")
        if place is not None and not is_there(place) and not os.access(place.parent, os.W_OK):
            raise OutputError(f"{option} {place}: the folder is write-protected; expected one that is not")
    places = {"--out": out, "--pdf": arguments.pdf}
    check_places(places, inputs, session=arguments.session, force=arguments.force)
    return out


def _gather(arguments: argparse.Namespace, log: str, before: str | None) -> HandOver:
    """What is known of the run."""
    with Ledger(arguments.ledger) as ledger, _opened(arguments, log, arguments.session) as opened:
        given = lags_of(arguments.lag, opened.session.engine.cylinders)
        unit = unit_named(arguments.units, opened.binding.fuel, opened.binding.stoich_afr)
        if before is None:
            return gather(opened, unit, given=given, ledger=ledger)
        session = arguments.session_before or arguments.session
        with _opened(arguments, before, session) as other:
            return gather(
                opened,
                unit,
                before=other,
                given=given,
                ledger=ledger,
                entered=trims_of(arguments.entered),
                margin_percent=arguments.margin,
            )


@contextmanager
def _opened(arguments: argparse.Namespace, log: str, session: Path | None) -> Iterator[Run]:
    one = argparse.Namespace(**{**vars(arguments), "log": [log], "session": session})
    with opened_run(one) as opened:
        yield opened


# As PDF.


def find_browser() -> str:
    """The command of a browser on this machine.

    Raises:
        UsageError: there is none.
    """
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        raise UsageError(
            f"--pdf: no browser that prints without a window; expected {', '.join(BROWSERS)} on the path; "
            "install one, or open the page and print it to a file"
        )
    return found


def print_page(browser: str, page: Path, place: Path, *, force: bool) -> bytes:
    """Prints a page as PDF, which a browser dates: made twice it is not the same bytes.

    Raises:
        OutputError: the browser failed, or the file cannot be written.
    """
    with TemporaryDirectory(prefix="mixmon-") as folder:
        made = Path(folder) / "page.pdf"
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--disable-background-networking",
            "--no-first-run",
            "--no-pdf-header-footer",
            f"--user-data-dir={folder}/profile",
            f"--print-to-pdf={made}",
            page.resolve().as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")  # such browsers refuse to start as root without it
        try:
            subprocess.run(  # noqa: S603  # a browser of this machine, with arguments of ours
                command, capture_output=True, check=False, timeout=_LONGEST_PRINT_S
            )
            data = made.read_bytes()
        except (OSError, subprocess.TimeoutExpired) as error:
            raise OutputError(
                f"--pdf {place}: {Path(browser).name} printed nothing; expected a PDF; open {page} and "
                "print it"
            ) from error
    with new_file(place, force=force) as file:
        _write(file.write, data, place)
    return data
