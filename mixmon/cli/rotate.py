"""mixmon rotate: sensors' own errors apart from the cylinders' needs, by moving the sensors."""

from __future__ import annotations

import argparse
import contextlib
import math
from collections.abc import Sequence
from pathlib import Path

import mixmon
from mixmon.cli import options
from mixmon.cli.console import conclude, talk
from mixmon.cli.main import DONE, LIMIT_NOT_MET
from mixmon.cli.runs import log_status, opened_run
from mixmon.errors import UsageError
from mixmon.findings.bias.design import (
    USUAL_LOOK_ERROR_PERCENT,
    RotationDesign,
    design_rotation,
    judge_design,
)
from mixmon.findings.bias.looks import Cylinders, session_looks
from mixmon.findings.bias.rotation import ENOUGH_POWER, NOTICED_LOOK_PERCENT, Rotation, fit_rotation
from mixmon.frames.logs import STDIN, is_run
from mixmon.ledger.ledger import Ledger, bias_fact
from mixmon.report.balance import log_troubles
from mixmon.report.rotation import design_json, design_text, rotation_json, rotation_text
from mixmon.report.text import counted, to_json
from mixmon.run import LogFacts, Run, looks_of_run


def configure(parser: argparse.ArgumentParser) -> None:
    """RUN..., a session for each log, and the design."""
    parser.add_argument(
        "log",
        metavar="RUN",
        nargs="*",
        help="one run or log a session, in order; between them the sensors were moved. Without any, the plan "
        "that the sessions make is judged",
    )
    parser.add_argument(
        "-s",
        "--session",
        metavar="FILE",
        type=Path,
        action="append",
        default=[],
        help="session file of each log in turn; a run has its own. With --design, whose sensors are moved",
    )
    parser.add_argument("--design", metavar="N", type=options.whole, help="plan a rotation of N sensors")
    parser.add_argument(
        "--error",
        metavar="PCT",
        type=options.percent,
        help="wanted half of the 95 %% interval of every need: the design has the fewest sessions that reach "
        "it; exit status 1 where it is not reached",
    )
    parser.add_argument(
        "--look-error",
        metavar="PCT",
        type=options.percent,
        default=USUAL_LOOK_ERROR_PERCENT,
        help="half of the 95 %% interval of one look, for a design or a plan (default: %(default)s)",
    )
    parser.add_argument(
        "--enter",
        action="store_true",
        help="enter the sensors' errors into the ledger, where the sessions agree; exit status 1 where "
        "nothing was entered",
    )
    options.add_ledger(parser)
    options.add_leave_out(parser)
    options.add_window(parser)
    options.add_json(parser)
    options.add_strict(parser)
    options.add_quiet(parser)


def run(arguments: argparse.Namespace) -> int:
    """Fits the runs, or plans a rotation."""
    if arguments.log and arguments.design is not None:
        raise UsageError("--design: given with runs; expected one of them; omit the runs, or --design")
    if not arguments.log and (arguments.enter or arguments.ledger is not None):
        raise UsageError("--enter, --ledger: no runs; expected what the errors are from; name the runs")
    if arguments.ledger is not None and not arguments.enter:
        raise UsageError("--ledger: nothing to enter; expected --enter beside it; add it or omit the file")
    if arguments.log:
        return _fit_runs(arguments)
    design = _planned(arguments)
    text = to_json(design_json(design)) if arguments.json else design_text(design)
    return conclude(text, DONE if design.reached or arguments.error is None else LIMIT_NOT_MET)


def _planned(arguments: argparse.Namespace) -> RotationDesign:
    """The design that was asked for, or the plan that several sessions make."""
    plan = [_worn(path) for path in arguments.session]
    if arguments.design is not None:
        if len(plan) > 1:
            raise UsageError(
                f"--design: {len(plan)} sessions; expected one, whose sensors are moved, or none; omit the "
                "others"
            )
        if plan and len(plan[0]) != arguments.design:
            raise UsageError(
                f"--design {arguments.design}: the session has {len(plan[0])} sensors; expected their "
                "number; correct it"
            )
        return design_rotation(plan[0] if plan else arguments.design, arguments.error, arguments.look_error)
    if not plan:
        raise UsageError(
            "rotate: nothing given; expected runs, or --design N, or the sessions of a plan; name them"
        )
    if not arguments.look_error > 0:
        raise UsageError("--look-error 0: expected a percentage above zero; correct it")
    return judge_design(plan, error_percent=arguments.error, look_error_percent=arguments.look_error)


def _worn(path: Path) -> dict[Cylinders, str]:
    """The sensor of each node of a session, by its cylinders."""
    looks = session_looks(mixmon.load_session(path), {}, str(path))
    return dict(sorted(zip(looks.cylinders, looks.sensors, strict=True)))


def _fit_runs(arguments: argparse.Namespace) -> int:
    if arguments.enter:
        Ledger(arguments.ledger).close()  # one that cannot be used is refused before logs are read
    found, logs, runs = _read_runs(arguments)
    text = to_json(rotation_json(found, logs)) if arguments.json else rotation_text(found, logs)
    in_order = log_status(arguments, [trouble for log in logs for trouble in log_troubles(log)])
    entered = _enter_biases(found, runs, arguments) if arguments.enter else DONE
    return conclude(text, max(in_order, entered, _check_error(found, arguments.error)))


