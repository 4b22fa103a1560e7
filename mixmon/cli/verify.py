"""mixmon verify: mistakes and cautions of a session file, and what a log speaks against; runs unchanged."""

from __future__ import annotations

import argparse
from pathlib import Path

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.cli.paths import is_folder
from mixmon.cli.runs import opened_frames
from mixmon.errors import UsageError
from mixmon.findings.plausible.notes import Level
from mixmon.record.run_folder import RunFolder, open_run
from mixmon.report.page import stress
from mixmon.report.sessions.check import check_json, check_text, count_mistakes
from mixmon.report.text import counted, listed, printable, to_json
from mixmon.setup.verify import SessionCheck


def configure(parser: argparse.ArgumentParser) -> None:
    """SESSION, or the folder of a run; and a log with which the session is compared."""
    parser.add_argument(
        "session", metavar="SESSION|RUN", type=Path, help="session file (TOML), or the folder of a run"
    )
    parser.add_argument(
        "--log",
        metavar="LOG",
        help="also whether the signals can be what the session takes them for, by their values in this log",
    )
    options.add_window(parser)
    options.add_json(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Prints mistakes, cautions and what a log speaks against, one a line.

    BAD_INPUT if there are mistakes; LIMIT_NOT_MET if a log leaves doubts alone.
    """
    if is_folder(arguments.session):
        if arguments.log is not None:
            raise UsageError(f"{arguments.session}: --log beside a run; expected a session file; omit one")
        return _verify_run(arguments)

    check = _check_session(arguments)
    text = to_json(check_json(check)) if arguments.json else check_text(check, arguments.log)
    conclude(text, DONE)
    return _conclude_check(arguments.session, check)


def _check_session(arguments: argparse.Namespace) -> SessionCheck:
    """The check of the file, with the log if one is named.

    Raises:
        UsageError: a part of a log, and no log.
        SourceError: the file or the log cannot be read.
    """
    if arguments.log is None:
        if not options.window(arguments).whole:
            raise UsageError("mixmon verify: --from and --to are of a log; expected --log LOG; give it")
        return mixmon.verify(arguments.session)
    with opened_frames(arguments) as frames:
        return mixmon.verify(arguments.session, log=frames)


def _conclude_check(path: Path, check: SessionCheck) -> int:
    """The exit status, after a line on what to do."""
    if check.mistakes:
        told = count_mistakes(check.mistakes)
        talk(f"{path}: {told}; each is listed with its key; correct them")
        return BAD_INPUT
    wrong = [one for one in check.implausible if one.level is Level.MISTAKE]
    if wrong:
        talk(f"{path}: the log contradicts {wrong[0].key}; each is listed with what was seen; correct them")
        return BAD_INPUT
    return LIMIT_NOT_MET if check.implausible else DONE


def _verify_run(arguments: argparse.Namespace) -> int:
    """Compares every file of a run with its checksum.

    BAD_INPUT unless all agree; LIMIT_NOT_MET where they do and something else lies in the folder.

    Raises:
        SourceError: the folder is not a run.
    """
    found = open_run(arguments.session)
    facts = {
        "run": found.path,
        "state": found.manifest.state,
        "frames": found.manifest.frames,
        "cut_off": found.cut_off,
        "verified": found.verified,
        "faults": found.faults,
        "extra": found.extra,
    }
    conclude(to_json(facts) if arguments.json else _write_run_text(found), DONE)
    if found.faults:
        talk(f"{arguments.session}: {found.faults[0]}; expected every file as it was when the run ended")
        return BAD_INPUT
    return LIMIT_NOT_MET if found.extra else DONE


def _write_run_text(found: RunFolder) -> str:

    path, manifest = printable(str(found.path)), found.manifest
    lines = list(found.faults)
    if not lines:
        frames = counted(manifest.frames, "frame")
        lines.append(f"{manifest.state}, {frames}; every file agrees with its checksum")
    lines += [f"not part of the run: {name}" for name in found.extra]
    first, *others = (listed(f"{path}: {line}") for line in lines)
    return stress(first, doubt=bool(found.faults)) + "".join(others)
