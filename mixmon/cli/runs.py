"""What the commands on logs share: their arguments, a run, and a reading of plain frames.

`opened_run` gives the rows of logs by their session, `opened_frames` the frames of one log without one; both
show their progress on standard error.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import mixmon
from mixmon.cli import options
from mixmon.cli.console import talk
from mixmon.cli.main import DONE, LIMIT_NOT_MET
from mixmon.cli.paths import is_there
from mixmon.errors import SourceError, UsageError
from mixmon.findings.lags import DEFAULT_LAG_S, Lag
from mixmon.findings.proof.compare import LARGEST_TRIM_PERCENT
from mixmon.frames.logs import is_run
from mixmon.log import FrameLog
from mixmon.record.run_folder import kept_session, load_kept_session, open_run
from mixmon.report.progress import Progress
from mixmon.report.units import Unit, unit_named
from mixmon.run import Run
from mixmon.session.model import Session


def add_run(parser: argparse.ArgumentParser, *, many: bool = False) -> None:
    """LOG, the session, the part of the log, cylinders to leave out, and the form of the result."""
    options.add_log(parser, many=many)
    options.add_session(parser)
    options.add_leave_out(parser)
    options.add_window(parser)
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def add_against(parser: argparse.ArgumentParser) -> None:
    """--against: the reference of the needs shown."""
    parser.add_argument(
        "--against",
        choices=("peers", "target"),
        default="peers",
        help="reference of the needs shown: the mean of the cylinders (the default), or the target",
    )


def add_lag(parser: argparse.ArgumentParser) -> None:
    """--lag: what is known of the sensors' lags; see `lags_of`."""
    parser.add_argument(
        "--lag",
        metavar="S|CYL=S",
        nargs="+",
        action="extend",
        default=[],
        help="sensor lag in seconds, for all or of one cylinder (5=0.28), or lean-going and rich-going "
        f"(5=0.32/0.24); default: measured on fuel cuts and steps of the log, else {DEFAULT_LAG_S:g}",
    )


def lags_of(words: Iterable[str], cylinders: int) -> dict[int, Lag]:
    """The lag of every cylinder for which one is given; a later word replaces an earlier one.

    Raises:
        UsageError: a word that is no lag, or a cylinder that the engine does not have.
    """
    lags: dict[int, Lag] = {}
    for word in words:
        named, equals, given = word.rpartition("=")
        try:
            parts = tuple(float(part) for part in given.split("/"))
            numbers = [int(named)] if equals else list(range(1, cylinders + 1))
        except ValueError:
            parts, numbers = (), []
        if len(parts) not in {1, 2} or not numbers:
            raise UsageError(
                f"--lag {word}: no lag; expected seconds, such as 0.105 or 5=0.28 or 5=0.32/0.24; correct it"
            )
        if not 1 <= numbers[0] <= cylinders:
            raise UsageError(f"--lag {word}: no such cylinder; expected 1 to {cylinders}; correct it")
        lags |= dict.fromkeys(numbers, parts[0] if len(parts) == 1 else (parts[0], parts[1]))
    return lags


def _load_run_session(log: str) -> Session:
    """The session in the folder of a run.

    Raises:
        UsageError: there is none.
        SourceError, SessionError: as `load_kept_session`.
    """
    kept = load_kept_session(Path(log)) if is_run(log) else None
    if kept is None and log != "-" and not is_there(log):
        raise SourceError(f"{log}: no such file or folder; expected a run or a log; correct the name")
    if kept is None:
        raise UsageError(f"{log}: no session; expected --session, or the folder of a run with one; give one")
    return kept


def check_one_session(logs: Sequence[str]) -> None:
    """Refuses runs that were recorded with different session files.

    Raises:
        UsageError: with the first run whose session is not that of the first one.
        SourceError: as `load_kept_session`.
    """
    kept = {log: kept_session(Path(log)) for log in logs if is_run(log)}
    texts = {log: path.read_bytes() for log, path in kept.items() if path is not None}
    for log, text in texts.items():
        first = next(iter(texts))
        if text != texts[first]:
            raise UsageError(
                f"{log}: was recorded with another session than {first}; expected runs of one session; "
                "give one --session for all, or take them one by one"
            )


