"""mixmon replay: the dashboard on a log, or its alarms and its balance as text."""

from __future__ import annotations

import argparse

from mixmon.arrays import SECOND_NS
from mixmon.cli import options
from mixmon.cli.console import result, talk
from mixmon.cli.live import Follower
from mixmon.cli.main import DONE
from mixmon.cli.output import evidence_keeper
from mixmon.cli.paths import is_folder
from mixmon.cli.screen import add_screen, show, units_of
from mixmon.cli.stopping import Stopping, at_terminal, why_no_screen
from mixmon.errors import SourceError, UsageError
from mixmon.findings.alarms.records import AlarmEvent
from mixmon.frames.clock import clock_text
from mixmon.ledger.biases import with_known_biases
from mixmon.live.replay import ReplaySource
from mixmon.live.scan import LogScan
from mixmon.live.worker import Worker
from mixmon.messages.bind import bind, load_databases
from mixmon.record.run_folder import RunFolder, load_kept_session, open_run
from mixmon.report.alarms import alarm_limits_text, alarm_line, alarms_json
from mixmon.report.answers import alarms_answer, answer_text
from mixmon.report.balance import balance_json, balance_text
from mixmon.report.text import listed, title, to_json
from mixmon.report.units import Unit
from mixmon.run import LogFacts, Run, check_left_out, listed_steps, notes_on_missing
from mixmon.session.load import load_session
from mixmon.watch.commands import Seek

MAX = 0.0
"""The speed of `--speed max`: as fast as the log can be worked through."""