def _enter_biases(found: Rotation, runs: Sequence[str], arguments: argparse.Namespace) -> int:
    """Enters the sensors' errors into the ledger, once only for these runs; gives the exit status.

    Raises:
        SourceError, OutputError: the ledger cannot be used.
    """
    known = [one for one in found.sensors if math.isfinite(one.half_interval_percent)]
    if found.solvable and found.consistent is None:
        talk(
            "nothing entered: nothing checks the sensors' errors; run one more session with the sensors moved"
        )
        return LIMIT_NOT_MET
    if not found.consistent or not known:
        talk("nothing entered: the sessions do not agree on the sensors' errors, or do not tell them")
        return LIMIT_NOT_MET
    if found.agreement_power < ENOUGH_POWER:
        talk(
            "nothing entered: the sessions agree, and would by chance in "
            f"{100 * (1 - found.agreement_power):.0f} % of rotations whose looks are off by "
            f"{NOTICED_LOOK_PERCENT:g} % each; run one more session with the sensors moved"
        )
        return LIMIT_NOT_MET
    reason = f"rotation: {', '.join(arguments.log)}"
    facts = [
        bias_fact(
            one.sensor,
            one.bias_percent,
            one.half_interval_percent,
            reason=reason,
            source="rotation",
            runs=runs,
        )
        for one in known
    ]
    with Ledger(arguments.ledger) as ledger:
        entered = len(ledger.enter(facts))
        there = len(facts) - entered
        if there:
            talk(
                f"{counted(there, 'sensor error')} from these runs in {ledger.path} already: not entered "
                "again",
                quiet=arguments.quiet,
            )
        if entered:
            talk(f"{counted(entered, 'sensor error')} entered into {ledger.path}", quiet=arguments.quiet)
    return DONE


def _read_runs(arguments: argparse.Namespace) -> tuple[Rotation, list[LogFacts], list[str]]:
    """The fit of all runs, what became of their logs, and, with --enter, what they are known by."""
    looks, logs, runs = [], [], []
    named = list(zip(arguments.log, _session_of_each(arguments), strict=True))
    for log, session in named:
        with _opened(arguments, log, session) as opened:
            looks.append(looks_of_run(opened, log))
            logs.append(opened.log)
            runs += [opened.fingerprint()] if arguments.enter and not opened.once else []
    _refuse_copies(arguments, named, logs)
    return fit_rotation(looks), logs, runs if len(runs) == len(logs) else []


def _opened(
    arguments: argparse.Namespace, log: str, session: Path | None
) -> contextlib.AbstractContextManager[Run]:
    return opened_run(argparse.Namespace(**{**vars(arguments), "log": [log], "session": session}))


def _refuse_copies(
    arguments: argparse.Namespace, named: Sequence[tuple[str, Path | None]], logs: Sequence[LogFacts]
) -> None:
    """Refuses two logs with the same frames: sensors that read the same in other places look without error.

    Raises:
        UsageError: with both names.
    """
    sizes = [(facts.frames, facts.first_ns) for facts in logs]
    first_of: dict[str, str] = {}
    for (log, session), size in zip(named, sizes, strict=True):
        if sizes.count(size) < 2 or log == STDIN:
            continue
        with _opened(arguments, log, session) as opened:
            frames = opened.fingerprint()
        if frames in first_of:
            raise UsageError(
                f"{log}: the same frames as {first_of[frames]}; expected one log a session, as the "
                "sensors sat elsewhere in each; name the other log"
            )
        first_of[frames] = log


def _session_of_each(arguments: argparse.Namespace) -> list[Path | None]:
    """The session file of each log; None for a run that brings its own.

    Raises:
        UsageError: a log named twice, or another number of sessions.
    """
    logs, given = arguments.log, list(arguments.session)
    twice = [log for i, log in enumerate(logs) if log in logs[:i]]
    if twice:
        raise UsageError(f"{twice[0]}: named twice; expected one log a session; name each once")
    if len(given) == len(logs):
        return given
    plain = [log for log in logs if not is_run(log)]
    if len(given) != len(plain):
        raise UsageError(
            f"--session: {len(given)} for {len(plain)} logs without one of their own; expected one for each, "
            "in order, as the sensors sit elsewhere in each; name them"
        )
    return [None if is_run(log) else given.pop(0) for log in logs]


def _check_error(found: Rotation, wanted: float | None) -> int:
    """The exit status: 1 where a need is known worse than was asked for, or not at all."""
    if wanted is None:
        return DONE
    halves: Sequence[float] = [one.half_interval_percent for one in found.cylinders]
    if halves and all(half <= wanted for half in halves):
        return DONE
    whole = bool(halves) and all(map(math.isfinite, halves))
    said = f"needs known to ± {max(halves):.2f} %" if whole else "not all needs known"
    talk(f"{said}; asked for at most {wanted:g} %")
    return LIMIT_NOT_MET
