"""mixmon verify: every mistake and caution of a session file; whether a run is as it was recorded."""

from __future__ import annotations

import argparse
import re
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.main import BAD_INPUT, DONE, LIMIT_NOT_MET
from mixmon.cli.paths import is_folder
from mixmon.errors import Mistake
from mixmon.messages.verify import SessionCheck
from mixmon.record.run_folder import RunFolder, open_run
from mixmon.report.page import stress
from mixmon.report.text import counted, listed, printable, to_json
from mixmon.report.words import note_object, sentence
from mixmon.session.model import OwnChannel


def configure(parser: argparse.ArgumentParser) -> None:
    """SESSION, or the folder of a run."""
    parser.add_argument(
        "session", metavar="SESSION|RUN", type=Path, help="session file (TOML), or the folder of a run"
    )
    options.add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Prints mistakes and cautions, one a line; BAD_INPUT if there are mistakes."""
    if is_folder(arguments.session):
        return _verify_run(arguments)

    check = mixmon.verify(arguments.session)
    mistakes = check.mistakes
    write = _write_json if arguments.json else _write_text
    text = write(arguments.session, mistakes, check)
    status = conclude(text, BAD_INPUT if mistakes else DONE)
    if mistakes:
        talk(f"{arguments.session}: {_count_mistakes(mistakes)}; each is listed with its key; correct them")
    return status


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


def _write_json(session: Path, mistakes: Sequence[Mistake], check: SessionCheck) -> str:

    channels = [
        {
            "name": name,
            "signal": _signal_name(channel),
            "unit": channel.choice.unit or None,
            "range": channel.range,
            "age_s": channel.age_s,
        }
        for name, channel in check.channels.items()
    ]
    cautions = [note_object(one) for one in check.cautions]
    return to_json({"session": session, "mistakes": mistakes, "cautions": cautions, "channels": channels})


def _signal_name(channel: OwnChannel) -> str:
    choice = channel.choice
    return f"{choice.bus}/{choice.message}.{choice.signal}"


def _channel_text(name: str, channel: OwnChannel) -> str:
    """One line: where an own channel comes from, and what is known of its values."""
    parts = [_signal_name(channel)]
    parts += [channel.choice.unit] if channel.choice.unit else []
    parts += [] if channel.range is None else [f"from {channel.range[0]:g} to {channel.range[1]:g}"]
    parts += [] if channel.age_s is None else [f"at most {channel.age_s:g} s old"]
    return f"own channel {name}: {', '.join(parts)}"


def _write_text(session: Path, mistakes: Sequence[Mistake], check: SessionCheck) -> str:

    notes = check.cautions
    told = _count_mistakes(mistakes) if mistakes else "no mistake found"
    beside = f"; {counted(len(notes), 'caution')}" if notes else ""
    answer = stress(listed(f"{session}: {told}{beside}"), doubt=bool(mistakes))
    lines = [*map(str, mistakes), *(f"caution: {sentence(one)}" for one in notes)]
    lines += [_channel_text(name, channel) for name, channel in check.channels.items()]
    return answer + "".join(map(listed, lines))


def _count_mistakes(mistakes: Sequence[Mistake]) -> str:
    """The number of mistakes, in all and by table, in the order of the file."""
    tables = Counter(re.split(r"[.\[]", mistake.where, maxsplit=1)[0] for mistake in mistakes)
    total = counted(len(mistakes), "mistake")
    if len(tables) == 1:
        return total
    return f"{total} ({', '.join(f'{table} {count}' for table, count in tables.items())})"