def configure(parser: argparse.ArgumentParser) -> None:
    """LOG or the folder of a run, its session, how fast, which part, and the screen."""
    parser.add_argument("log", metavar="LOG|RUN", help="log, or the folder of a run; - is standard input")
    options.add_session(parser)
    parser.add_argument(
        "--speed",
        metavar="X",
        type=_parse_speed,
        help="1 is real time, max as fast as possible (default: 1 in the dashboard, max as text)",
    )
    options.add_window(parser)
    parser.add_argument(
        "--at",
        metavar="MM:SS",
        type=options.moment,
        help="where the dashboard begins to play, MM:SS or seconds from the log's first frame; what came "
        "before is worked through at once",
    )
    options.add_leave_out(parser)
    parser.add_argument(
        "--text", action="store_true", help="print alarms and balance as text, without the dashboard"
    )
    add_screen(parser)
    options.add_json(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Plays the log on the screen, or prints its alarms and its balance."""
    if not (arguments.text or arguments.json or not at_terminal()):
        worker, pace = replay_worker(arguments)
        return show(worker, arguments, speed=pace)
    window = options.window(arguments)
    _check_place(arguments, window, text=True)
    source, run_folder = _open_source(arguments, MAX if arguments.speed is None else arguments.speed)
    return _print_text(_make_worker(arguments, source, run_folder), source, arguments)


def replay_worker(arguments: argparse.Namespace) -> tuple[Worker, float | None]:
    """The worker that plays the log for screens, with its time line, and its speed; None: the fastest.

    Raises:
        MixmonError: log, session or options cannot be used.
    """
    chosen = 1.0 if arguments.speed is None else arguments.speed
    window = options.window(arguments)
    _check_place(arguments, window, text=False)
    source, run_folder = _open_source(arguments, chosen)
    ahead = ReplaySource(run_folder or arguments.log, speed=None, begin_ns=window.begin, end_ns=window.end)
    worker = _make_worker(arguments, source, run_folder, ahead)
    if arguments.at is not None:
        worker.send(Seek(arguments.at, by_clock=True))
    return worker, None if chosen == MAX else chosen


def _open_source(arguments: argparse.Namespace, speed: float) -> tuple[ReplaySource, RunFolder | None]:
    """The log or the run as a source, and the run where it is one; what is wrong with it is told."""
    window = options.window(arguments)
    run_folder = _open_run_folder(arguments.log)
    source = ReplaySource(
        run_folder or arguments.log,
        speed=None if speed == MAX else speed,
        begin_ns=window.begin,
        end_ns=window.end,
    )
    for fault in run_folder.faults if run_folder is not None else ():
        talk(f"{arguments.log}: {fault}", quiet=arguments.quiet)
    if source.unreadable:
        talk(f"{arguments.log}: {source.unreadable} notes cannot be used", quiet=arguments.quiet)
    if source.beyond:
        talk(
            f"{arguments.log}: {source.beyond} notes are more than are held, and have no effect",
            quiet=arguments.quiet,
        )
    return source, run_folder


def _check_place(arguments: argparse.Namespace, window: options.Window, *, text: bool) -> None:
    """The place to begin at is on a screen, and in the part that is played.

    Raises:
        UsageError: it is not.
    """
    if arguments.at is None:
        return
    if text:
        why = "--text and --json have no screen" if arguments.text or arguments.json else why_no_screen()
        raise UsageError(
            f"--at: {why}; expected the dashboard, which --at tells where to begin; use --from for a part"
        )
    at = round(arguments.at * SECOND_NS)
    if at < window.begin or (window.end is not None and at >= window.end):
        raise UsageError(
            f"--at {clock_text(arguments.at)}: outside of the part that --from and --to choose; expected a "
            "moment within; correct it"
        )


def _parse_speed(text: str) -> float:
    """A speed above 0, for argparse; MAX for the word max."""
    if text == "max":
        return MAX
    value = options.number(text, "a speed, such as 2 or 0.5, or max")
    if value <= 0:
        raise argparse.ArgumentTypeError(f"found {text!r}; expected a number above 0, or max")
    return value


def _open_run_folder(path: str) -> RunFolder | None:
    """The run whose folder the path names; None if it names none."""
    return open_run(path) if path != "-" and is_folder(path) else None


def _make_worker(
    arguments: argparse.Namespace,
    source: ReplaySource,
    run_folder: RunFolder | None,
    ahead: ReplaySource | None = None,
) -> Worker:
    """The worker for the source; `ahead` is read for the time line."""
    session = load_session(arguments.session) if arguments.session is not None else None
    if session is None and run_folder is not None:
        session = load_kept_session(run_folder.path)
    if session is None:
        raise UsageError(
            f"{arguments.log}: no session; expected --session, or the folder of a run with one; give one"
        )
    left_out = check_left_out(session, arguments.leave_out)
    session = with_known_biases(session)
    binding = bind(session, load_databases(session))
    return Worker(
        binding,
        source,
        left_out=left_out,
        keep=evidence_keeper(session),
        steps=listed_steps(session, arguments.log),
        begin_s=max(options.window(arguments).begin, 0) / SECOND_NS,
        scan=None if ahead is None else LogScan(binding, ahead, left_out=left_out),
    )


def _print_text(worker: Worker, source: ReplaySource, arguments: argparse.Namespace) -> int:
    """Prints the alarms, what is said of them first, then the balance; at a given speed records as they come.

    Raises:
        SourceError: it cannot be read, or holds nothing for the session.
        KeyboardInterrupt: it was interrupted.
    """
    events: list[AlarmEvent] = []
    paced = arguments.speed not in (None, MAX)

    def report_alarm(event: AlarmEvent) -> None:
        events.append(event)
        if paced and not arguments.json:
            result(listed(alarm_line(event, source.first_ns or 0)))

    unit = units_of(worker.binding, arguments.units)[0]
    follower = Follower(worker, quiet=arguments.quiet, on_alarm=report_alarm, on_second=lambda: None)
    with Stopping(worker.close) as stopping:
        worker.start()
        try:
            follower.follow(stopping, None)
        finally:
            worker.close()
        follower.show_news(last=True)
    if worker.snapshot.failure:
        raise SourceError(worker.snapshot.failure)
    if stopping.asked:
        raise KeyboardInterrupt
    _print_balance(worker, source, events, arguments, unit)
    return DONE


def _print_balance(
    worker: Worker,
    source: ReplaySource,
    events: list[AlarmEvent],
    arguments: argparse.Namespace,
    unit: Unit,
) -> None:
    """The balance, and as JSON the alarm records before it."""
    run_ = _run_for_report(worker, source)
    found = worker.observer.balance(missing=run_.log.missing)
    if not arguments.json:
        told = [] if arguments.speed not in (None, MAX) else events
        records = "".join(listed(alarm_line(event, source.first_ns or 0)) for event in told)
        answer = title("ALARMS", run_.session.name) + answer_text(alarms_answer(events))
        limits = alarm_limits_text(worker.session)
        result(f"{answer}{records}\n{limits}\n{balance_text(found, run_, unit)}")
        return
    alarms = alarms_json(events, worker.snapshot.alarms, worker.session, source.first_ns or 0)
    result(to_json({**alarms, **balance_json(found, run_)}))


def _run_for_report(worker: Worker, source: ReplaySource) -> Run:
    """The run with the counts of its lines, as the report reads it."""
    pipeline, report = worker.pipeline, source.log.report
    source.check_heard(pipeline)
    run_ = Run(worker.binding, [source.log])
    run_.log = LogFacts(
        frames=max(report.frames, pipeline.frames),
        rejected_lines=report.rejected_lines,
        first_rejected=report.first_rejected,
        skipped=report.skipped,
        losses=report.losses,
        losses_counted=source.log.losses_counted,
        first_ns=source.first_ns,
        duration_s=source.duration_s,
        late_by_clock=pipeline.late_by_clock,
        jumps=pipeline.jumps,
        first_jumps=list(pipeline.first_jumps),
        decoded=pipeline.decoded,
        corrupt=sum(c.checksum_errors + c.repeats for c in pipeline.counts.values()),
        faults=report.faults,
        missing=notes_on_missing(worker.binding, pipeline),
    )
    return run_
