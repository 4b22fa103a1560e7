"""mixmon record: live buses to disk, without a screen."""

from __future__ import annotations

import argparse

from mixmon.cli import options
from mixmon.cli.console import result, talk
from mixmon.cli.live import (
    Follower,
    StatusLine,
    acceptance_of,
    add_live,
    live_worker,
    require_acceptance,
    run_lines,
    why_unrecorded,
)
from mixmon.cli.stopping import Stopping
from mixmon.errors import OutputError, SourceError
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.live.worker import Worker
from mixmon.report.alarms import alarm_line
from mixmon.report.text import to_json
from mixmon.watch.commands import NoteText

GIVE_UP_S = 30.0
"""Our choice: time to make room or to plug a stick in again, for somebody who is there."""


def configure(parser: argparse.ArgumentParser) -> None:
    """The session, its buses, and when to record."""
    add_live(parser)
    parser.add_argument(
        "--give-up",
        metavar="S",
        type=options.seconds,
        default=GIVE_UP_S,
        help=f"end where nothing could be recorded for so many seconds (default: {GIVE_UP_S:g})",
    )
    options.add_json(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Records until the time is over or a signal comes, and writes what was recorded."""
    worker, acceptance = live_worker(arguments), acceptance_of(arguments)
    require_acceptance(acceptance, accepted=arguments.accept_caution)
    status = StatusLine(quiet=arguments.quiet)

    def report_alarm(event: AlarmEvent) -> None:
        if event.announced:
            talk(alarm_line(event, worker.first_ns or 0), quiet=arguments.quiet)

    follower = Follower(
        worker,
        quiet=arguments.quiet,
        on_alarm=report_alarm,
        on_second=lambda: status.show(_status_text(worker)),
        status=status,
        over=lambda: worker.recording is not None and worker.recording.failing_s > arguments.give_up,
    )
    gave_up = False
    with Stopping(worker.close) as stopping:
        worker.start()
        try:
            worker.send(NoteText(acceptance.words, standing=True))
            if not why_unrecorded(worker):
                gave_up = follower.follow(stopping, arguments.duration)
        finally:
            worker.close()
        follower.show_news(last=True)
    status.wipe()
    failed = why_failed(worker, arguments.give_up if gave_up else None)
    return _report_end(worker, arguments, failed, interrupted=stopping.asked)


def why_failed(worker: Worker, gave_up_s: float | None) -> str:
    """Why not all was recorded, or why it ended before it was asked to; empty if neither is so.

    gave_up_s: it ended as nothing could be recorded for so many seconds; None: it did not.
    """
    if (why := why_unrecorded(worker)) or gave_up_s is None:
        return why
    return (
        f"ended as nothing could be recorded for {gave_up_s:g} s; what came until then is kept; expected a "
        "folder that takes more; make room, or wait longer with --give-up"
    )


def _report_end(worker: Worker, arguments: argparse.Namespace, failed: str, *, interrupted: bool) -> int:
    """Writes what was recorded, and why not all is; the exit status.

    Raises:
        OutputError: it could not be written.
        SourceError: nothing that the session asks for came.
        KeyboardInterrupt: it was interrupted.
    """
    assert worker.recording is not None
    runs = worker.recording.runs
    if arguments.json:
        result(to_json(_record_facts(worker, failed)))
    else:
        result("".join(f"{line}\n" for line in run_lines(worker)))
    if failed:
        raise OutputError(failed)
    if interrupted:
        raise KeyboardInterrupt
    if worker.troubles and not worker.pipeline.decoded:
        raise SourceError(worker.troubles[0])
    if not runs:
        talk(f"nothing recorded: the engine never turned faster than {arguments.arm:g} rpm")
    return 0


def _record_facts(worker: Worker, failed: str) -> dict[str, object]:
    """The object of --json."""
    assert worker.recording is not None
    snapshot = worker.snapshot
    return {
        "session": worker.session.name or str(worker.session.path or ""),
        "runs": [
            {
                "folder": run.folder,
                "frames": run.frames,
                "bytes": run.size,
                "recorded_s": run.seconds,
                "stopped": run.error,
            }
            for run in worker.recording.runs
        ],
        "watched_s": snapshot.elapsed_s,
        "frames": snapshot.frames,
        "frames_used": worker.pipeline.decoded,
        "late_by_clock": snapshot.late_by_clock,
        "lost": {bus.name: bus.lost for bus in snapshot.buses},
        "unrecorded": worker.recording.status.unkept,
        "troubles": worker.troubles,
        "failure": snapshot.failure or failed,
    }


def _status_text(worker: Worker) -> str:
    """The status line: what is recorded, frames, rates, room on the disk."""
    snapshot = worker.snapshot
    rates = ", ".join(f"{bus.name} {bus.frames_per_s:.0f}/s" for bus in snapshot.buses)
    left = snapshot.recording_minutes_left
    room = (
        ""
        if left is None
        else f"  room for {left / 60:.0f} h"
        if left > 120  # our choice: minutes up to two hours
        else f"  room for {left:.0f} min"
    )
    return f"{snapshot.recording}  {snapshot.frames} frames  {rates}  valid {snapshot.valid}{room}"