def report_faults(logs: Iterable[str], *, quiet: bool) -> None:
    """Reports what is wrong with the folders of runs: cut off, or changed since they were recorded."""
    for fault in _run_faults(logs):
        talk(fault, quiet=quiet)


def _run_faults(logs: Iterable[str]) -> list[str]:
    """What is wrong with the folders of runs among the logs, in words."""
    return [f"{log}: {fault}" for log in logs if is_run(log) for fault in open_run(log).faults]


def log_status(arguments: argparse.Namespace, troubles: Sequence[str]) -> int:
    """The exit status by --strict: 1 if anything in the logs is not in order, which is then said.

    `troubles` says what is not in order within the logs (`report.balance.log_troubles`); what is wrong with
    the folder of a run counts likewise.
    """
    if not arguments.strict:
        return DONE
    every = [*troubles, *_run_faults(_named_logs(arguments))]
    if not every:
        return DONE
    talk(f"the log is not in order: {'; '.join(every)}")
    return LIMIT_NOT_MET


def _named_logs(arguments: argparse.Namespace) -> list[str]:
    """The logs that the arguments of a command name: one or several."""
    return arguments.log if isinstance(arguments.log, list) else [arguments.log]


@contextmanager
def opened_run(arguments: argparse.Namespace) -> Iterator[Run]:
    """The run that the arguments of `add_run` name; progress is shown while it is read.

    Raises:
        UsageError, SessionError, SourceError: as `mixmon.read_run`.
    """
    window = options.window(arguments)
    logs = _named_logs(arguments)
    report_faults(logs, quiet=arguments.quiet)
    run = mixmon.read_run(
        mixmon.load_session(arguments.session) if arguments.session else _load_run_session(logs[0]),
        *logs,
        begin_s=window.begin / 1e9,
        end_s=None if window.end is None else window.end / 1e9,
        leave_out=arguments.leave_out,
    )
    with Progress(sys.stderr, run.total, quiet=arguments.quiet) as progress:
        run.watcher = progress.advance
        yield run


def unit_of_run(run: Run, name: str) -> Unit:
    """The unit of lambda of that name, by the fuel of a run.

    Raises:
        UsageError: AFR without a stoichiometric ratio.
    """
    return unit_named(name, run.binding.fuel, run.binding.stoich_afr)


def trims_of(words: Iterable[str]) -> dict[int, float] | None:
    """Trims by cylinder, from words such as `4=5.5` or `4=5.5,7=-1`; None where none is given.

    >>> trims_of(["4=5.5,7=-1", "2=0"])
    {4: 5.5, 7: -1.0, 2: 0.0}

    Raises:
        UsageError: a word that is no trim, or a second one for a cylinder.
    """
    trims: dict[int, float] = {}
    for word in (part for given in words for part in given.split(",")):
        cylinder, equals, given = word.partition("=")
        try:
            number, trim = int(cylinder), float(given)
            fine = bool(equals) and abs(trim) <= LARGEST_TRIM_PERCENT
        except ValueError:
            fine = False
        if not fine:
            raise UsageError(
                f"--entered {word}: no trim; expected a cylinder and percent, such as 4=5.5; correct it"
            )
        if number in trims:
            raise UsageError(
                f"--entered {word}: cylinder {number} was given {trims[number]:g} % before it; expected one "
                "trim for a cylinder; correct it"
            )
        trims[number] = trim
    return trims or None


@contextmanager
def opened_frames(arguments: argparse.Namespace, log: str | None = None) -> Iterator[FrameLog]:
    """The frames of the log that the arguments name; progress is shown while it is read.

    log: which of them, where they name several.

    Raises:
        UsageError, SourceError: as `mixmon.read_frames`.
    """
    window = options.window(arguments)
    log = log or arguments.log
    report_faults([log], quiet=arguments.quiet)
    frames = FrameLog(log, begin_ns=window.begin, end_ns=window.end)
    with Progress(sys.stderr, frames.total, quiet=arguments.quiet) as progress:
        frames.watcher = progress.advance
        yield frames
